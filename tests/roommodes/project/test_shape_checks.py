"""Blocks and slopes of a project: what they are, and every fault of them, as the person at the keyboard reads it."""

import re

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.errors import ProjectInvalid
from roommodes.project.advice import project_warnings
from roommodes.project.reading import parse_project
from tests.rooms_shaped import ATTIC


def faults(text: str) -> str:
    with pytest.raises(ProjectInvalid) as caught:
        parse_project(text, source="attic.toml")
    return "\n".join(caught.value.lines())


def test_the_attic_is_what_it_says():
    project = parse_project(ATTIC, source="attic.toml")
    room = project.room
    assert not room.is_box
    # 26.22 of the box, less riser 1.08, breast below the slope, and what lies above the slope
    wedge = 0.5 * 1.8 * 1.0 * 3.8
    breast = 0.8 * 0.5 * (2.3 - 0.5 * (1.3 / 1.8 + 1.0))
    assert room.volume_m3 == pytest.approx(3.8 * 3.0 * 2.3 - 1.2 * 3.0 * 0.3 - wedge - breast)
    assert np.allclose(project.seats.position_m[:, 2], [1.1, 1.1, 1.3, 1.3])
    assert {round(z, 6) for z in project.candidates.position_m[:, 2]} == {0.3, 0.6}
    assert [one.wall for one in project.surfaces()] == [
        "rear",
        "floor",
        "riser: front",
        "riser: top",
        "chimney breast: left",
        "roof",
        "riser: top",
    ]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("from_m = [2.6, 0.0, 0.0]\n", "from_m = [2.6, 0.0]\n", "blocks[0].from_m: got 2 numbers; allowed: 3"),
        (
            "to_m = [3.8, 3.0, 0.3]",
            "to_m = [4.8, 3.0, 0.3]",
            'block "riser" has a corner at x = 4.80 m; the room ends at',
        ),
        ("to_m = [3.0, 1.3]", "to_m = [3.4, 1.3]", 'slope "roof" has an end at y = 3.40 m; the room ends at 3.00 m'),
        ("to_m = [3.0, 1.3]", "to_m = [1.2, 1.3]", 'slope "roof" stands upright: both its ends are at y = 1.20 m'),
        ('along = "y"', 'along = "z"', 'slopes[0].along: got "z"; allowed: x, y.'),
        ('name = "roof"', 'name = "riser"', 'blocks[0] has the name "riser" too'),
        ('name = "roof"', 'name = "ceiling"', '"ceiling" is a wall\'s name'),
        ('name = "roof"', 'name = "roof: low"', "a colon stands between a block and its face"),
        (
            'construction = "timber floor"\ncarries',
            'construction = "timbre floor"\ncarries',
            'Did you mean "timber floor"',
        ),
        ("carries = true", "carries = false", 'row "rear" is on "riser", which carries nothing'),
        (
            'ear_height_m = 1.0\non = "riser"',
            'ear_height_m = 1.0\non = "risers"',
            "there is no such block. Blocks that",
        ),
        ("x_m = 3.1", "x_m = 2.2", "is not over the block"),
        ("y_m = [0.7, 1.5]\near_height_m = 1.1", "y_m = [0.7, 2.9]\near_height_m = 1.6", 'is above the slope "roof"'),
        ("x_m = 2.0\ny_m = [0.7, 1.5]", "x_m = 1.4\ny_m = [0.7, 2.7]", 'is in the block "chimney breast"'),
        ("x_m = 2.0\n", "x_m = 2.0\nmove_m = [0.0, 1.5]\n", None),
        (
            'wall = "riser: top"',
            'wall = "riser: topp"',
            "allowed: front, rear, left, right, floor, ceiling, riser: front",
        ),
        ('wall = "riser: top"', 'wall = "riser: bottom"', "no air touches the bottom of the riser"),
        ("from_m = [2.8, 0.5]", "from_m = [2.2, 0.5]", "the top of the riser begins at 2.60 m"),
        ("[[0.3, 1.0, 0.3], [3.5, 2.0, 0.6]]", "[[0.3, 1.0, 0.3], [1.4, 2.7, 0.6]]", "the subwoofer is in the block"),
        ("[[0.3, 1.0, 0.3], [3.5, 2.0, 0.6]]", "[[0.3, 1.0, 0.3], [3.5, 2.0, 0.4]]", "the ceiling or a block"),
        (
            "from_m = [0.3, 0.3, 0.3]\nto_m = [0.3, 2.7, 0.3]",
            "from_m = [1.4, 2.6, 0.3]\nto_m = [1.4, 2.8, 0.3]",
            'zone "front wall" gives no candidate: of its 2 positions 2 in blocks or above slopes',
        ),
    ],
)
def test_faults(old, new, message):
    assert old in ATTIC
    text = ATTIC.replace(old, new, 1)
    if message is None:
        parse_project(text, source="attic.toml")
        return
    assert message in faults(text)


