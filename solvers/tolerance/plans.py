"""Levels, variation and output of plans in many built rooms."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from roommodes.plan.plan import Results
from solvers.tolerance.inputs import Builds

LEAST_MAGNITUDE = 1e-20  # an exact zero of pressure gets -400 dB, as in roommodes.responses.metrics


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Driven:
    """A plan as it is dialled in.

    Parameters
    ----------
    column : (n_sub,) which of the cabinets.
    gain_db, delay_s, polarity : (n_sub,) [dB], [s], +1 or -1.
    """

    column: NDArray[np.intp]
    gain_db: Floats
    delay_s: Floats
    polarity: Floats

    def levels(self, transfer: Complexes, frequency_hz: Floats, builds: Builds) -> Floats:
        """(n, n_freq, n_ear, n_cabinet) in the built rooms -> (n, n_freq, n_ear) [dB re 1/m]."""
        return levels_db((transfer[..., self.column] @ self.weights(frequency_hz, builds)[..., None])[..., 0])

    def weights(self, frequency_hz: Floats, builds: Builds) -> Complexes:
        """What each sub's field counts in the built rooms, as they are set there: (n, n_freq, n_sub)."""
        n_sub = len(self.column)
        gain = self.gain_db + builds.gain_db[:, :n_sub]
        delay = self.delay_s + builds.delay_s[:, :n_sub]
        turned = np.exp(-2j * np.pi * frequency_hz[None, :, None] * delay[:, None, :])
        return np.asarray((self.polarity * 10.0 ** (gain / 20.0))[:, None, :] * turned)


def levels_db(pressure: Complexes) -> Floats:
    """Of pressures [1/m], any shape [dB re 1/m]."""
    return np.asarray(10.0 * np.log10(np.maximum(pressure.real**2 + pressure.imag**2, LEAST_MAGNITUDE**2)))


def drives_of(plans: Sequence[Driven], n_cabinet: int, *, frequency_hz: Floats, builds: Builds) -> Complexes:
    """What each cabinet's field counts in plans as they are set in the built rooms: (n, n_freq, n_cabinet, n_plan)."""
    found = np.zeros((len(builds), len(frequency_hz), n_cabinet, len(plans)), dtype=np.complex128)
    for index, plan in enumerate(plans):
        weight = plan.weights(frequency_hz, builds)
        for sub, column in enumerate(plan.column):
            found[:, :, column, index] += weight[:, :, sub]
    return found


def variations_db(level: Floats, weight: Floats) -> Floats:
    """Variation in each room: (n, n_freq, n_ear) [dB] -> (n,) [dB]; weights sum to 1."""
    mean = level @ weight
    return np.asarray(np.sqrt(np.mean(((level - mean[..., None]) ** 2) @ weight, axis=1)))


def mean_levels_db(level: Floats, weight: Floats) -> Floats:
    """Mean over band and ears: (n, n_freq, n_ear) [dB] -> (n,) [dB]."""
    return np.asarray((level @ weight).mean(axis=1))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Leading:
    """Plans of a results file by the cabinets that they use.

    Parameters
    ----------
    counts : numbers of subs, with the rows of the plans in the file's tables, the one to be built first.
    candidate : (n_cabinet,) candidates in use.
    driven : for each count its plans.
    """

    counts: Mapping[int, NDArray[np.intp]]
    candidate: NDArray[np.intp]
    driven: Mapping[int, tuple[Driven, ...]]

    @property
    def flat(self) -> tuple[Driven, ...]:
        """All plans in order."""
        return tuple(one for plans in self.driven.values() for one in plans)

    @property
    def first(self) -> tuple[int, ...]:
        """Where the plan to be built of each number of subs stands among all."""
        sizes = [len(plans) for plans in self.driven.values()]
        return tuple(int(start) for start in np.cumsum([0, *sizes[:-1]]))


def leading_plans(results: Results, *, plans: int, counts: Sequence[int] | None = None) -> Leading:
    """The first plans of each number of subs; before them the one that was tuned or that meets the mains, if any."""
    settled = results.settled()
    tables = {count: table for count, table in results.plans.items() if counts is None or count in counts}
    ranks = {}
    for count, table in tables.items():
        rows = list(range(min(plans, len(table))))
        if settled is not None and settled.subs == count:
            rows = [settled.row, *(row for row in rows if row != settled.row)][: max(plans, 1)]
        ranks[count] = np.array(rows, dtype=np.intp)
    used = np.unique(np.concatenate([table.candidate_index[ranks[count]].ravel() for count, table in tables.items()]))
    driven = {
        count: tuple(
            Driven(
                column=np.searchsorted(used, table.candidate_index[rank]),
                gain_db=table.gain_db[rank],
                delay_s=table.delay_s[rank],
                polarity=table.polarity[rank].astype(np.float64),
            )
            for rank in ranks[count]
        )
        for count, table in tables.items()
    }
    return Leading(counts=ranks, candidate=used, driven=driven)
