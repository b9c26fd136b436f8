"""Plans dialled in wrong in a room that is known: which sub, what, by how much; and nothing said of what is right."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz

from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes
from roommodes.errors import ProjectInvalid
from roommodes.filters.crossovers import Crossover
from roommodes.measured.data import Common, Manifest, MeasuredSeats, MeasuredSet, MeasuredSubs, Scale
from roommodes.places.zones import Candidates
from roommodes.plan.drives import Drives
from roommodes.plan.plan import Plan, Results
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.frequency_grid import log_grid
from roommodes.storage.stamp import Made
from solvers.verification.outcome import verified
from solvers.verification.promise import pair_of
from solvers.verification.suspects import suspects
from tests.measuring import ROOM

HZ = log_grid(25.0, 100.0, 12)
SUBS = np.array([[0.3, 0.4, 0.3], [0.3, 3.4, 0.3], [4.9, 0.4, 0.3], [4.9, 3.4, 0.3]])
DRIVES = Drives(gain_db=[0.0, -3.0, -1.0, -6.0], delay_s=[0.0, 0.004, 0.011, 0.002], polarity=[1, 1, -1, 1])
SEATED = ROOM.replace("y_m = [1.2, 1.95, 2.7]", "y_m = [0.8, 1.4, 1.95, 2.5, 3.1]")
WALLS = SEATED.replace("mass_kg_m2 = 14.0", "mass_kg_m2 = 20.0").replace("loss_factor = 0.03", "loss_factor = 0.04")


def heard(project: Project) -> Complexes:
    return transfer_function(
        project.room, project.surfaces(), frequency_hz=HZ, seat_m=project.seats.position_m, source_m=SUBS
    )


@pytest.fixture(scope="module")
def plan() -> Plan:
    project = parse_project(SEATED, source="room")
    results = Results(
        project=project,
        made=Made.now(1),
        frequency_hz=HZ,
        seats=project.seats,
        candidates=Candidates(position_m=SUBS, zone=("a",) * 4, mirror_of=np.full(4, -1)),
        transfer=heard(project),
        plans={},
    )
    return results.judged([0, 1, 2, 3], DRIVES)


@pytest.fixture(scope="module")
def built() -> Complexes:
    """Transfer in the room as built: other walls and loss than the plan's."""
    return heard(parse_project(WALLS, source="built"))


def test_a_crossover_that_was_dialled_in_is_in_the_promise(plan: Plan, built: Complexes) -> None:
    """Its low-pass as scipy has it: Butterworth of second order, twice."""
    met = SimpleNamespace(
        crossover=Crossover(frequency_hz=60.0), polarity=-1, gain_db=-4.0, subs_delay_s=0.003, mains_delay_s=0.0
    )
    low = sosfreqz(butter(2, 60.0, fs=48000.0, output="sos"), HZ, fs=48000.0)[1] ** 2
    common = -(10.0 ** (-4.0 / 20.0)) * low * np.exp(-2j * np.pi * HZ * 0.003)
    crossed = replace(plan, crossover=met)  # type: ignore[arg-type]
    found = measured(plan, plan.transfer * common[:, None, None], DRIVES)
    pair = pair_of(crossed, found)
    np.testing.assert_allclose(pair.promised, pair_of(plan, found).promised * common[:, None, None], rtol=1e-6)


def measured(plan: Plan, transfer: Complexes, drives: Drives, *, singly: bool = False, seed: int = 3) -> MeasuredSet:
    """All at once with these settings, 1 % noise, and a roll-off that the model does not know."""
    roll = (1j * HZ / 35.0) ** 2 / (1.0 + 1.4j * HZ / 35.0 - (HZ / 35.0) ** 2) * 0.2
    parts = transfer * (drives.weights(HZ) * roll[:, None])[:, None, :]
    value = np.concatenate([parts.sum(axis=2, keepdims=True), *([parts] if singly else [])], axis=2)
    rng = np.random.default_rng(seed)
    size = 0.01 * np.sqrt(np.mean(np.abs(value) ** 2, axis=1, keepdims=True) / 2.0)
    value = value + size * (rng.normal(size=value.shape) + 1j * rng.normal(size=value.shape))
    names = ("all", *(("sub 1", "sub 2", "rear left", "sub 4") if singly else ()))
    position = np.full((len(names), 3), np.nan)
    if singly:
        position[3] = SUBS[2] + 0.05
    n_seat = len(plan.seats)
    return MeasuredSet(
        name="after",
        frequency_hz=HZ,
        transfer=value,
        noise=np.sqrt(2.0) * size[:, 0],
        subs=MeasuredSubs(
            name=names,
            position_m=position,
            candidate=np.full(len(names), -1),
            together=(True, *([False] * (len(names) - 1))),
        ),
        seats=MeasuredSeats(
            name=plan.seats.name,
            position_m=plan.seats.position_m.copy(),
            seat=np.arange(n_seat, dtype=np.intp),
            known=np.ones(n_seat, dtype=np.bool_),
        ),
        scale=Scale(level="relative"),
        common=Common(level=True, polarity=True, time=True),
        notes=(),
        files=(),
        manifest=Manifest(text="", source="after.toml"),
    )