def test_air_that_is_cut_in_two():
    wall = '[[blocks]]\nname = "wall"\nfrom_m = [0.7, 0.0, 0.0]\nto_m = [0.8, 3.0, 2.3]\n'
    assert "positions in air that blocks cut off from the seats" in faults(ATTIC + wall)
    behind = ATTIC.replace(
        "from_m = [0.3, 0.3, 0.3]\nto_m = [0.3, 2.7, 0.3]", "from_m = [2.0, 0.3, 0.3]\nto_m = [2.4, 0.3, 0.3]"
    )
    behind = behind.replace("[0.3, 1.0, 0.3]", "[2.2, 0.3, 0.3]")
    project = parse_project(behind + wall, source="attic.toml")
    assert any(
        re.search(r"m3 of air from \[0, 0, 0\] to \[0.7, 3, 2.3\] m are cut off", one)
        for one in project_warnings(project)
    )


def test_no_air_at_all():
    everything = '[[blocks]]\nname = "all"\nfrom_m = [0, 0, 0]\nto_m = [3.8, 3.0, 2.3]\n'
    assert "leave no air" in faults(ATTIC + everything)


def test_a_block_without_volume_leaves_the_box():
    text = ATTIC.split("[[blocks]]")[0] + ATTIC[ATTIC.index("[[rows]]") :].replace('on = "riser"\n', "").replace(
        "ear_height_m = 1.0", "ear_height_m = 1.3"
    ).replace("[3.5, 0.3, 0.3]", "[3.5, 0.3, 0.6]").replace("[3.5, 2.7, 0.3]", "[3.5, 2.7, 0.6]")
    flat = '[[blocks]]\nname = "mat"\nfrom_m = [1.0, 0.0, 0.0]\nto_m = [2.0, 3.0, 0.0]\nconstruction = "brick"\n'
    plain, other = (parse_project(one, source="x") for one in (text, text + flat))
    assert other.room.is_box
    assert [s.wall for s in other.surfaces()] == [s.wall for s in plain.surfaces()]
    assert any("has no volume" in one for one in project_warnings(other))


def test_spreads_of_blocks_and_slopes_name_those_of_the_room():
    more = "[tolerance]\nblocks = { riser = [0.05, 0.0, 0.02], column = [0.1, 0.1, 0.0] }\nslopes = { dormer = 0.1 }\n"
    found = faults(ATTIC + more)
    assert 'there is no block "column"' in found
    assert 'Allowed: "riser", "chimney breast"' in found
    assert 'there is no slope "dormer"' in found


def test_layers_on_a_block_are_those_of_a_wall():
    """A room that ends at a wall of blocks is the shorter room whose rear wall is made so."""
    rest = (
        '[[rows]]\nname = "a"\nx_m = 2.0\ny_m = [1.0, 1.9]\near_height_m = 1.1\n'
        '[[zones]]\nname = "z"\nfrom_m = [0.3, 0.4, 0.3]\nto_m = [0.3, 2.2, 0.3]\nspacing_m = 0.9\n'
        "[search]\ncounts = [1]\n"
    )
    block = (
        '[[blocks]]\nname = "wall"\nfrom_m = [3.0, 0.0, 0.0]\nto_m = [3.2, 2.6, 2.3]\n'
        'faces = { front = ["curtain", "timber floor"] }\n'
    )
    room = 'format = 1\nname = "r"\n[room]\nlength_m = {}\nwidth_m = 2.6\nheight_m = 2.3\n'
    whole = room.format(3.0) + '[walls]\nrear = ["curtain", "timber floor"]\n' + rest
    parted = room.format(4.5) + block + rest
    bare = parted.replace('["curtain", "timber floor"]', '"timber floor"')
    one, other, uncurtained = (heard(text) for text in (whole, parted, bare))
    assert np.allclose(one, other, rtol=1e-9)
    assert np.abs(one / uncurtained - 1.0).max() > 1e-3


def heard(text: str) -> np.ndarray:
    project = parse_project(text, source="x")
    return transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=np.array([31.0, 55.0]),
        seat_m=project.seats.position_m,
        source_m=project.candidates.position_m,
    )


def test_layers_that_cannot_lie_so_are_faults_of_their_table():
    text = ATTIC.replace('faces = { left = "brick" }', 'faces = { left = ["brick", "curtain"], right = ["curtian"] }')
    text = text.replace('construction = "plasterboard on studs, filled"', 'construction = ["brick", "curtain"]')
    said = faults(text).splitlines()
    assert len(said) == 3
    for place in ("blocks[1].faces.left", "slopes[0].construction"):
        assert any(f'{place}: the "brick" is of the kind absorption, which cannot lie before' in one for one in said)
    assert any('blocks[1].faces.right: there is no construction "curtian"' in one for one in said)
