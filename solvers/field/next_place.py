"""Where to measure next: the places within reach that lower the deviation at the seats most.

What a further measurement takes off the variance of a process needs no data: with C the covariance of seat and place
given all that was measured, and v the variance of the place with its noise, the variance at the seat falls by |C|²/v
[1]. The places come one after the other, each given those before it. The weights of the process stay as they are.

References
----------
[1] C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine Learning, MIT Press 2006, eq 2.24 with one more
observation.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import ceil, sqrt

import numpy as np
from threadpoolctl import threadpool_limits

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.measured.data import MeasuredSet
from roommodes.project.project import Project
from roommodes.project.shape_checks import not_in_air
from roommodes.running import Running
from solvers.field.estimate import Estimate, Fitted, model_at
from solvers.field.process import solved
from solvers.field.reciprocal import candidate_names
from solvers.field.waves import MODEL, shifted

LOW_M, HIGH_M = 0.4, 2.0  # heights that a microphone stand reaches
WALL_M = 0.3  # from walls
CABINET_M = 0.4  # from the acoustic centres of subs and main loudspeakers
FINEST_M, LEVELS_M = 0.3, 0.5  # between places in plan and in height
MOST_PLACES = 600
FREQUENCIES, FEWEST, MOST_FREQUENCIES = 24, 4, 8  # shared by the subs, each at least, at most
SAME_M = 0.1  # a place so near a seat is the seat
AT_ONCE = 64  # places


@dataclass(frozen=True, slots=True, kw_only=True)
class NextPlace:
    """A place to measure at.

    Parameters
    ----------
    position_m : where.
    seat : name of the seat that it is; empty for none.
    deviation : what is left at the seats with it and those before it, see `NextPlaces`.
    """

    position_m: tuple[float, float, float]
    seat: str
    deviation: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NextPlaces:
    """Where to measure next.

    Parameters
    ----------
    wanted : the seats, or other places, whose deviation counts.
    of_seats : whether they are seats.
    deviation : there as measured: one standard deviation over the rms of the responses, rms over frequencies, subs
        and seats by their weight.
    at_random : the same with one further place within reach taken at random, its median.
    reachable : places within reach that were looked at.
    of_candidates : by reciprocity: the wanted places, and those within reach, are candidates along the zones.
    places : one after the other.
    """

    wanted: tuple[str, ...]
    of_seats: bool
    deviation: float
    at_random: float
    reachable: int
    of_candidates: bool
    places: tuple[NextPlace, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wanted:
    """Whose deviation counts: names (n,), whether these are seats, places (n, 3) [m] and weights (n,)."""

    name: tuple[str, ...]
    of_seats: bool
    place_m: Floats
    weight: Floats


def wanted_seats(project: Project, measured: MeasuredSet, name: tuple[str, ...], place_m: Floats) -> Wanted:
    """The project's seats at which no microphone stood; where there are none, the places of these names."""
    seats = project.seats
    gap = np.linalg.norm(seats.position_m[:, None] - measured.seats.position_m[None], axis=2).min(axis=1)
    if (missing := np.flatnonzero(gap > SAME_M)).size and seats.weight[missing].sum() > 0.0:
        return Wanted(
            name=tuple(seats.name[at] for at in missing),
            of_seats=True,
            place_m=seats.position_m[missing],
            weight=seats.weight[missing],
        )
    return Wanted(name=name, of_seats=False, place_m=place_m, weight=np.ones(len(name)))


def wanted_candidates(project: Project, measured: MeasuredSet, name: tuple[str, ...], place_m: Floats) -> Wanted:
    """The candidates along the zones where no microphone stood; where there are none, the places of these names."""
    candidates = project.candidates
    missing = _unmeasured(candidates.position_m, measured)
    if not len(missing):
        return Wanted(name=name, of_seats=False, place_m=place_m, weight=np.ones(len(name)))
    names = candidate_names(candidates)
    return Wanted(
        name=tuple(names[at] for at in missing),
        of_seats=False,
        place_m=candidates.position_m[missing],
        weight=np.ones(len(missing)),
    )


def _unmeasured(place_m: Floats, measured: MeasuredSet) -> Integers:
    """Which of places (n, 3) no microphone stood at."""
    gap = np.linalg.norm(place_m[:, None] - measured.seats.position_m[None], axis=2).min(axis=1)
    return np.flatnonzero(gap > SAME_M)


