"""A plan file that is made in a moment: no search, the drives are given."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from roommodes.plan.choices import Choices, FrontTable, Recommendation, RowsAround, RowTable, UsualTable
from roommodes.plan.file import write_results
from roommodes.plan.plan import Results
from roommodes.plan.tables import Merits, PlanTable
from tests.given_plans import given_results

PROJECT = """\
format = 1
name = "NAME"
[room]
length_m = 5.2
width_m = 4.0
height_m = 2.5
loss_factor = 0.02
[walls]
front = "brick"
[[regions]]
wall = "left"
from_m = [1.0, 0.2]
to_m = [2.5, 2.2]
construction = "own glazing"
[[regions]]
wall = "rear"
from_m = [0.3, 0.0]
to_m = [1.2, 2.05]
construction = "door"
[constructions."own glazing"]
kind = "double glazing"
inner_mass_kg_m2 = 10
outer_mass_kg_m2 = 15
gap_m = 0.016
leaf_resistance_pa_s_m = 4700
description = "DESCRIPTION"
source = "SOURCE"
[[rows]]
name = "ROW"
x_m = 2.6
y_m = [1.2, 2.0, 2.8]
ear_height_m = 1.1
move_m = [0.2, 0.2]
[[rows]]
name = "back"
x_m = 4.0
y_m = [1.5, 2.5]
ear_height_m = 1.3
weight = 0.5
[screen]
width_m = 2.4
[[zones]]
name = "ZONE"
from_m = [0.31, 0.35, 0.27]
to_m = [0.31, 3.65, 0.27]
spacing_m = 0.6
[[zones]]
name = "high"
from_m = [4.85, 2.0, 2.1]
to_m = [4.85, 3.6, 2.1]
spacing_m = 0.8
[[keep_outs]]
name = "KEEPOUT"
from_m = [4.2, 0.0, 0.0]
to_m = [5.2, 1.3, 2.1]
[subwoofer]
name = "box"
cabinet_m = [0.42, 0.36, 0.44]
port_clearance_m = 0.06
ventilation_clearance_m = 0.07
max_level_1m_db = { "20" = 98, "40" = 108 }
[search]
counts = [1, 2, 4]
band_hz = [20, 100]
points_per_octave = 6
delay_ms = [0, 15]
gain_db = [-10, 0]
[layout]
positions_m = [[0.31, 0.5, 0.27]]
"""
DEFAULTS = {
    "NAME": "Attic cinema",
    "DESCRIPTION": "4 mm, 16 mm, 6 mm",
    "SOURCE": "invented",
    "ROW": "front",
    "ZONE": "front wall",
    "KEEPOUT": "way in",
}
DRIVES = {  # subs -> gain [dB], delay [s], polarity, candidate
    1: ([0.0], [0.004], [1], [0]),
    2: ([0.0, -3.5], [0.0021, 0.0094], [1, -1], [1, 7]),
    4: ([-1.0, 0.0, -2.0, -4.0], [0.0012, 0.0012, 0.0105, 0.0077], [1, 1, -1, -1], [0, 5, 7, 8]),
}


USUAL = (  # name, subs, whether it stands free, variation and output alike, and with the best drives [dB]
    ("in the front left corner", 1, 1, 6.1, 3.0, 6.1, 3.0),
    ("at the middles of front and rear wall", 2, 0, 5.2, -1.4, 3.3, -4.1),
    ("in the front corners", 2, 1, 4.6, 1.2, 4.1, -1.2),
    ("in the four corners", 4, 0, 4.4, -1.1, 2.6, -5.1),
)
BECAUSE = "2 subs: the further sub takes 1.10 dB off the variation of 1 sub; 0.3 dB for each is asked."


def choices_of(plans: dict[int, PlanTable]) -> Choices:
    """Figures that nobody searched for, of the kinds that a search leaves: fronts, usual layouts, rows, advice."""

    def drives(count: int, *shape: int) -> dict[str, np.ndarray]:
        table = plans[count]
        return {
            name: np.broadcast_to(getattr(table, name)[0], (*shape, count)).copy()
            for name in ("candidate_index", "gain_db", "delay_s", "polarity")
        }

    fronts = {
        count: FrontTable(
            **drives(count, 3),
            variation_db=float(table.variation_db[0]) + np.array([0.0, 0.4, 1.3]),
            output_db=float(table.output_db[0]) + np.array([0.0, 1.1, 3.2]),
            smoothness_db=np.array([2.1, 2.0, 2.6]),
            decay_s=np.array([0.31, 0.34, 0.42]),
        )
        for count, table in plans.items()
    }
    offset = np.array([-0.2, -0.1, 0.0, 0.1, 0.2])
    rows = {
        count: RowTable(
            offset_m=np.array([0.1, 0.0]),
            **drives(count),
            drawn_variation_db=float(table.variation_db[0]),
            variation_db=float(table.variation_db[0]) - 0.3,
            output_db=0.0,
            worst_near_db=float(table.variation_db[0]) - 0.1,
            step_m=0.1,
            around=RowsAround(
                at_row=np.zeros(5, dtype=np.int64),
                at_m=offset,
                at_variation_db=float(table.variation_db[0]) - 0.3 + 9.0 * (offset - 0.1) ** 2,
            ),
        )
        for count, table in plans.items()
    }
    names, subs, free, *figures = (list(column) for column in zip(*USUAL, strict=True))
    usual = UsualTable(
        name=tuple(names),
        subs=np.array(subs),
        stands_free=np.array(free),
        alike_variation_db=np.array(figures[0]),
        alike_output_db=np.array(figures[1]),
        driven_variation_db=np.array(figures[2]),
        driven_output_db=np.array(figures[3]),
    )
    return Choices(fronts=fronts, rows=rows, usual=usual, recommendation=Recommendation(subs=2, reasons=(BECAUSE,)))


def project_text(**words: str) -> str:
    """The project's TOML; `words` replace its names."""
    text = PROJECT
    for key, default in DEFAULTS.items():
        text = text.replace(f'"{key}"', '"' + words.get(key, default) + '"')
    return text


@cache
def results_of(text: str) -> Results:
    """Results with the drives above."""
    merits = Merits(
        alike_db=np.array([5.5]), weights_db=np.array([0.4]), smoothness_db=np.array([2.1]), decay_s=np.array([0.31])
    )
    results = given_results(text, DRIVES, merits)
    return replace(results, choices=choices_of(dict(results.plans)))


@pytest.fixture(scope="session")
def make_plan(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """`make_plan(NAME="...")`: a plan file of the project with other names in it."""

    def make(**words: str) -> Path:
        path = tmp_path_factory.mktemp("plan") / "plan.h5"
        write_results(path, results_of(project_text(**words)), force=False)
        return path

    return make


@pytest.fixture(scope="session")
def plan_file(make_plan: Callable[..., Path]) -> Path:
    """The plan file with harmless names."""
    return make_plan()
