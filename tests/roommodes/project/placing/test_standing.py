"""What cabinets stand on: zones on the floor, on a block, raised; what hangs is said by how much."""

import numpy as np
import pytest

from roommodes.errors import ProjectInvalid
from roommodes.project.advice import project_warnings
from roommodes.project.placing.standing import feet_m, hanging_m, hanging_words
from roommodes.project.project import Project
from roommodes.project.reading import parse_project

TEXT = """\
format = 1
name = "feet"
[room]
length_m = 6.0
width_m = 4.0
height_m = 2.5
[[blocks]]
name = "riser"
from_m = [4.0, 0.0, 0.0]
to_m = [6.0, 4.0, 0.3]
carries = true
[[rows]]
name = "row"
x_m = 3.2
y_m = [1.3, 2.0, 2.8]
ear_height_m = 1.1
[[zones]]
name = "front"
from_m = [0.4, 0.4, 0.3]
to_m = [0.4, 3.6, 0.3]
spacing_m = 0.4
FRONT
[[zones]]
name = "rear"
on = "riser"
from_m = [5.6, 0.4, 0.24]
to_m = [5.6, 3.6, 0.24]
spacing_m = 0.4
REAR
[subwoofer]
CABINET
acoustic_centre_m = [0, 0, 0.03]
[search]
SEARCH
"""


def project(
    front: str = "", rear: str = "", *, cabinet: str = "cabinet_m = [0.4, 0.4, 0.42]", search: str = ""
) -> Project:
    whole = TEXT if cabinet else TEXT.replace("acoustic_centre_m = [0, 0, 0.03]", "")
    filled = whole.replace("FRONT", front).replace("REAR", rear).replace("CABINET", cabinet).replace("SEARCH", search)
    return parse_project(filled, source="feet.toml")


def own(found: Project, zone: str) -> np.ndarray:
    return found.candidates.position_m[[name == zone for name in found.candidates.zone]]


def test_on_the_floor_the_cabinet_gives_the_height() -> None:
    found = project('stands = "floor"', 'stands = "floor"')
    assert set(own(found, "front")[:, 2]) == {0.24}  # 0.42 / 2 + 0.03
    assert set(own(found, "rear")[:, 2]) == {0.54}  # and the riser's 0.3
    assert np.abs(feet_m(found, found.candidates.position_m)).max() < 1e-9
    (said,) = [text for text in project_warnings(found) if "stands on" in text]
    assert 'zone "front" stands on the floor: its acoustic centres are 0.240 m above it.' in said
    assert "(0.30 m) are not used" in said


def test_what_hangs_is_said_by_how_much() -> None:
    found = project()
    (said,) = [text for text in project_warnings(found) if "foot" in text]
    assert said.startswith('zone "front": the foot of its cabinets is 0.06 m above the floor')
    subs = np.array([[0.4, 1.0, 0.3], [5.6, 1.0, 0.54], [0.4, 3.0, 0.3], [0.4, 2.0, 1.24]])
    assert hanging_m(found, subs) == pytest.approx([0.06, 0.0, 0.06, 1.0])
    assert [line.split(" above")[0] for line in hanging_words(found, subs)] == [
        "Subs 1, 3: their feet are 0.06 m",
        "Sub 4: its foot is 1.00 m",
    ]


def test_what_is_raised_on_purpose_is_not_said() -> None:
    found = project('stands = "raised"')
    assert set(own(found, "front")[:, 2]) == {0.3}
    assert not [text for text in project_warnings(found) if "foot" in text]
    assert hanging_words(found, own(found, "front")) == []
    assert hanging_words(found, np.array([[1.0, 1.0, 0.3]])) != []  # beside the zone


def test_without_a_cabinet_nothing_can_stand() -> None:
    with pytest.raises(ProjectInvalid) as caught:
        project('stands = "floor"', cabinet="")
    assert [fault.where for fault in caught.value.faults] == ["zones[0].stands"]
    assert "cabinet_m in [subwoofer], which is missing" in caught.value.faults[0].message
    assert hanging_words(project(cabinet=""), np.array([[1.0, 1.0, 1.3]])) == []


def test_a_coordinate_of_the_zone_itself_may_be_off_whole_steps() -> None:
    found = project('stands = "floor"', 'stands = "floor"', search="round_m = 0.05")
    assert not [text for text in project_warnings(found) if "whole steps" in text]
    found = project('stands = "floor"', 'stands = "floor"', search="round_m = 0.15")
    said = [text for text in project_warnings(found) if "whole steps" in text]
    assert [text.split(" The zone has")[0] for text in said] == [
        'zone "front": its cabinets are 0.050 m off whole steps of 0.15 m from the front wall.',
        'zone "rear": its cabinets are 0.050 m off whole steps of 0.15 m from the rear wall.',
    ]


def test_a_zone_without_whole_steps_is_a_fault() -> None:
    with pytest.raises(ProjectInvalid) as caught:
        parse_project(
            TEXT.replace("[0.4, 3.6, 0.3]", "[0.4, 0.45, 0.3]")
            .replace("FRONT", "")
            .replace("REAR", "")
            .replace("CABINET", "cabinet_m = [0.4, 0.4, 0.42]")
            .replace("SEARCH", "round_m = 0.3"),
            source="feet.toml",
        )
    (fault,) = caught.value.faults
    assert "it holds no place in whole steps of search.round_m" in fault.message