def reachable(project: Project, measured: MeasuredSet, place_m: Floats) -> Floats:
    """Those of places (n, 3) where a microphone on a stand can be: (n_kept, 3) [m].

    In the air, within a stand's heights above the floor, off the walls and the measured loudspeakers, outside
    keep-outs and before the screen.
    """
    size = np.array(project.room.size_m)
    edge = np.minimum(WALL_M, 0.25 * size)
    low, high = edge.copy(), size - edge
    low[2], high[2] = min(LOW_M, 0.25 * size[2]), min(HIGH_M, high[2])
    if project.screen is not None:
        low[0] = max(low[0], project.screen.distance_m + WALL_M)
    kept = (place_m >= low - 1e-9).all(axis=1) & (place_m <= high + 1e-9).all(axis=1)
    boxes = [*measured.subs.position_m.tolist(), *(project.mains.positions_m if project.mains else ())]
    for centre in boxes:
        kept &= np.linalg.norm(place_m - np.array(centre), axis=1) >= CABINET_M
    for box in project.keep_outs:
        kept &= ((place_m < np.array(box.low)) | (place_m > np.array(box.high))).any(axis=1)
    return np.array([one for one in place_m[kept] if not not_in_air(project.room, one.tolist())]).reshape(-1, 3)


def grid_m(project: Project) -> Floats:
    """Places over the whole room at the heights of a stand: (n, 3) [m]."""
    size = np.array(project.room.size_m)
    edge = np.minimum(WALL_M, 0.25 * size)
    high = min(HIGH_M, size[2] - edge[2])
    heights = np.linspace(min(LOW_M, high), high, 1 + ceil(max(high - LOW_M, 0.0) / LEVELS_M))
    step = max(FINEST_M, sqrt(size[0] * size[1] * len(heights) / MOST_PLACES))
    x, y = (
        np.linspace(a, full - a, 1 + max(1, round((full - 2.0 * a) / step))).round(2)
        for a, full in zip(edge[:2], size[:2], strict=True)
    )
    return np.stack(np.meshgrid(x, y, heights.round(2), indexing="ij"), axis=-1).reshape(-1, 3)


@dataclass(frozen=True, slots=True, eq=False)
class At:
    """Places (n, 3) [m] with the model's response there, (n_used, n, n_sub); None where the process knows none."""

    place_m: Floats
    model: Complexes | None

    def __len__(self) -> int:
        return len(self.place_m)

    def of(self, index: Integers | slice) -> "At":
        """Some of them."""
        return At(self.place_m[index], None if self.model is None else self.model[:, index])

    def joined(self, other: "At") -> "At":
        """These and others behind them."""
        both = np.concatenate([self.place_m, other.place_m])
        if self.model is None or other.model is None:
            return At(both, None)
        return At(both, np.concatenate([self.model, other.model], axis=1))


class Remaining:
    """What is left at the wanted places as measurements are added; each is one more measured place of the process.

    Parameters
    ----------
    fitted : the process.
    used : (n_used,) indices of the frequencies looked at.
    power : (n_freq, n_sub) mean of the squared responses.
    wanted, share : (n_wanted,) whose deviation counts, and how much each; these add to 1.
    known : the measured places.
    """

    def __init__(self, fitted: Fitted, used: Integers, power: Floats, *, wanted: At, share: Floats, known: At) -> None:
        process = solved(fitted.weight.value, fitted.terms, fitted.data)
        n_freq, n_sub = power.shape
        self._scale = [process.scale[sub * n_freq + used] / power[used, sub] for sub in range(n_sub)]
        self._waves = [waves.at(used) for waves in fitted.waves]
        self._weight, self._wider_m = fitted.weight.value, fitted.wider_m
        self._wanted, self._share, self._known = wanted, share, known
        self._solve()

    @property
    def variance(self) -> float:
        """What is left: variance over the mean squared response, mean over frequencies, subs and wanted places."""
        found = [(scale * (variance @ self._share)).mean() for scale, _, variance in self._given(self._wanted)]
        return float(np.mean(found))

    def falls(self, places: At, *, running: Running) -> Floats:
        """By how much one further measurement at each of the places lowers the variance: (n,)."""
        found = []
        parts = np.array_split(np.arange(len(places)), ceil(len(places) / AT_ONCE))
        for done, some in enumerate(parts):
            running.check("interrupted while the next place was looked for")
            running.step("next place", done / len(parts))
            fall = np.zeros(len(some))
            for scale, covariance, variance in self._given(places.of(some)):
                seats = np.einsum("ftp,t->fp", np.abs(covariance) ** 2, self._share)
                fall += (scale[:, None] * seats / variance).mean(axis=0) / len(self._waves)
            found.append(fall)
        return np.concatenate(found)

    def add(self, place: At) -> None:
        """Take a place as measured."""
        self._known = self._known.joined(place)
        self._solve()

    def _solve(self) -> None:
        """Of each sub the inverse covariance of what is known, and what draws the wanted places to it."""
        self._front = self._wanted.joined(self._known)
        n = len(self._wanted)
        self._solution = []
        for sub, waves in enumerate(self._waves):
            covariance, _ = waves.between(self._weight, self._own(self._front, sub), self._own(self._known, sub))
            inverse = np.linalg.inv(covariance[:, n:] + self._weight[0] * np.eye(len(self._known)))
            self._solution.append((inverse, covariance[:, :n] @ inverse))

    def _given(self, places: At) -> Iterator[tuple[Floats, Complexes, Floats]]:
        """Of each sub three things, given what is known.

        Its scale, (n_used,); the covariance of the wanted places and these, (n_used, n_wanted, n); the variance of
        these with noise, (n_used, n).
        """
        n = len(self._wanted)
        for sub, (inverse, pull) in enumerate(self._solution):
            covariance, prior = self._waves[sub].between(
                self._weight, self._own(self._front, sub), self._own(places, sub)
            )
            known = covariance[:, n:]
            told = np.einsum("fkp,fkp->fp", known.conj(), inverse @ known).real
            variance = np.maximum(prior - told, 1e-12 * prior)
            yield self._scale[sub], covariance[:, :n] - pull @ known, variance

    def _own(self, places: At, sub: int) -> tuple[Floats, Complexes | None]:
        """Places as the kernels of a sub take them."""
        model = None if places.model is None else places.model[:, :, sub]
        return shifted(places.place_m, wider_m=self._wider_m), model


