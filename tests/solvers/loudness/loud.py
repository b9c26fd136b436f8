"""A small project whose sub is known, for the tests of headroom."""

from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from tests.rooms import CLOSED_BOX

TEXT = (
    """\
format = 1
name = "loud"
[room]
length_m = 5.3
width_m = 3.9
height_m = 2.4
loss_factor = 0.03
[[rows]]
name = "front"
x_m = 2.6
y_m = [0.8, 1.7, 2.9]
ear_height_m = 1.1
[[zones]]
name = "front wall"
from_m = [0.35, 0.4, 0.3]
to_m = [0.35, 3.4, 0.3]
spacing_m = 1.0
[[zones]]
name = "rear wall"
from_m = [4.95, 0.4, 0.3]
to_m = [4.95, 3.4, 0.3]
spacing_m = 1.5
[[keep_outs]]
name = "door"
from_m = [4.0, 1.2, 0.0]
to_m = [4.6, 2.6, 2.0]
[search]
counts = [1, 2]
band_hz = [20, 100]
points_per_octave = 9
[subwoofer]
cabinet_m = [0.42, 0.4, 0.44]
port_face = "rear"
port_clearance_m = 0.1
"""
    + CLOSED_BOX
)


def project(old: str = "", new: str = "", extra: str = "") -> Project:
    """The project with one text replaced and another added at its end."""
    return parse_project(TEXT.replace(old, new) + extra, source="loud.toml")
