"""[[subwoofers]]: what a project with several kinds says, and its faults, each at its place and all at once."""

import numpy as np
import pytest

from roommodes.errors import ProjectInvalid
from roommodes.project.reading import parse_project
from tests.rooms import SMALL

KINDS = """\
[[subwoofers]]
name = "large"
price = 900
cabinet_m = [0.5, 0.5, 0.5]
[[subwoofers]]
name = "small"
price = 400
cabinet_m = [0.3, 0.3, 0.3]
"""
BARE = SMALL[: SMALL.index("[layout]")]


def faults(text: str) -> dict[str, str]:
    """Place of each fault -> its message."""
    with pytest.raises(ProjectInvalid) as caught:
        parse_project(text, source="test")
    return {fault.where: fault.message for fault in caught.value.faults}


def test_each_kind_stands_where_its_cabinet_fits_and_its_zones_allow() -> None:
    text = BARE.replace('name = "rear wall"\n', 'name = "rear wall"\nkinds = ["small"]\n') + KINDS
    project = parse_project(text, source="test")
    found = project.candidates
    front = np.isclose(found.position_m[:, 0], 0.3)
    assert (found.kind[~front] == 1).all()
    # 0.3 m off the left wall is far enough for both, and 0.3 m off the front wall; the large one needs 0.25 m
    assert set(found.kind[front]) == {0, 1}
    assert len(found) == 4 + 4 + 3
    tall = parse_project(text.replace("[0.5, 0.5, 0.5]", "[0.5, 0.5, 0.7]"), source="test")  # 0.3 m up: it needs 0.35
    assert set(tall.candidates.kind) == {1}


def test_a_candidate_is_mirrored_to_one_of_its_own_kind() -> None:
    found = parse_project(BARE + KINDS, source="test").candidates
    assert (found.mirror_of >= 0).all()
    assert (found.kind[found.mirror_of] == found.kind).all()


def test_one_kind_in_the_list_is_as_one_subwoofer() -> None:
    one = parse_project(BARE + KINDS[: KINDS.index("[[subwoofers]]", 1)], source="test")
    plain = parse_project(
        BARE + '[subwoofer]\nname = "large"\nprice = 900\ncabinet_m = [0.5, 0.5, 0.5]\n', source="test"
    )
    assert one.subwoofer == plain.subwoofer
    assert (one.candidates.position_m == plain.candidates.position_m).all()


def test_all_faults_come_at_once_with_their_places() -> None:
    text = (
        SMALL.replace('name = "front wall"\n', 'name = "front wall"\nkinds = ["larg"]\n')
        .replace('name = "rear wall"\n', 'name = "rear wall"\nkinds = []\n')
        .replace("[search]\n", "[search]\nbudget = 300\n")
        .replace("[layout]\n", '[layout]\nkinds = ["small", "tiny"]\n')
    )
    found = faults(text + KINDS + '[subwoofer]\nname = "third"\n')
    assert found["subwoofer"].startswith("[[subwoofers]] are given too")
    assert 'Did you mean "large"?' in found["zones[0].kinds"]
    assert found["zones[1].kinds"].startswith("the list is empty")
    assert 'Allowed: "large", "small".' in found["layout.kinds"]
    assert "1 sub costs at least 400" in found["search.budget"]


def test_names_prices_and_layout_are_asked_for() -> None:
    found = faults(
        SMALL.replace("[search]\n", "[search]\nbudget = 3000\n") + "[[subwoofers]]\n[[subwoofers]]\nprice = 5\n"
    )
    assert found["subwoofers[0].price"].startswith("it has none, and search.budget")
    assert "it has no name, as subwoofers[0]" in found["subwoofers[1].name"]
    assert found["layout.kinds"].startswith("there are several kinds")


def test_a_fixed_sub_is_of_one_kind_and_kinds_need_a_list() -> None:
    fixed = BARE.replace("to_m = [3.8, 2.9, 0.3]\nspacing_m = 1.5\n", "to_m = [3.8, 0.3, 0.3]\nfixed = true\n")
    assert "name it in kinds" in faults(fixed + KINDS)["zones[1].fixed"]
    alone = BARE.replace('name = "rear wall"\n', 'name = "rear wall"\nkinds = ["small"]\n')
    assert faults(alone)["zones[1].kinds"].startswith("there are no [[subwoofers]]")


def test_faults_of_a_kind_are_told_at_that_kind() -> None:
    found = faults(BARE + KINDS + "acoustic_centre_m = [0.5, 0, 0]\n[subwoofers.amplifier]\npower_w = 100\n")
    assert set(found) == {"subwoofers[1].acoustic_centre_m", "subwoofers[1].amplifier.power_w"}


def test_each_kind_stands_on_the_floor_by_its_own_cabinet() -> None:
    text = BARE.replace('name = "front wall"\n', 'name = "front wall"\nstands = "floor"\n') + KINDS
    found = parse_project(text, source="test").candidates
    height = {(zone, kind): z for zone, kind, z in zip(found.zone, found.kind, found.position_m[:, 2], strict=True)}
    assert height[("front wall", 0)] == pytest.approx(0.25)
    assert height[("front wall", 1)] == pytest.approx(0.15)
    assert height[("rear wall", 1)] == pytest.approx(0.3)  # as the zone says
