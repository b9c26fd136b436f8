"""Where to measure next: against measuring there, in rooms that are built otherwise than drawn."""

from dataclasses import replace

import numpy as np
import pytest

import solvers.field.next_place as subject
from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.measured.data import Common, Manifest, MeasuredSeats, MeasuredSet, MeasuredSubs, Scale
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.frequency_grid import log_grid
from roommodes.running import Running
from solvers.field.estimate import Estimate, estimate
from solvers.field.next_place import At, Wanted, grid_m, looked_at, next_places, reachable, wanted_seats
from tests.solvers.field.test_estimate import BUILT, DRAWN, NOISE, SUBS

ABOUT_SEATS = '[[keep_outs]]\nname = "row"\nfrom_m = [3.1, 0.9, 0.0]\nto_m = [4.1, 3.5, 2.5]\n'
HZ = log_grid(40.0, 95.0, 3)
SEEDS = (0, 1, 2)


@pytest.fixture(scope="module")
def drawn() -> Project:
    """No microphone can stand at the seats themselves."""
    return parse_project(DRAWN + ABOUT_SEATS, source="drawn")


def truth(place_m: Floats) -> Complexes:
    built = parse_project(BUILT, source="built")
    return transfer_function(built.room, built.surfaces(), frequency_hz=HZ, seat_m=place_m, source_m=SUBS)


def measured_at(place_m: Floats, seed: int, true: Complexes) -> MeasuredSet:
    """The built room's responses with noise; the first places have the same however many there are."""
    rng = np.random.default_rng(seed)
    rms = np.sqrt(np.mean(np.abs(true[:, :5]) ** 2, axis=1, keepdims=True) / 2.0)
    noise = rng.normal(size=(len(place_m), 2, len(HZ), 2)).transpose(1, 2, 0, 3) * NOISE * rms
    n = len(place_m)
    return MeasuredSet(
        name="seeded",
        frequency_hz=HZ,
        transfer=true + noise[0] + 1j * noise[1],
        noise=np.full((len(HZ), 2), np.nan),
        subs=MeasuredSubs(name=("left", "right"), position_m=SUBS.copy(), candidate=np.array([-1, -1])),
        seats=MeasuredSeats(
            name=tuple(f"m {k}" for k in range(n)),
            position_m=place_m.copy(),
            seat=np.full(n, -1),
            known=np.ones(n, dtype=np.bool_),
        ),
        scale=Scale(level="per metre"),
        common=Common(level=True, polarity=True, time=True),
        notes=(),
        files=(),
        manifest=Manifest(text="", source="seeded"),
    )


def microphones(seed: int) -> Floats:
    """Five places away from the seats."""
    found = np.random.default_rng(20 + seed).uniform([1.2, 0.7, 0.9], [5.4, 3.6, 1.5], size=(40, 3))
    return np.asarray(found[np.abs(found[:, 0] - 3.6) > 0.6][:5])


