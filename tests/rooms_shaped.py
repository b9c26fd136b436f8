"""A small attic with a riser and a chimney breast, invented, for every test that needs a room that is no box."""

ATTIC = """\
format = 1
name = "small attic"
[room]
length_m = 3.8
width_m = 3.0
height_m = 2.3
loss_factor = 0.02
[walls]
rear = "brick"
floor = "timber floor"
[[blocks]]
name = "riser"
from_m = [2.6, 0.0, 0.0]
to_m = [3.8, 3.0, 0.3]
construction = "timber floor"
carries = true
[[blocks]]
name = "chimney breast"
from_m = [1.0, 2.5, 0.0]
to_m = [1.8, 3.0, 2.3]
faces = { left = "brick" }
[[slopes]]
name = "roof"
along = "y"
from_m = [1.2, 2.3]
to_m = [3.0, 1.3]
construction = "plasterboard on studs, filled"
[[regions]]
wall = "riser: top"
from_m = [2.8, 0.5]
to_m = [3.6, 2.5]
construction = "curtain"
[[rows]]
name = "front"
x_m = 2.0
y_m = [0.7, 1.5]
ear_height_m = 1.1
[[rows]]
name = "rear"
x_m = 3.1
y_m = [0.7, 1.5]
ear_height_m = 1.0
on = "riser"
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 2.7, 0.3]
spacing_m = 0.8
[[zones]]
name = "on the riser"
on = "riser"
from_m = [3.5, 0.3, 0.3]
to_m = [3.5, 2.7, 0.3]
spacing_m = 1.2
[subwoofer]
cabinet_m = [0.4, 0.4, 0.5]
max_level_1m_db = 110
[search]
counts = [1, 2]
band_hz = [25, 70]
points_per_octave = 6
[layout]
positions_m = [[0.3, 1.0, 0.3], [3.5, 2.0, 0.6]]
gain_db = [0, -3]
"""
