"""The filters of one plan, stored beside it: some on single subs, some that all share, and what they cost.

| group | axes | what |
| --- | --- | --- |
| /tuning | filter, frequency_hz, seat | filters of one plan, seats before and after, target; the rest as attributes; |
| | | frequencies of its own where its band is not the plan's |

A file has one tuning or none. Signs and references as in `results`. Levels are those of the plan's own gains.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from roommodes.arrays import Floats
from roommodes.errors import FileUnusable
from roommodes.filters.sections import KINDS, Section
from roommodes.responses.metrics import normalised
from roommodes.storage.fields import Field, add_field, add_scale, read_attribute, read_field

SHARED = -1  # in place of a sub's index: the filter stands before all subs
FILTER_FIELDS = (
    Field(path="sub", kind="i", axes=("filter",), unit="1", long_name="sub of its plan, from 0; -1: common to all"),
    Field(path="kind", kind="U", axes=("filter",), unit="1", long_name="peaking or all-pass, W3C Audio EQ Cookbook"),
    Field(path="filter_hz", kind="f", axes=("filter",), unit="Hz", long_name="frequency of the filter"),
    Field(path="filter_q", kind="f", axes=("filter",), unit="1", long_name="Q of the filter"),
    Field(path="filter_gain_db", kind="f", axes=("filter",), unit="dB", long_name="gain at its frequency"),
)
HZ_FIELD = Field(path="frequency_hz", kind="f", axes=("frequency_hz",), unit="Hz", long_name="frequency")
LEVEL_FIELDS = (
    Field(path="before_db", kind="f", axes=("frequency_hz", "seat"), unit="dB", long_name="level without the filters"),
    Field(path="after_db", kind="f", axes=("frequency_hz", "seat"), unit="dB", long_name="level with all filters"),
    Field(path="target_db", kind="f", axes=("frequency_hz",), unit="dB", long_name="target of the common filters"),
    Field(
        path="ceiling_db",
        kind="f",
        axes=("frequency_hz",),
        unit="dB",
        long_name="most that the common filters might add, skirts aside",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TuningSettings:
    """What was asked for, all that a tuning depends on beside the plan.

    Parameters
    ----------
    sample_rate_hz : at which the limits were checked [Hz].
    per_sub, shared : most filters on each sub, and shared.
    sub_boost_db, sub_cut_db : of one filter on a sub [dB].
    boost_db, cut_db : of all common filters together [dB].
    differ_db : standard deviation over seats above which nothing is boosted [dB].
    q : lowest and highest, of every filter.
    all_pass : whether subs may have all-passes.
    exchange : variation given up for a decibel more level [dB per dB].
    worth_db : what a filter on a sub must take off the variation [dB].
    """

    sample_rate_hz: float
    per_sub: int
    shared: int
    sub_boost_db: float
    sub_cut_db: float
    boost_db: float
    cut_db: float
    differ_db: float
    q: tuple[float, float]
    all_pass: bool
    exchange: float
    worth_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TuningPrice:
    """What a plan's filters cost in level.

    Parameters
    ----------
    boost_db : gain of the most heavily driven sub at its worst frequency over the loudest plain drive, at least 0 [dB].
    boost_hz : where that is [Hz].
    level_lost_db : by how much the mean level at the seats falls once that boost fits under the limit [dB].
    """

    boost_db: float
    boost_hz: float
    level_lost_db: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tuning:
    """Filters of one plan and what they do.

    Parameters
    ----------
    place : the plan: number of subs, rank from 0.
    settings : what was asked for.
    sub_filters : for each sub of the plan its own filters.
    shared : filters before all subs.
    before_db, after_db : (n_freq, n_seat) with the plan's gains, without and with all filters [dB re 1/m].
    target_db, ceiling_db : (n_freq,) of the common filters [dB].
    variation_before_db, variation_after_db : [dB].
    price : what the filters cost in level.
    frequency_hz : (n_freq,) the band of the tuning, where it has one of its own; None: that of the plan [Hz].
    """

    place: tuple[int, int]
    settings: TuningSettings
    sub_filters: tuple[tuple[Section, ...], ...]
    shared: tuple[Section, ...]
    before_db: Floats
    after_db: Floats
    target_db: Floats
    ceiling_db: Floats
    variation_before_db: float
    variation_after_db: float
    price: TuningPrice
    frequency_hz: Floats | None = None

    def grid(self, plan_hz: Floats) -> Floats:
        """Its frequencies (n_freq,), those of the plan where it has none of its own [Hz]."""
        return plan_hz if self.frequency_hz is None else self.frequency_hz

    @property
    def subs(self) -> int:
        """How many subs the plan has."""
        return self.place[0]

    @property
    def rank(self) -> int:
        """The plan's rank among those with as many subs, from 0."""
        return self.place[1]

    @property
    def count(self) -> int:
        """How many filters there are."""
        return len(self.shared) + sum(map(len, self.sub_filters))

    def of_sub(self, sub: int) -> tuple[Section, ...]:
        """All filters in one sub's path, its own first."""
        return (*self.sub_filters[sub], *self.shared)

    def from_target_db(self, level_db: Floats, seat_weight: Floats) -> Floats:
        """Rms deviation of each seat from the target, the target moved to where it fits all seats best [dB].

        Parameters
        ----------
        level_db : (n_freq, n_seat) before or after the filters [dB].
        seat_weight : (n_seat,) any scale.

        Returns
        -------
        (n_seat,).
        """
        rest = level_db - self.target_db[:, None]
        rest = rest - float(np.mean(rest @ normalised(seat_weight)))
        return np.asarray(np.sqrt(np.mean(rest**2, axis=0)))

    def off_target_db(self, seat_weight: Floats) -> float:
        """Rms deviation of the filtered mean level from the target, moved to where it fits best [dB]; as above."""
        return float(np.std(self.after_db @ normalised(seat_weight) - self.target_db))


