"""Figures of the report: read without colour, and draw what they are given."""

import numpy as np
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure

from cli.figures.choice import RowSweep, variation_against_level, variation_by_count, variation_over_rows
from cli.figures.report import (
    HIGHEST_DB,
    LOWEST_DB,
    STEP_DB,
    LevelMap,
    bands_before_after,
    level_key,
    modes_built,
    pressure_map,
    ramp_colours,
)
from roommodes.acoustics.built_modes import BuiltMode


def axes():
    return Figure().subplots()


def test_the_ramp_gets_lighter_at_every_step() -> None:
    """Relative luminance (WCAG 2.1) rises evenly enough to be told apart in grey."""
    colours = np.array(ramp_colours(round((HIGHEST_DB - LOWEST_DB) / STEP_DB)))
    linear = np.where(colours <= 0.03928, colours / 12.92, ((colours + 0.055) / 1.055) ** 2.4)
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    assert np.all(np.diff(luminance ** (1 / 2.2)) > 0.03)


def test_before_and_after_differ_by_more_than_colour() -> None:
    hz = np.geomspace(20, 100, 12)
    rng = np.random.default_rng(2)
    drawn = bands_before_after(
        axes(),
        frequency_hz=hz,
        before_db=rng.normal(size=(12, 3)) - 20.0,
        after_db=rng.normal(size=(12, 3)) + 50.0,
        seat_weight=np.ones(3),
        before_name="before",
        after_name="after",
    )
    bands = [one for one in drawn.collections if isinstance(one, PolyCollection)]
    assert {bool(band.get_hatch()) for band in bands} == {True, False}
    assert len({line.get_linestyle() for line in drawn.lines}) == 2
    for line in drawn.lines:
        assert abs(np.mean(line.get_ydata())) < 1e-9, "each about its own mean"


def test_the_map_shows_levels_and_marks() -> None:
    x, y = np.linspace(0, 5, 9), np.linspace(0, 4, 7)
    level = np.linspace(-10, 8, 63).reshape(9, 7)
    drawn = pressure_map(
        axes(),
        LevelMap(
            x_m=x,
            y_m=y,
            level_db=level,
            seat_m=np.array([[2.0, 1.0, 1.1]]),
            seat_db=np.array([-3.2]),
            sub_m=np.array([[0.3, 2.0, 0.3], [4.7, 2.0, 0.3]]),
        ),
        title="t",
    )
    assert [text.get_text() for text in drawn.texts] == ["-3", "1", "2"]
    assert drawn.get_aspect() == 1.0
    assert (drawn.get_xlim(), drawn.get_ylim()) == ((0.0, 5.0), (0.0, 4.0))
    assert len(level_key(axes()).patches) == round((HIGHEST_DB - LOWEST_DB) / STEP_DB)


def test_counts_and_modes_hold_their_numbers() -> None:
    drawn = variation_by_count(
        axes(), plan_db={1: 4.0, 2: 2.5}, usual_db={1: 5.0}, driven_db={1: 4.5}, free_db={2: 0.5}
    )
    assert sorted(text.get_text() for text in drawn.texts) == ["2.50", "4.00", "5.00"]
    looks = {(line.get_marker(), line.get_linestyle(), line.get_markerfacecolor()) for line in drawn.lines}
    assert len(looks) == 4, "series differ by more than colour"
    mode = BuiltMode(
        number=(1, 0, 0),
        rigid_hz=28.6,
        frequency_hz=27.9,
        decay_time_s=0.7,
        null_planes=(),
        likeness=0.98,
        share=0.9,
        settled=True,
    )
    drawn = modes_built(axes(), modes=[mode])
    marks = [line for line in drawn.lines if line.get_marker() == "o"]
    np.testing.assert_allclose(marks[0].get_xydata(), [[27.9, 0.7]])
    assert [text.get_text() for text in drawn.texts] == ["1 0 0"]
    modes_built(axes(), modes=[])


def test_fronts_and_rows_are_drawn_where_their_numbers_are() -> None:
    fronts = {
        1: (np.array([100.0, 103.0]), np.array([4.0, 6.0])),
        2: (np.array([102.0, 104.0, 107.0]), np.array([2.0, 2.5, 5.0])),
    }
    drawn = variation_against_level(axes(), fronts=fronts, chosen=(102.0, 2.0), level_label="level")
    for line, (level, variation) in zip(drawn.lines, fronts.values(), strict=False):
        np.testing.assert_array_equal(line.get_xydata(), np.column_stack([level, variation]))
    np.testing.assert_array_equal(drawn.lines[-1].get_xydata(), [[102.0, 2.0]])
    assert drawn.lines[0].get_marker() != drawn.lines[1].get_marker()
    low, high = drawn.get_ylim()
    assert low == 0.0
    assert high > 6.0
    sweep = RowSweep(name="front", offset_m=np.array([-0.1, 0.0, 0.1]), variation_db=np.array([3.0, 2.0, 1.5]))
    drawn = variation_over_rows(axes(), sweeps=[sweep], best_m=[0.1])
    np.testing.assert_allclose(drawn.lines[0].get_xdata(), [-10.0, 0.0, 10.0])
    np.testing.assert_allclose(drawn.lines[1].get_xydata(), [[10.0, 1.5]])