def next_places(
    project: Project, measured: MeasuredSet, found: Estimate, *, count: int, running: Running = Running()
) -> NextPlaces | None:
    """The places that lower the deviation at the seats most, one after the other; None where none is in reach.

    Where a microphone stood at every seat, the places of the estimate count in their stead.

    Parameters
    ----------
    project, measured : what the estimate was made from.
    found : the estimate.
    count : how many places, from 1.
    running : progress, cancelling, threads.

    Raises
    ------
    Interrupted : when cancelled.
    """
    measured = found.measured if measured.subs.exchanged else measured
    wanted = wanted_seats(project, measured, found.place_name, found.place_m)
    if measured.subs.exchanged:
        wanted = wanted_candidates(project, measured, found.place_name, found.place_m)
    places, left = looked_at(project, measured, found, wanted, running=running.part(0.0, 0.3))
    if not len(places):
        return None
    variances, at_random, best = [left.variance], 0.0, []
    for number in range(count):
        with threadpool_limits(1):  # as in the process: small matrices
            falls = left.falls(places, running=running.part(0.3 + 0.7 * number / count, 1.0))
        if number == 0:
            at_random = variances[0] - float(np.median(falls))
        at = int(falls.argmax())
        best.append(at)
        variances.append(variances[-1] - float(falls[at]))
        left.add(places.of(np.array([at])))
    running.step("next place", 1.0)
    deviations = found.widened * np.sqrt(np.maximum(variances, 0.0))
    return NextPlaces(
        wanted=wanted.name,
        of_seats=wanted.of_seats,
        deviation=float(deviations[0]),
        at_random=found.widened * sqrt(max(at_random, 0.0)),
        reachable=len(places),
        of_candidates=measured.subs.exchanged,
        places=tuple(
            _named(project, places.place_m[at], float(one)) for at, one in zip(best, deviations[1:], strict=True)
        ),
    )


def looked_at(
    project: Project, measured: MeasuredSet, found: Estimate, wanted: Wanted, *, running: Running
) -> tuple[At, Remaining]:
    """The places within reach, seats among them, and what is left at the wanted ones; see `next_places`."""
    if measured.subs.exchanged:
        places = project.candidates.position_m[_unmeasured(project.candidates.position_m, measured)]
    else:
        places = reachable(project, measured, np.concatenate([project.seats.position_m, grid_m(project)]))
    n_freq = len(measured.frequency_hz)
    n_used = min(n_freq, MOST_FREQUENCIES, max(FEWEST, FREQUENCIES // len(measured.subs)))
    used = np.unique(np.linspace(0, n_freq - 1, n_used).round().astype(np.intp))
    whole = np.concatenate([places, wanted.place_m, measured.seats.position_m])
    model = None
    if MODEL in found.fitted.waves[0].names:
        some = replace(measured, frequency_hz=measured.frequency_hz[used].copy())
        model = model_at(project, some, whole, running=running)
    every, n, n_wanted = At(whole, model), len(places), len(wanted.name)
    left = Remaining(
        found.fitted,
        used,
        np.mean(np.abs(measured.transfer) ** 2, axis=1),
        wanted=every.of(slice(n, n + n_wanted)),
        share=wanted.weight / wanted.weight.sum(),
        known=every.of(slice(n + n_wanted, None)),
    )
    return every.of(slice(n)), left


def _named(project: Project, place_m: Floats, deviation: float) -> NextPlace:
    gap = np.linalg.norm(project.seats.position_m - place_m, axis=1)
    seat = project.seats.name[int(gap.argmin())] if gap.min() <= SAME_M else ""
    x, y, z = place_m.tolist()
    return NextPlace(position_m=(x, y, z), seat=seat, deviation=deviation)