_VARIATIONS = ("variation_before_db", "variation_after_db")
_PRICE = tuple(entry.name for entry in fields(TuningPrice))
_ASKED_NUMBERS = tuple(entry for entry in fields(TuningSettings) if entry.name != "q")  # q: two attributes


def write_tuning(file: h5py.File, tuning: Tuning | None) -> None:
    """Write the group, if there is a tuning."""
    if tuning is None:
        return
    group = file.create_group("tuning")
    group.attrs["subs"], group.attrs["rank"] = tuning.subs, tuning.rank
    for asked in _ASKED_NUMBERS:
        value = getattr(tuning.settings, asked.name)
        group.attrs[f"asked_{asked.name}"] = np.uint8(value) if isinstance(value, bool) else value
    group.attrs["asked_q_low"], group.attrs["asked_q_high"] = tuning.settings.q
    for name in _VARIATIONS:
        group.attrs[name] = getattr(tuning, name)
    for name in _PRICE:
        group.attrs[name] = getattr(tuning.price, name)
    if tuning.frequency_hz is not None:
        add_scale(group, "frequency_hz", tuning.frequency_hz, unit="Hz")
    for entry in LEVEL_FIELDS:
        add_field(group, entry, getattr(tuning, entry.path), scales=[group, file])
    each = [(sub, one) for sub, own in enumerate(tuning.sub_filters) for one in own]
    each += [(SHARED, one) for one in tuning.shared]
    if not each:
        return
    add_scale(group, "filter", np.arange(len(each)))
    columns: dict[str, Any] = {
        "sub": np.array([sub for sub, _ in each], dtype=np.int64),
        "kind": [one.kind for _, one in each],
        "filter_hz": np.array([one.frequency_hz for _, one in each]),
        "filter_q": np.array([one.q for _, one in each]),
        "filter_gain_db": np.array([one.gain_db for _, one in each]),
    }
    for entry in FILTER_FIELDS:
        add_field(group, entry, columns[entry.path], scales=[group])


def read_tuning(path: Path, file: h5py.File, sizes: dict[str, int], ranks: dict[int, int]) -> Tuning | None:
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
    group = file.get("tuning")
    if not isinstance(group, h5py.Group):
        return None
    subs, rank = (read_attribute(path, group, name, int) for name in ("subs", "rank"))
    if not 0 <= rank < ranks.get(subs, 0):
        raise FileUnusable(f"{path}: /tuning belongs to a plan that the file does not hold; tune it anew")
    asked = {entry.name: read_attribute(path, group, f"asked_{entry.name}", _type(entry)) for entry in _ASKED_NUMBERS}
    q_low, q_high = (read_attribute(path, group, f"asked_q_{end}", float) for end in ("low", "high"))
    own_hz = None
    if HZ_FIELD.path in group:  # a band of its own
        sizes = {axis: length for axis, length in sizes.items() if axis != HZ_FIELD.path}
        own_hz = read_field(path, group, HZ_FIELD, sizes)
    levels = {entry.path: read_field(path, group, entry, sizes) for entry in LEVEL_FIELDS}
    numbers = {name: read_attribute(path, group, name, float) for name in (*_VARIATIONS, *_PRICE)}
    own: list[list[Section]] = [[] for _ in range(subs)]
    shared: list[Section] = []
    if "sub" in group:
        columns = {entry.path: read_field(path, group, entry, sizes) for entry in FILTER_FIELDS}
        for sub, one in zip(columns["sub"].tolist(), _sections(path, columns), strict=True):
            if not SHARED <= sub < subs:
                raise FileUnusable(f"{path}: /tuning/sub points past the {subs} subs of its plan; tune it anew")
            (shared if sub == SHARED else own[sub]).append(one)
    finite = [*levels.values(), np.array(list(numbers.values())), *([] if own_hz is None else [own_hz])]
    if not all(np.isfinite(array).all() for array in finite):
        raise FileUnusable(f"{path}: is damaged: some numbers of /tuning are not finite; tune the plan anew")
    return Tuning(
        place=(subs, rank),
        settings=TuningSettings(**asked, q=(q_low, q_high)),
        sub_filters=tuple(map(tuple, own)),
        shared=tuple(shared),
        **levels,
        **{name: numbers[name] for name in _VARIATIONS},
        price=TuningPrice(**{name: numbers[name] for name in _PRICE}),
        frequency_hz=own_hz,
    )


def _type(entry: Any) -> type:
    return {"int": int, "bool": bool}.get(str(getattr(entry.type, "__name__", entry.type)), float)


def _sections(path: Path, columns: dict[str, Any]) -> Sequence[Section]:
    found = []
    numbers = zip(columns["filter_hz"], columns["filter_q"], columns["filter_gain_db"], strict=True)
    for kind, (hz, q, gain) in zip(columns["kind"], numbers, strict=True):
        if kind not in KINDS or not (np.isfinite([hz, q, gain]).all() and hz > 0.0 and q > 0.0):
            raise FileUnusable(f"{path}: is damaged: /tuning holds what is no filter; tune the plan anew")
        found.append(Section(kind=kind, frequency_hz=float(hz), q=float(q), gain_db=float(gain)))
    return found