def wrong(sub: int, *, gain_db: float = 0.0, delay_s: float = 0.0, polarity: int = 1) -> Drives:
    gain, delay, sign = DRIVES.gain_db.copy(), DRIVES.delay_s.copy(), DRIVES.polarity.copy()
    gain[sub] += gain_db
    delay[sub] += delay_s
    sign[sub] *= polarity
    return Drives(gain_db=gain, delay_s=delay, polarity=sign)


def test_nothing_is_blamed_where_all_is_right(plan: Plan, built: Complexes) -> None:
    for seed in range(3):
        found = verified(plan, measured(plan, plan.transfer, DRIVES, seed=seed))
        assert found.suspects.changes == ()
        assert found.within >= 0.9  # what is called as promised; noise fills nulls
        assert found.variation_found_db == pytest.approx(plan.variation_db, abs=0.2)  # noise fills nulls
        assert found.over_noise == pytest.approx(1.0, abs=0.15)
        assert verified(plan, measured(plan, built, DRIVES, seed=seed)).suspects.changes == ()


def test_a_small_gain_is_blamed_only_where_the_promise_was_measured(plan: Plan) -> None:
    """A wall that is not as drawn makes the sub beside it so much louder; in a room that was measured it cannot."""
    after = measured(plan, plan.transfer, wrong(2, gain_db=2.0))
    assert verified(plan, after).suspects.changes == ()
    pair = replace(pair_of(plan, after), by_model=False)
    assert [(one.sub, round(one.gain_db)) for one in suspects(pair).changes] == [(2, 2)]


@pytest.mark.parametrize("where", ["as drawn", "as built"])
@pytest.mark.parametrize(
    ("sub", "change"),
    [
        (0, {"polarity": -1}),
        (1, {"delay_s": 0.006}),
        (2, {"gain_db": 5.0}),
        (3, {"polarity": -1}),
        (2, {"delay_s": -0.005}),
    ],
)
def test_the_sub_that_is_wrong_is_found(
    plan: Plan, built: Complexes, where: str, sub: int, change: dict[str, float]
) -> None:
    transfer = plan.transfer if where == "as drawn" else built
    found = verified(plan, measured(plan, transfer, wrong(sub, **change)))  # type: ignore[arg-type]
    assert [one.sub for one in found.suspects.changes] == [sub]
    one = found.suspects.changes[0]
    assert one.polarity == change.get("polarity", 1)
    assert one.delay_s == pytest.approx(change.get("delay_s", 0.0), abs=0.8e-3)
    assert one.gain_db == pytest.approx(change.get("gain_db", 0.0), abs=1.0)
    assert found.rest_within > found.within


def test_two_subs_wrong_at_once(plan: Plan) -> None:
    both = wrong(0, polarity=-1)
    both = Drives(gain_db=both.gain_db, delay_s=both.delay_s + np.array([0.0, 0.0, 0.0, 0.007]), polarity=both.polarity)
    found = verified(plan, measured(plan, plan.transfer, both))
    told = {one.sub: one for one in found.suspects.changes}
    assert set(told) == {0, 3}
    assert told[0].polarity == -1
    assert told[3].delay_s == pytest.approx(0.007, abs=0.5e-3)


def test_subs_measured_singly_say_it_too(plan: Plan, built: Complexes) -> None:
    """By name, and the third by its place."""
    found = verified(plan, measured(plan, built, wrong(2, polarity=-1), singly=True))
    told = [one.polarity for one in found.singles]
    assert told[2] == -1
    assert sum(told[:2] + told[3:]) >= 2  # 0 where it cannot be told; none that is right is called inverted
    assert -1 not in told[:2] + told[3:]
    assert [one.sub for one in found.suspects.changes] == [2]


def test_sets_that_do_not_belong_to_the_plan(plan: Plan) -> None:
    good = measured(plan, plan.transfer, DRIVES)
    none = replace(good, subs=replace(good.subs, together=(False,)))
    with pytest.raises(ProjectInvalid, match="must: all subs playing at once") as caught:
        verified(plan, none)
    assert "'all' is none of the plan's subs" in str(caught.value)
    other = replace(good, frequency_hz=HZ * 1.01)
    with pytest.raises(ProjectInvalid, match="points_per_octave = 12"):
        verified(plan, other)
    elsewhere = replace(good, seats=replace(good.seats, name=("elsewhere",) * len(plan.seats)))
    with pytest.raises(ProjectInvalid, match="no seat of the plan"):
        verified(plan, elsewhere)
