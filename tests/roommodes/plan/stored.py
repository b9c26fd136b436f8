"""Results of no room in particular, for the tests of the results file."""

from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from roommodes.filters.crossovers import Crossover
from roommodes.filters.sections import Section
from roommodes.places.seats import Seats
from roommodes.places.zones import Candidates
from roommodes.plan.choices import ROW_NUMBERS, Choices, FrontTable, Recommendation, RowsAround, RowTable, UsualTable
from roommodes.plan.crossover import CrossoverRecord, SumLevels, SumMerits
from roommodes.plan.measured import MeasuredRecord
from roommodes.plan.plan import Results
from roommodes.plan.tables import HowFound, Merits, PlanTable
from roommodes.plan.tuning import Tuning, TuningPrice, TuningSettings
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.storage.stamp import Made

N_FREQ, N_SEAT, N_CANDIDATE = 9, 3, 5
TOML = """format = 1
name = "Kino am Fluß"

[room]
length_m = 5.0
width_m = 4.0
height_m = 2.5

[[rows]]
name = "front"
x_m = 3.0
y_m = [2.0]
ear_height_m = 1.2

[[zones]]
name = "front"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 3.7, 0.3]
"""


def table(rng: np.random.Generator, count: int, ranks: int = 4) -> PlanTable:
    shape = (ranks, count)
    return PlanTable(
        candidate_index=np.array([rng.permutation(N_CANDIDATE)[:count] for _ in range(ranks)]),
        gain_db=-rng.uniform(0, 12, shape),
        delay_s=rng.uniform(0, 0.02, shape),
        polarity=rng.choice(np.array([-1, 1], dtype=np.int8), shape),
        variation_db=np.sort(rng.uniform(1, 4, ranks)),
        output_db=rng.normal(size=ranks),
        level_db=rng.normal(size=(ranks, N_FREQ, N_SEAT)),
        found=HowFound(
            layouts_searched=7,
            layouts_possible=10**25,
            exhaustive=count == 1,
            stop="every layout was tried",
            seconds=1.25,
            remarks=("one remark", "another"),
            by_aims=count == 2,
            layouts_least_db=0.75 if count == 2 else None,
        ),
        merits=Merits(
            alike_db=rng.uniform(3, 6, ranks),
            weights_db=rng.uniform(0, 1, ranks) if count == 2 else None,
            weights_output_db=rng.normal(size=ranks),
            weights_least_db=rng.uniform(0, 1, ranks),
            smoothness_db=rng.uniform(1, 4, ranks),
            decay_s=rng.uniform(0.1, 0.9, ranks),
        ),
    )


def choices(rng: np.random.Generator) -> Choices:
    def drives(*shape: int) -> dict[str, np.ndarray]:
        return {
            "candidate_index": rng.integers(0, N_CANDIDATE, shape),
            "gain_db": -rng.uniform(0, 12, shape),
            "delay_s": rng.uniform(0, 0.02, shape),
            "polarity": rng.choice(np.array([-1, 1]), shape),
        }

    front = FrontTable(**drives(3, 2), **{name: rng.uniform(1, 4, 3) for name in FIGURES})
    numbers = {name: float(rng.uniform(0, 3)) for name in ROW_NUMBERS}
    row = RowTable(
        offset_m=rng.normal(size=2),
        **drives(2),
        **numbers,
        around=RowsAround(at_row=np.array([0, 0, 1]), at_m=rng.normal(size=3), at_variation_db=rng.uniform(1, 4, 3)),
    )
    usual = UsualTable(
        name=("in the four corners", "é [b]"),
        subs=np.array([4, 2]),
        stands_free=np.array([1, 0]),
        **{name: rng.normal(size=2) for name in USUAL},
    )
    reasons = Recommendation(subs=2, reasons=("because.", "and so."))
    return Choices(fronts={2: front}, rows={2: row}, usual=usual, recommendation=reasons)


def tuning_settings(**changes: Any) -> TuningSettings:
    """What `tune` asks for by default, with changes."""
    asked = {
        "sample_rate_hz": 48000.0,
        "per_sub": 2,
        "shared": 6,
        "sub_boost_db": 3.0,
        "sub_cut_db": 9.0,
        "boost_db": 3.0,
        "cut_db": 12.0,
        "differ_db": 3.0,
        "q": (0.7, 6.0),
        "all_pass": True,
        "exchange": 0.05,
        "worth_db": 0.05,
    }
    return TuningSettings(**{**asked, **changes})


