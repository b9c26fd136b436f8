"""Figures read without colour, stay inside the room, and do not depend on what was drawn before."""

import io

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle

from cli.figures.choice import variation_by_count
from cli.figures.common_axes import STYLE, figure_bytes, level_limits, new_figure, seat_levels
from cli.figures.room_plan import SubMark, plan_view
from roommodes.acoustics.room import Room
from roommodes.project.reading import parse_project
from tests.rooms import SMALL

ROOM = Room(length_m=6.0, width_m=4.0, height_m=2.5)


def levels(seats: int) -> np.ndarray:
    return np.random.default_rng(3).normal(size=(60, seats))


def draw(seats: int, rows: list[int]):
    return seat_levels(
        Figure().subplots(),
        frequency_hz=np.geomspace(20, 120, 60),
        level_db=levels(seats),
        seat_name=[f"seat {seat}" for seat in range(seats)],
        seat_row=rows,
        title="t",
        level_label="level [dB]",
    )


@pytest.mark.parametrize("kind", ["svg", "png", "pdf", "webp"])
def test_a_figure_drawn_once_is_the_figure_that_matplotlib_saves(kind: str) -> None:
    """`savefig` draws twice, and measures its letters with three renderers."""

    def drawn() -> Figure:
        with mpl.rc_context(STYLE):
            figure = new_figure(7.0, 4.0)
            left, right = figure.subplots(1, 2)
            left.plot([10.0, 20000.0], [-3.0, 4.0], label="a line")
            left.set_ylabel("level [dB]")
            left.legend()
            right.plot([0.0, 1.0], [0.0, 1e6])
            right.set_title("in millions")
        return figure

    options: dict = {
        "svg": {"metadata": {"Date": None, "Creator": "roommodes"}},
        "png": {"metadata": {"Software": "roommodes"}},
        "pdf": {"metadata": {"CreationDate": None, "Creator": "roommodes"}},
        "webp": {"pil_kwargs": {"quality": 90}},
    }
    plain = io.BytesIO()
    with mpl.rc_context(STYLE):
        drawn().savefig(plain, format=kind, dpi=150, **options[kind])
    assert figure_bytes(drawn(), f".{kind}") == plain.getvalue()


def test_every_seat_has_a_pattern_of_its_own() -> None:
    """Dashes or markers tell two lines apart in black and white."""
    axes = draw(7, [0, 0, 0, 0, 1, 1, 1])
    patterns = {(str(line._dash_pattern), line.get_marker()) for line in axes.lines}
    assert len(patterns) == len(axes.lines) == 7