def test_measuring_there_lowers_deviation_and_error_more(drawn: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """Than two places at random or the one ranked last, when all is estimated anew with what is measured there."""
    monkeypatch.setattr(subject, "MOST_PLACES", 40)
    seats, within = drawn.seats, grid_m(drawn)
    error: dict[str, list[float]] = {}
    deviation: dict[str, list[float]] = {}
    true = truth(np.concatenate([seats.position_m, within, *(microphones(seed) for seed in SEEDS)]))
    at_seats, at_grid = true[:, :3], true[:, 3 : 3 + len(within)]
    power = np.mean(np.abs(at_seats) ** 2, axis=1, keepdims=True)
    for number, seed in enumerate(SEEDS):
        known = microphones(seed)
        own = true[:, 3 + len(within) + 5 * number :][:, :5]
        measured = measured_at(known, seed, own)
        before = estimate(drawn, measured, seats.name, seats.position_m)
        wanted = wanted_seats(drawn, measured, (), np.zeros((0, 3)))
        places, left = looked_at(drawn, measured, before, wanted, running=Running())
        order = np.argsort(-left.falls(places, running=Running()))
        lots = np.random.default_rng(seed).permutation(len(order))[:2]
        found = {"before": before}
        for which, at in {"best": order[0], "random": lots[0], "another": lots[1], "last": order[-1]}.items():
            place = places.place_m[[at]]
            value = at_grid[:, np.abs(within - place).sum(axis=1) < 1e-9]
            more = measured_at(np.append(known, place, 0), seed, np.append(own, value, 1))
            found[which] = estimate(drawn, more, seats.name, seats.position_m)
        for which, one in found.items():
            error.setdefault(which, []).append(float(np.mean(np.abs(one.pressure - at_seats) ** 2 / power)))
            deviation.setdefault(which, []).append(float(np.mean(one.deviation**2 / power)))
    for of in (error, deviation):
        rms = {which: float(np.sqrt(np.mean(one))) for which, one in of.items()}
        assert rms["best"] < 0.9 * min(rms["random"], rms["another"], rms["last"]), rms
        assert rms["best"] < 0.8 * rms["before"], rms


@pytest.fixture(scope="module")
def first(drawn: Project) -> tuple[MeasuredSet, Estimate]:
    measured = measured_at(microphones(0), 0, truth(microphones(0)))
    return measured, estimate(drawn, measured, drawn.seats.name, drawn.seats.position_m)


def test_what_is_left_before_is_the_deviation_of_the_estimate(
    drawn: Project, first: tuple[MeasuredSet, Estimate]
) -> None:
    """Of the field at the seats, as `estimate` states it; all its frequencies are looked at."""
    measured, found = first
    power = np.mean(np.abs(measured.transfer) ** 2, axis=1, keepdims=True)
    stated = np.sqrt(np.mean(found.deviation**2 / power))
    following = next_places(drawn, measured, found, count=2)
    assert following is not None
    assert following.wanted == drawn.seats.name
    assert following.deviation == pytest.approx(stated, rel=1e-6)
    assert following.deviation > following.at_random > following.places[0].deviation > following.places[1].deviation


def test_the_fall_is_that_of_solving_the_process_anew(drawn: Project, first: tuple[MeasuredSet, Estimate]) -> None:
    measured, found = first
    wanted = wanted_seats(drawn, measured, (), np.zeros((0, 3)))
    places, left = looked_at(drawn, measured, found, wanted, running=Running())
    some = places.of(np.array([3, 100, 200]))
    falls, before = left.falls(some, running=Running()), left.variance
    for at in range(2):
        _, again = looked_at(drawn, measured, found, wanted, running=Running())
        again.add(some.of(np.array([at])))
        assert before - again.variance == pytest.approx(falls[at], rel=1e-6)
    assert isinstance(some, At)


def test_reach(drawn: Project, first: tuple[MeasuredSet, Estimate]) -> None:
    """Off walls, floor, ceiling and subs, outside the keep-out, before the screen, outside a block."""
    text = DRAWN + ABOUT_SEATS + "[screen]\nwidth_m = 2.0\ndistance_m = 0.9\n"
    text += '[[blocks]]\nname = "bar"\nfrom_m = [5.0, 0.0, 0.0]\nto_m = [6.1, 1.5, 1.1]\n'
    project = parse_project(text, source="bar")
    found = reachable(project, first[0], grid_m(project))
    assert len(found) > 100
    assert found[:, 0].min() >= 1.2
    assert found[:, 2].min() == 0.4
    assert found[:, 2].max() == 2.0
    assert (found[:, :2] >= 0.3).all()
    in_row = (np.abs(found[:, 0] - 3.6) <= 0.5) & (found[:, 1] >= 0.9) & (found[:, 1] <= 3.5)
    in_bar = (found[:, 0] > 5.0) & (found[:, 1] < 1.5) & (found[:, 2] < 1.1)
    assert not (in_row | in_bar).any()
    near = np.array([[0.5, 0.6, 0.5], [0.9, 0.6, 0.5]])
    assert reachable(drawn, first[0], near).tolist() == near[1:].tolist()


def test_where_every_seat_was_measured_the_table_counts(drawn: Project, first: tuple[MeasuredSet, Estimate]) -> None:
    measured = first[0]
    at = measured.seats.position_m.copy()
    at[:3] = drawn.seats.position_m
    whole = replace(measured, seats=replace(measured.seats, position_m=at))
    found: Wanted = wanted_seats(drawn, whole, ("sofa",), np.array([[2.0, 2.0, 1.0]]))
    assert found.name == ("sofa",)
    assert not found.of_seats
    assert wanted_seats(drawn, measured, ("sofa",), np.array([[2.0, 2.0, 1.0]])).of_seats
