"""How the subs of one plan meet the main loudspeakers, as the results file keeps it beside the plan.

| group | axes | what |
| --- | --- | --- |
| /crossover | near_hz, seat, main_met | crossover, common delay, polarity and gain of the subs, what they give |

A file has one such setting or none. The common delay adds to the plan's own delays, which count from its earliest sub;
below 0 it is the mains that are delayed. Levels are those of the sums and parts through the crossover, as set.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import get_args

import h5py
import numpy as np

from roommodes.arrays import Floats
from roommodes.errors import FileUnusable, OutsideModel
from roommodes.filters.crossovers import Crossover, Kind
from roommodes.storage.fields import Field, add_field, add_scale, read_attribute, read_field

LEVELS = (
    Field(path="near_hz", kind="f", axes=("near_hz",), unit="Hz", long_name="frequency around the crossover"),
    Field(path="subs_db", kind="f", axes=("near_hz", "seat"), unit="dB", long_name="subs through their half, as set"),
    Field(
        path="mains_db",
        kind="f",
        axes=("near_hz", "seat", "main_met"),
        unit="dB",
        long_name="each main loudspeaker through its half",
    ),
    Field(
        path="sum_db",
        kind="f",
        axes=("near_hz", "seat", "main_met"),
        unit="dB",
        long_name="subs and each main loudspeaker together",
    ),
)
_SETTING = ("delay_s", "gain_db")
_MERITS = ("shortfall_db", "variation_db", "deepest_db", "plain_shortfall_db", "plain_variation_db")


@dataclass(frozen=True, slots=True, kw_only=True)
class SumMerits:
    """What a setting gives at the seats, see `solvers.crossover.alignment.Merit`.

    Parameters
    ----------
    shortfall_db, variation_db, deepest_db : as set [dB].
    plain_shortfall_db, plain_variation_db : with no delay, subs upright, the same gain [dB].
    """

    shortfall_db: float
    variation_db: float
    deepest_db: float
    plain_shortfall_db: float
    plain_variation_db: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SumLevels:
    """Levels at the seats about the crossover, through its halves and as set.

    Parameters
    ----------
    near_hz : (n_near,) around the crossover [Hz].
    subs_db, mains_db, sum_db : (n_near, n_seat), (n_near, n_seat, n_main) twice [dB].
    """

    near_hz: Floats
    subs_db: Floats
    mains_db: Floats
    sum_db: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrossoverRecord:
    """The setting of one plan's subs against the mains, and what it gives.

    Parameters
    ----------
    subs, rank : the plan: number of subs, rank from 0.
    crossover : its halves.
    asked_gain_db : gain that was asked for; None where it was matched to the mains [dB].
    delay_s : of all subs, beside their own after the earliest; below 0 the mains are delayed by so much [s].
    polarity : +1 or -1, of all subs, beside their own.
    gain_db : of all subs against the mains, beside their own [dB].
    merits, levels : what it gives.
    """

    subs: int
    rank: int
    crossover: Crossover
    asked_gain_db: float | None
    delay_s: float
    polarity: int
    gain_db: float
    merits: SumMerits
    levels: SumLevels

    @property
    def place(self) -> tuple[int, int]:
        """Which plan it belongs to: number of subs, rank from 0."""
        return self.subs, self.rank

    @property
    def subs_delay_s(self) -> float:
        """What is added to every sub's own delay, at least 0 [s]."""
        return max(0.0, self.delay_s)

    @property
    def mains_delay_s(self) -> float:
        """Delay of every main loudspeaker, at least 0 [s]."""
        return max(0.0, -self.delay_s)


def write_crossover(file: h5py.File, record: CrossoverRecord | None) -> None:
    """Write the group, if there is a setting."""
    if record is None:
        return
    group = file.create_group("crossover")
    own = record.crossover
    group.attrs["kind"], group.attrs["order"], group.attrs["frequency_hz"] = own.kind, own.order, own.frequency_hz
    for name in ("subs", "rank", "polarity", *_SETTING):
        group.attrs[name] = getattr(record, name)
    for name in _MERITS:
        group.attrs[name] = getattr(record.merits, name)
    if record.asked_gain_db is not None:
        group.attrs["asked_gain_db"] = record.asked_gain_db
    add_scale(group, "near_hz", record.levels.near_hz, unit="Hz")
    add_scale(group, "main_met", np.arange(record.levels.sum_db.shape[2]))
    for entry in LEVELS[1:]:
        add_field(group, entry, getattr(record.levels, entry.path), scales=[group, file])


def read_crossover(path: Path, file: h5py.File, sizes: dict[str, int], ranks: dict[int, int]) -> CrossoverRecord | None:
    """Read the group, if there is one.

    Parameters
    ----------
    path, file : of the results file.
    sizes : lengths of its axes.
    ranks : number of subs -> how many plans there are.

    Raises
    ------
    FileUnusable : it is damaged, or belongs to no plan of the file.
    """
    group = file.get("crossover")
    if not isinstance(group, h5py.Group):
        return None
    subs, rank, polarity, order = (
        read_attribute(path, group, name, int) for name in ("subs", "rank", "polarity", "order")
    )
    if not 0 <= rank < ranks.get(subs, 0):
        raise FileUnusable(f"{path}: /crossover belongs to a plan that the file does not hold; meet the mains anew")
    own = dict(sizes)
    levels = {entry.path: read_field(path, group, entry, own) for entry in LEVELS}
    numbers = {name: read_attribute(path, group, name, float) for name in (*_SETTING, *_MERITS)}
    asked = read_attribute(path, group, "asked_gain_db", float) if "asked_gain_db" in group.attrs else None
    kind: Kind = read_attribute(path, group, "kind", str)
    frequency_hz = read_attribute(path, group, "frequency_hz", float)
    finite = [*levels.values(), np.array([*numbers.values(), 0.0 if asked is None else asked, frequency_hz])]
    damaged = f"{path}: is damaged: /crossover holds what is no setting; meet the mains anew"
    if not all(np.isfinite(array).all() for array in finite) or abs(polarity) != 1 or kind not in get_args(Kind):
        raise FileUnusable(damaged)
    try:
        crossover = Crossover(kind=kind, order=order, frequency_hz=frequency_hz)
    except OutsideModel as fault:
        raise FileUnusable(damaged) from fault
    return CrossoverRecord(
        subs=subs,
        rank=rank,
        crossover=crossover,
        asked_gain_db=asked,
        delay_s=numbers["delay_s"],
        polarity=polarity,
        gain_db=numbers["gain_db"],
        merits=SumMerits(**{name: numbers[name] for name in _MERITS}),
        levels=SumLevels(**levels),
    )