def test_many_seats_become_average_and_range_of_each_row() -> None:
    axes = draw(40, [seat // 10 for seat in range(40)])
    assert len(axes.lines) == len(axes.collections) == 4
    corners = axes.collections[1].get_paths()[0].vertices
    assert corners[:, 1].min() == pytest.approx(levels(40)[:, 10:20].min())
    assert corners[:, 1].max() == pytest.approx(levels(40)[:, 10:20].max())
    assert all("10 seats" in text.get_text() for text in axes.get_legend().get_texts())
    np.testing.assert_allclose(axes.lines[1].get_ydata(), levels(40)[:, 10:20].mean(axis=1))
    assert len({(str(line._dash_pattern), line.get_marker()) for line in axes.lines}) == 4


def test_the_band_holds_all_seats() -> None:
    axes = draw(5, [0] * 5)
    corners = axes.collections[0].get_paths()[0].vertices
    assert corners[:, 1].min() == pytest.approx(levels(5).min())
    assert corners[:, 1].max() == pytest.approx(levels(5).max())


def test_levels_have_whole_steps_and_at_most_one_span() -> None:
    assert level_limits(np.array([-7.3, 11.2])) == (-10.0, 15.0)
    assert level_limits(np.array([3.0]), np.array([-120.0])) == (-45.0, 5.0)


PANES = """\
format = 1
name = "panes"
[room]
length_m = 6.0
width_m = 4.0
height_m = 2.5
[[regions]]
wall = "rear"
from_m = [1.0, 0.5]
to_m = [3.0, 2.0]
construction = "glass pane 6 mm"
[[regions]]
wall = "ceiling"
from_m = [0.5, 0.5]
to_m = [1.0, 1.5]
construction = "glass pane 6 mm"
[[rows]]
name = "front"
x_m = 3.0
y_m = [2.0]
ear_height_m = 1.1
[[zones]]
name = "front"
from_m = [0.3, 0.5, 0.3]
to_m = [0.3, 3.5, 0.3]
"""


def test_the_plan_is_to_scale_and_subs_stay_in_the_room() -> None:
    axes = plan_view(
        Figure().subplots(),
        parse_project(PANES, source="panes.toml"),
        subs=[SubMark(position_m=(0.0, 4.0, 0.0), drive="x"), SubMark(position_m=(3.0, 1.0, 0.0), drive="y")],
        title="t",
    )
    assert axes.get_aspect() == 1.0
    outline, corner, middle = (patch for patch in axes.patches if isinstance(patch, Rectangle))
    assert (outline.get_width(), outline.get_height()) == (6.0, 4.0)
    assert corner.get_x() >= 0.0
    assert corner.get_y() + corner.get_height() <= 4.0
    assert middle.get_x() + middle.get_width() / 2 == pytest.approx(3.0)
    assert middle.get_y() + middle.get_height() / 2 == pytest.approx(1.0)
    panes = [patch for patch in axes.patches if isinstance(patch, Polygon)]
    assert len(panes) == 1  # glass overhead is not seen in a plan
    corners = panes[0].get_xy()
    assert corners[:, 0].min() == pytest.approx(6.0)
    assert (corners[:, 1].min(), corners[:, 1].max()) == (1.0, 3.0)


def test_the_plan_shows_parts_of_walls_with_letters_and_zones() -> None:
    """Two doors one above the other, glass, a part of the ceiling; a zone that is a line."""
    doors = "".join(
        f'[[regions]]\nwall = "left"\nfrom_m = [4.0, {low}]\nto_m = [5.0, {low + 1.0}]\nconstruction = "door"\n'
        for low in (0.0, 1.2)
    )
    project = parse_project(PANES.replace("[[rows]]", f"{doors}[[rows]]"), source="doors.toml")
    axes = plan_view(Figure().subplots(), project, subs=[], title="t")
    letters = {text.get_text(): text.get_position() for text in axes.texts if len(text.get_text()) == 1}
    assert set("ACD") <= set(letters), "the ceiling's part is not in the plan"
    assert letters["C"] != letters["D"]
    assert letters["C"][1] < 0.0, "outside the left wall"
    key = [text.get_text() for text in axes.get_legend().get_texts()]
    assert "C, D: door" in key
    assert any("B (ceiling)" in words for words in key)
    spans = [one.get_paths()[0].get_extents() for one in axes.collections]
    assert any(one.ymin == 0.5 and one.ymax == 3.5 and one.xmin < 0.3 < one.xmax for one in spans), "the zone"


@pytest.mark.parametrize("size_in", [(6.7, 4.4), (12.5, 5.6)])
def test_the_name_of_what_is_kept_free_stands_beside_it_where_it_does_not_fit(size_in: tuple[float, float]) -> None:
    """Measured on the drawn figure: neither over walls nor over the thing, and near it; a large one holds its name."""
    kept = "".join(
        f'[[keep_outs]]\nname = "{name}"\nfrom_m = {low}\nto_m = {high}\n'
        for name, low, high in (
            ("equipment rack", [3.7, 0.0, 0.0], [4.0, 0.4, 2.0]),
            ("door", [3.0, 2.2, 0.0], [3.8, 3.2, 2.0]),
        )
    )
    project = parse_project(SMALL + kept, source="test")
    with mpl.rc_context(STYLE):
        figure = new_figure(*size_in)
        axes = plan_view(figure.subplots(), project, subs=[], title="t")
        figure.draw_without_rendering()
    x, y = project.room.length_m, project.room.width_m
    ends = {
        text.get_text(): axes.transData.inverted().transform(text.get_window_extent().get_points())
        for text in axes.texts
    }
    (x0, y0), (x1, y1) = ends["equipment\nrack"]
    assert 0.0 < x0 < x1 < x
    assert 0.0 < y0 < y1 < y
    assert x1 < 3.7 or y0 > 0.4, "over the rack"
    assert np.hypot(max(3.7 - x1, 0.0), max(y0 - 0.4, 0.0)) < 0.2, "far from the rack"
    (x0, y0), (x1, y1) = ends["door"]
    assert 3.0 < x0 < x1 < 3.8
    assert 2.2 < y0 < y1 < 3.2


def test_drawing_leaves_the_settings_of_the_program_alone(run, small) -> None:
    before = dict(mpl.rcParams)
    assert run("predict", small, "-o", "a.png").exit_code == 0
    assert dict(mpl.rcParams) == before


def test_main_loudspeakers_without_cabinets_are_points_with_a_key() -> None:
    text = SMALL + "[mains]\npositions_m = [[0.4, 0.8, 1.0], [0.4, 2.4, 1.0]]\n"
    axes = plan_view(Figure().subplots(), parse_project(text, source="test"), subs=[], title="t")
    shown = {
        (float(line.get_xdata()[0]), float(line.get_ydata()[0])) for line in axes.lines if len(line.get_xdata()) == 1
    }
    assert {(0.4, 0.8), (0.4, 2.4)} <= shown
    assert "main loudspeaker" in [one.get_text() for one in axes.get_legend().get_texts()]
    without = plan_view(Figure().subplots(), parse_project(SMALL, source="test"), subs=[], title="t")
    assert "main loudspeaker" not in [one.get_text() for one in without.get_legend().get_texts()]


def test_variation_over_the_number_of_subs_is_written_as_in_tables() -> None:
    axes = variation_by_count(Figure().subplots(), plan_db={1: 4.45, 2: 1.2}, usual_db={1: 4.6, 2: 0.004})
    assert sorted(text.get_text() for text in axes.texts) == ["0.00", "1.20", "4.45", "4.60"]
