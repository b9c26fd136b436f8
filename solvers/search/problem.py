"""The question put to the search, and its answer: problem, plans, outcome, and why it stopped.

Everything here is plain frozen data; nothing imports the kernels.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.errors import Fault, ProjectInvalid
from roommodes.plan.drives import Drives

MOST_PAIRED = 150  # candidates


class Stop(StrEnum):
    """Why a search ended, as a sentence for the person who asked."""

    ALL_TRIED = "every layout was tried, each with its settings swept over a grid; the leading ones were polished"
    EVERY_PLACE_TRIED = "every layout was tried, and the settings of one sub change no difference between seats"
    EVERY_DRIVE_TRIED = "every layout was tried at the only setting that is allowed"
    EVERY_GRID_DRIVE = "every layout was tried at every setting of a grid, and the leading ones were polished"
    OWN_OBJECTIVE = "one sub after another was moved, from several starts; this is the best found for the objective"
    SETTLED = "independent starts ended at the same best plan; a better one is unlikely, not ruled out"
    BUDGET_SPENT = "the number of starts was spent while the best found could still fall; more effort may find better"
    INTERRUPTED = "the search was interrupted; these are the best found until then"
    NO_LAYOUT = "no layout with this many subs fits the candidates and the wishes"


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveRange:
    """What the processor may do to each sub.

    Parameters
    ----------
    delay_s : (lowest, highest) [s].
    gain_db : (lowest, highest) [dB].
    polarity : whether a sub may be inverted.
    delay_step_s : delays are multiples of this above the lowest; 0 for any.
    gain_step_db : gains are multiples of this below the highest; 0 for any.
    """

    delay_s: tuple[float, float] = (0.0, 0.020)
    gain_db: tuple[float, float] = (-12.0, 0.0)
    polarity: bool = True
    delay_step_s: float = 0.0
    gain_step_db: float = 0.0

    @property
    def delay_span_s(self) -> float:
        """Largest difference between two subs' delays [s]."""
        return self.delay_s[1] - self.delay_s[0]

    @property
    def gain_span_db(self) -> float:
        """Largest difference between two subs' gains [dB]."""
        return self.gain_db[1] - self.gain_db[0]

    @property
    def is_single(self) -> bool:
        """True when there is only one drive to choose from."""
        return self.delay_span_s == 0.0 and self.gain_span_db == 0.0 and not self.polarity


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KindWishes:
    """Candidates of several kinds of subwoofer: two at one place exclude each other, and a layout keeps the budget.

    Parameters
    ----------
    kind : (n_candidate,) which kind each is for.
    size_m : (n_kind, 3) along x, along y, up: two cabinets overlap where their middles are nearer, along all three
        axes, than the mean of both [m]; zeros for a point.
    up_m : (n_kind,) how far the acoustic centre is above the cabinet's middle [m].
    price : (n_kind,) of one sub, in hundredths; zeros where prices are not known.
    budget : most that a layout may cost, in hundredths; None for any.
    most : (n_kind,) most subs of each kind; None for any.
    """

    kind: Integers
    size_m: Floats
    up_m: Floats
    price: Integers
    budget: int | None = None
    most: Integers | None = None

    def cost(self, candidate: Integers) -> int:
        """What a layout costs, in hundredths: (n_sub,) candidates."""
        return int(self.price[self.kind[candidate]].sum())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wishes:
    """Which layouts are wanted.

    Parameters
    ----------
    fixed : candidates where a sub must stand in every layout.
    zone : (n_candidate,) index of each candidate's zone, with `zone_limit`.
    zone_limit : (n_zone,) most subs per zone.
    position_m : (n_candidate, 3), with `least_distance_m` or `cabinet_m` [m].
    least_distance_m : between any two subs [m].
    cabinet_m : (along x, along y, up) two cabinets overlap where their centres are nearer than that along all three
        axes [m]; None for points.
    kinds : what is for which kind of subwoofer, and what it costs; None where all are alike and cost nothing.
    """

    fixed: tuple[int, ...] = ()
    zone: Integers | None = None
    zone_limit: Integers | None = None
    position_m: Floats | None = None
    least_distance_m: float = 0.0
    cabinet_m: tuple[float, float, float] | None = None
    kinds: "KindWishes | None" = None

    def faults(self, n_candidate: int) -> list[Fault]:
        """What is wrong with them for so many candidates."""
        found = []
        if len(set(self.fixed)) != len(self.fixed) or not all(0 <= c < n_candidate for c in self.fixed):
            text = f"needs different candidates from 0 to {n_candidate - 1}; got {list(self.fixed)}"
            found.append(Fault(where="wishes.fixed", message=text))
        if self.zone_limit is not None and (
            self.zone is None
            or np.shape(self.zone) != (n_candidate,)
            or not np.all((np.asarray(self.zone) >= 0) & (np.asarray(self.zone) < len(self.zone_limit)))
        ):
            text = f"needs one index into zone_limit for each of the {n_candidate} candidates"
            found.append(Fault(where="wishes.zone", message=text))
        apart = self.least_distance_m > 0.0 or self.cabinet_m is not None or self.kinds is not None
        if self.kinds is not None and np.shape(self.kinds.kind) != (n_candidate,):
            text = f"needs the kind of each of the {n_candidate} candidates"
            found.append(Fault(where="wishes.kinds", message=text))
        if apart and (self.position_m is None or np.shape(self.position_m) != (n_candidate, 3)):
            text = f"a least distance, or cabinets, need the positions of all {n_candidate} candidates"
            found.append(Fault(where="wishes.position_m", message=text))
        return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """Which candidates, with which drives, make the seats most alike?

    Parameters
    ----------
    frequency_hz : (n_freq,) rising, on a logarithmic grid [Hz].
    transfer : (n_freq, n_seat, n_candidate) complex128 [1/m], any common scale.
    seat_weight : (n_seat,) >= 0, not all zero; any scale.
    drives : what may be adjusted.
    mirror_of : (n_candidate,) index of the left-right mirrored candidate, itself on the centre plane, -1 where
        there is none. When given, only layouts that are their own mirror image are searched, and the two subs
        of a pair share one drive.
    paired : two subs share one drive, any two candidates; an odd sub and those that are fixed have their own.
        Mirrored layouts have pairs already.
    wishes : which layouts are wanted.

    Raises
    ------
    ProjectInvalid : with every fault found.
    """

    frequency_hz: Floats
    transfer: Complexes
    seat_weight: Floats
    drives: DriveRange = DriveRange()
    mirror_of: Integers | None = None
    paired: bool = False
    wishes: Wishes = Wishes()

    def __post_init__(self) -> None:
        for name, kind in (("frequency_hz", np.float64), ("transfer", np.complex128), ("seat_weight", np.float64)):
            object.__setattr__(self, name, _frozen(getattr(self, name), kind))
        if self.mirror_of is not None:
            object.__setattr__(self, "mirror_of", _frozen(self.mirror_of, np.int64))
        faults = self._faults()
        if faults:
            raise ProjectInvalid("search", faults)

    @property
    def n_candidate(self) -> int:
        """Number of candidates."""
        return int(self.transfer.shape[2])

    @property
    def n_seat(self) -> int:
        """Number of seats."""
        return int(self.transfer.shape[1])

    def _faults(self) -> list[Fault]:
        faults: list[Fault] = []

        def need(ok: bool, where: str, message: str) -> None:
            if not ok:
                faults.append(Fault(where=where, message=message))

        shape = self.transfer.shape
        need(
            len(shape) == 3 and min(shape) > 0,
            "transfer",
            f"needs the axes frequency, seat, candidate with at least one each; got the shape {shape}",
        )
        if faults:
            return faults
        hz = self.frequency_hz
        need(
            hz.shape == shape[:1] and bool(np.all(np.isfinite(hz)) and np.all(hz > 0) and np.all(np.diff(hz) > 0)),
            "frequency_hz",
            f"needs {shape[0]} rising frequencies above zero, one per row of the transfer; got the shape {hz.shape}",
        )
        need(
            bool(np.all(np.isfinite(self.transfer.view(np.float64)))),
            "transfer",
            "has entries that are not finite numbers; mend the data or leave that candidate or seat out",
        )
        weight = self.seat_weight
        need(
            weight.shape == shape[1:2]
            and bool(np.all(np.isfinite(weight)) and np.all(weight >= 0) and weight.sum() > 0),
            "seat_weight",
            f"needs {shape[1]} weights of zero or more, not all zero; got {weight.tolist()}",
        )
        for where, (low, high) in (("drives.delay_s", self.drives.delay_s), ("drives.gain_db", self.drives.gain_db)):
            need(
                bool(np.isfinite(low) and np.isfinite(high) and low <= high),
                where,
                f"needs finite limits, the lower first; got [{low}, {high}]",
            )
        for where, step in (("delay_step_s", self.drives.delay_step_s), ("gain_step_db", self.drives.gain_step_db)):
            need(bool(np.isfinite(step) and step >= 0.0), f"drives.{where}", f"needs zero or more; got {step}")
        if self.mirror_of is not None:
            mirror, count = self.mirror_of, shape[2]
            inside = mirror.shape == (count,) and bool(np.all((mirror >= -1) & (mirror < count)))
            paired = inside and all(m < 0 or mirror[m] == c for c, m in enumerate(mirror))
            need(
                paired,
                "mirror_of",
                "needs one index per candidate, -1 for none, and each mirror image must point back",
            )
        need(
            not self.paired or self.mirror_of is not None or shape[2] <= MOST_PAIRED,
            "paired",
            f"two subs with one setting can be searched among up to {MOST_PAIRED} candidates; got {shape[2]}; "
            "take a wider spacing_m",
        )
        return faults + self.wishes.faults(shape[2])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundPlan:
    """A layout and its drives, and what they give.

    Parameters
    ----------
    candidate_index : (n,) rising.
    gain_db, delay_s, polarity : (n,) [dB], [s], +1 or -1.
    variation_db : seat-to-seat variation [dB].
    output_db : mean level at the seats, all subs at their limit, against n subs in phase at 1 m [dB].
    level_db : (n_freq, n_seat) [dB re 1/m].
    """

    candidate_index: Integers
    gain_db: Floats
    delay_s: Floats
    polarity: Integers
    variation_db: float
    output_db: float
    level_db: Floats

    @property
    def drives(self) -> Drives:
        """Gain, delay and polarity of each sub."""
        return Drives(gain_db=self.gain_db, delay_s=self.delay_s, polarity=self.polarity)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome:
    """What the search found for one count.

    Parameters
    ----------
    count : subs per plan.
    plans : distinct layouts, best first.
    layouts_searched : layouts whose drives were searched; where not all were, how many distinct ones so many looks
        would have met at random. Looks crowd about good plans: they met fewer.
    layouts_possible : layouts that the candidates and wishes allow; where not all were tried, those that clash with
        a least distance or a zone's limit are still counted.
    seconds : time taken.
    exhaustive : whether every possible layout was tried and no drive was left out. Only then may the first plan be
        called the best; otherwise it is the best found.
    stop : why it ended; its text is a sentence.
    remarks : what else a person should know, in sentences.
    layouts_least_db : proven: no layout with any settings has a smaller variation; None where it was not asked [dB].
    """

    count: int
    plans: tuple[FoundPlan, ...]
    layouts_searched: int
    layouts_possible: int
    seconds: float
    exhaustive: bool
    stop: Stop
    remarks: tuple[str, ...] = ()
    layouts_least_db: float | None = None


def _frozen(values: ArrayLike, kind: type) -> NDArray[np.generic]:
    array: NDArray[np.generic] = np.array(values, dtype=kind, order="C")
    array.setflags(write=False)
    return array