def tuning(rng: np.random.Generator) -> Tuning:
    own = (Section(kind="all-pass", frequency_hz=31.4, q=1.1),)
    return Tuning(
        place=(2, 1),
        settings=tuning_settings(),
        sub_filters=((), own),
        shared=(Section(kind="peaking", frequency_hz=45.0, q=2.5, gain_db=-6.1),),
        before_db=rng.normal(size=(N_FREQ, N_SEAT)),
        after_db=rng.normal(size=(N_FREQ, N_SEAT)),
        target_db=rng.normal(size=N_FREQ),
        ceiling_db=rng.uniform(0, 3, N_FREQ),
        variation_before_db=2.5,
        variation_after_db=2.0,
        price=TuningPrice(boost_db=1.5, boost_hz=33.0, level_lost_db=2.1),
    )


def crossover(rng: np.random.Generator) -> CrossoverRecord:
    return CrossoverRecord(
        subs=2,
        rank=1,
        crossover=Crossover(kind="butterworth", order=3, frequency_hz=70.0),
        asked_gain_db=-2.5,
        delay_s=-0.0031,
        polarity=-1,
        gain_db=-2.5,
        merits=SumMerits(
            shortfall_db=0.8, variation_db=1.9, deepest_db=6.3, plain_shortfall_db=2.8, plain_variation_db=2.9
        ),
        levels=SumLevels(
            near_hz=np.geomspace(35, 140, 4),
            subs_db=rng.normal(size=(4, N_SEAT)),
            mains_db=rng.normal(size=(4, N_SEAT, 5)),
            sum_db=rng.normal(size=(4, N_SEAT, 5)),
        ),
    )


def measured(rng: np.random.Generator) -> MeasuredRecord:
    real, imaginary = rng.normal(size=(2, N_FREQ, N_SEAT, 2))
    return MeasuredRecord(
        name="Café, first day",
        manifest_toml='format = 1\nname = "Café, first day"\n',
        notes=("resampled.", "not smoothed."),
        level="relative",
        scale_db=-31.5,
        files=(("a.txt", "00" * 32), ("b.wav", "ff" * 32)),
        main_name=("main left", "main right"),
        main_transfer=real + 1j * imaginary,
    )


FIGURES = ("variation_db", "output_db", "smoothness_db", "decay_s")
USUAL = ("alike_variation_db", "alike_output_db", "driven_variation_db", "driven_output_db")


def some_results() -> Results:
    """Two numbers of subs, and all that may stand beside them."""
    rng = np.random.default_rng(5)
    real, imaginary = rng.normal(size=(2, N_FREQ, N_SEAT, N_CANDIDATE))
    return Results(
        project=parse_project(TOML, source="plan"),
        made=Made(seed=2**53, software_version="0.1.0", created_utc="2030-01-01T00:00:00Z"),
        frequency_hz=np.geomspace(20, 120, N_FREQ),
        seats=Seats(
            position_m=rng.uniform(0, 3, (N_SEAT, 3)),
            name=("front 1", "naïve [bold]seat", "rear 1"),
            weight=np.array([1.0, 2.0, 0.5]),
            row=np.array([0, 0, 1]),
        ),
        candidates=Candidates(
            position_m=rng.uniform(0, 3, (N_CANDIDATE, 3)),
            zone=("front", "front", "front", "côté", "rear"),
            mirror_of=np.array([1, 0, 2, -1, -1]),
        ),
        transfer=real + 1j * imaginary,
        plans={1: table(rng, 1), 2: table(rng, 2)},
        choices=choices(rng),
        tuning=tuning(rng),
        measured=measured(rng),
        crossover=crossover(rng),
    )


def assert_same(a: object, b: object) -> None:
    """Field by field, arrays bit by bit."""
    for field in fields(a):
        left, right = getattr(a, field.name), getattr(b, field.name)
        if isinstance(left, Project):
            assert left.toml_text == right.toml_text
        elif is_dataclass(left):
            assert_same(left, right)
        elif isinstance(left, dict):
            assert left.keys() == right.keys()
            for key in left:
                assert_same(left[key], right[key])
        elif isinstance(left, tuple):
            assert left == right
        elif field.name == "layouts_possible":
            assert right == min(left, 2**63 - 1)  # HDF5 has no larger whole numbers
        else:
            np.testing.assert_array_equal(left, right)
