"""The tolerance file: what becomes of a plan file's plans in rooms that are not built exactly as drawn.

| axis | scale | meaning |
| --- | --- | --- |
| frequency_hz | /frequency_hz | logarithmic grid: the plan file's own, or coarser [Hz] |
| seat, group, percentile | /seat, /group, /percentile | index; index of the group of inputs; 5, 50, 90, 95 |
| plan | /plans/n/plan | by rising 90th percentile of variation |
| sub, draw, end | /plans/n/sub, /draw, /end | index from 0; a built room; low and high end of an interval |
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np

from roommodes.arrays import Floats, Integers
from roommodes.errors import FileUnusable
from roommodes.storage.fields import Field, add_field, add_scale, add_text, read_attribute, read_field, read_text
from roommodes.storage.guard import read_guarded
from roommodes.storage.seal import sealed
from roommodes.storage.stamp import HasMade, Made
from roommodes.storage.whole_file import write_whole

FORMAT = "roommodes tolerance"
FORMAT_VERSION = 1
PERCENTILES = (5.0, 50.0, 90.0, 95.0)


def _field(path: str, kind: str, axes: tuple[str, ...], unit: str, long_name: str, *, optional: bool = False) -> Field:
    return Field(path=path, kind=kind, axes=axes, unit=unit, long_name=long_name, optional=optional)


ROOT_FIELDS = (
    _field("frequency_hz", "f", ("frequency_hz",), "Hz", "frequency"),
    _field("percentile", "f", ("percentile",), "percent", "percentile"),
    _field("seats/name", "U", ("seat",), "1", "name of the seat"),
    _field("groups/name", "U", ("group",), "1", "what is uncertain", optional=True),
)
PLAN_FIELDS = (
    _field("rank", "i", ("plan",), "1", "rank in the plan file, 0 is the best"),
    _field("candidate_index", "i", ("plan", "sub"), "1", "candidate of each sub"),
    _field("gain_db", "f", ("plan", "sub"), "dB", "gain of each sub"),
    _field("delay_s", "f", ("plan", "sub"), "s", "delay of each sub"),
    _field("polarity", "i", ("plan", "sub"), "1", "polarity of each sub, +1 or -1"),
    _field("variation_db", "f", ("plan",), "dB", "seat-to-seat variation as drawn"),
    _field("output_db", "f", ("plan",), "dB", "output as drawn"),
    _field("variation_draw_db", "f", ("plan", "draw"), "dB", "seat-to-seat variation in each built room"),
    _field("output_draw_db", "f", ("plan", "draw"), "dB", "output in each built room"),
)
FIRST_FIELDS = (
    _field(
        "level_percentile_db",
        "f",
        ("frequency_hz", "seat", "percentile"),
        "dB",
        "first plan: level at each seat re the free-field level of one sub at 1 m",
    ),
    _field("mean_percentile_db", "f", ("frequency_hz", "percentile"), "dB", "first plan: mean level over the seats"),
)
SHARE_FIELDS = (
    _field("first_order", "f", ("group",), "1", "first plan: first-order Sobol' index of variation", optional=True),
    _field("total", "f", ("group",), "1", "first plan: total Sobol' index of variation", optional=True),
    _field("first_order_interval", "f", ("group", "end"), "1", "resampled 90 % interval of first_order", optional=True),
    _field("total_interval", "f", ("group", "end"), "1", "resampled 90 % interval of total", optional=True),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shares:
    """How much of the variance of a plan's variation each group of inputs stands for: Sobol' indices.

    Parameters
    ----------
    first_order, total : (n_group,) by itself; with all that it does together with others.
    first_order_interval, total_interval : (n_group, 2), 90 % of the resampled indices lie between.
    """

    first_order: Floats
    total: Floats
    first_order_interval: Floats
    total_interval: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FirstPlan:
    """What becomes of the first plan of a table, in detail.

    Parameters
    ----------
    level_percentile_db : (n_freq, n_seat, n_percentile) [dB re 1/m].
    mean_percentile_db : (n_freq, n_percentile), of the mean over the seats.
    shares : which uncertainty matters most; None where that was not asked for.
    worst : what the room of its largest variation is like, in sentences.
    """

    level_percentile_db: Floats
    mean_percentile_db: Floats
    shares: Shares | None = None
    worst: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToleranceTable:
    """What becomes of the leading plans with one number of subs, the one with the least 90th percentile first.

    Parameters
    ----------
    rank : (n_plan,) in the plan file, from 0.
    candidate_index, gain_db, delay_s, polarity : (n_plan, n_sub).
    variation_db, output_db : (n_plan,) as drawn [dB].
    variation_draw_db, output_draw_db : (n_plan, n_draw) [dB].
    first : what is told of the first plan alone.
    """

    rank: Integers
    candidate_index: Integers
    gain_db: Floats
    delay_s: Floats
    polarity: Integers
    variation_db: Floats
    output_db: Floats
    variation_draw_db: Floats
    output_draw_db: Floats
    first: FirstPlan

    @property
    def variation_percentile_db(self) -> Floats:
        """(n_plan, n_percentile) [dB]."""
        return np.percentile(self.variation_draw_db, PERCENTILES, axis=1).T

    @property
    def variation_percentile_error_db(self) -> Floats:
        """(n_plan, n_percentile) standard errors of these, see `percentile_errors` [dB]."""
        return percentile_errors(self.variation_draw_db, PERCENTILES)

    @property
    def output_percentile_db(self) -> Floats:
        """(n_plan, n_percentile) [dB]."""
        return np.percentile(self.output_draw_db, PERCENTILES, axis=1).T


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tolerance(HasMade):
    """All that a tolerance file holds.

    Parameters
    ----------
    project_toml, project_sha256 : of the plan file.
    made : seed of the drawn rooms, version of the program, when.
    draws_asked : how many rooms were asked for; fewer are held where the work was interrupted.
    frequency_hz : (n_freq,) [Hz].
    seat_name : (n_seat,).
    group_name : (n_group,) what is uncertain.
    method : how it was computed, in sentences.
    checked : rooms that were worked out again by the full model, each at every other frequency.
    error_db : largest difference of a plan's variation over these; 0 where none was checked [dB].
    plans : number of subs -> table.
    """

    project_toml: str
    project_sha256: str
    made: Made
    draws_asked: int
    frequency_hz: Floats
    seat_name: tuple[str, ...]
    group_name: tuple[str, ...]
    method: tuple[str, ...]
    checked: int
    error_db: float
    plans: Mapping[int, ToleranceTable]

    @property
    def draws(self) -> int:
        """How many built rooms stand behind the percentiles."""
        return int(next(iter(self.plans.values())).variation_draw_db.shape[1])


_ATTRIBUTES: tuple[tuple[str, type], ...] = (
    ("project_sha256", str),
    ("draws_asked", int),
    ("checked", int),
    ("error_db", float),
)


def percentile_errors(values: Floats, percent: Sequence[float]) -> Floats:
    """Standard errors of percentiles, as if the values were drawn at random.

    Half of what lies between the percentiles one standard error of the rank below and above: the share of n values
    below a quantile p has the standard error (p (1 - p) / n)^(1/2) (binomial).

    Parameters
    ----------
    values : (m, n).
    percent : (k,).

    Returns
    -------
    (m, k)
    """
    p = np.array(percent) / 100.0
    reach = np.sqrt(p * (1.0 - p) / values.shape[1])
    low, high = (np.percentile(values, 100.0 * np.clip(at, 0.0, 1.0), axis=1) for at in (p - reach, p + reach))
    return np.asarray(0.5 * (high - low).T)


def difference_error(one: Floats, other: Floats, percent: float) -> float:
    """Standard error of the difference of a percentile of two plans in the same rooms, (n,) each.

    What each room does to a percentile is taken to first order (R. R. Bahadur, A note on quantiles in large samples,
    Ann. Math. Statist. 37, 577-580, 1966; from memory): (p - [value below it]) / density.
    """
    p, both = percent / 100.0, np.stack([one, other])
    by_density = percentile_errors(both, (percent,))[:, 0] * (len(one) / (p * (1.0 - p))) ** 0.5
    moves = (p - (both <= np.percentile(both, percent, axis=1)[:, None])) * by_density[:, None]
    return float((moves[0] - moves[1]).std() / len(one) ** 0.5)


def tolerance_image(tolerance: Tolerance) -> bytes:
    """The tolerance file's bytes."""
    with h5py.File("image", "w", driver="core", backing_store=False, libver=("v110", "v110")) as file:
        file.attrs["format"] = FORMAT
        file.attrs["format_version"] = FORMAT_VERSION
        tolerance.made.write(file)
        for name, _ in _ATTRIBUTES:
            file.attrs[name] = getattr(tolerance, name)
        file.attrs["method"] = "\n".join(tolerance.method)
        add_text(file, "project_toml", tolerance.project_toml, long_name="text of the project file")
        add_scale(file, "frequency_hz", tolerance.frequency_hz, unit="Hz")
        add_scale(file, "percentile", np.array(PERCENTILES), unit="percent")
        add_scale(file, "seat", np.arange(len(tolerance.seat_name)))
        add_scale(file, "end", np.arange(2))
        add_field(file, ROOT_FIELDS[2], list(tolerance.seat_name), scales=[file])
        if tolerance.group_name:
            add_scale(file, "group", np.arange(len(tolerance.group_name)))
            add_field(file, ROOT_FIELDS[3], list(tolerance.group_name), scales=[file])
        plans = file.create_group("plans")
        for count, table in sorted(tolerance.plans.items()):
            group = plans.create_group(str(count))
            add_scale(group, "plan", np.arange(len(table.rank)))
            add_scale(group, "sub", np.arange(count))
            add_scale(group, "draw", np.arange(table.variation_draw_db.shape[1]))
            for layout, record in (
                (PLAN_FIELDS, table),
                (FIRST_FIELDS, table.first),
                (SHARE_FIELDS, table.first.shares),
            ):
                for entry in layout if record is not None else ():
                    add_field(group, entry, getattr(record, entry.path), scales=[group, file])
            group.attrs["worst"] = "\n".join(table.first.worst)
        file.flush()
        return sealed(bytes(file.id.get_file_image()))


def write_tolerance(path: Path, tolerance: Tolerance, *, force: bool) -> None:
    """Write a tolerance file whole, or not at all.

    Raises
    ------
    FileUnusable : the file exists, or cannot be written.
    """
    write_whole(path, tolerance_image(tolerance), force=force)


def read_tolerance(path: Path) -> Tolerance:
    """Read a tolerance file, of whatever origin.

    Raises
    ------
    FileUnusable : not a tolerance file, of a newer format, damaged, or holding what is refused (`storage.guard`).
    """
    tolerance = read_guarded(
        path, lambda file: _tolerance_in(path, file), kind="tolerance", made_by="roommodes tolerance"
    )
    tables = tolerance.plans.values()
    finite = [one.variation_draw_db for one in tables] + [one.first.level_percentile_db for one in tables]
    if not all(np.isfinite(values).all() for values in finite):
        raise FileUnusable(f"{path}: is damaged: some numbers are not finite; write it anew")
    return tolerance


def _tolerance_in(path: Path, file: h5py.File) -> Tolerance:
    if file.attrs.get("format") != FORMAT:
        raise FileUnusable(f"{path}: is an HDF5 file, but not a {FORMAT}; give a file that roommodes tolerance wrote")
    version = read_attribute(path, file, "format_version", int)
    if not 1 <= version <= FORMAT_VERSION:
        raise FileUnusable(
            f"{path}: has format version {version}; this program reads up to {FORMAT_VERSION}; update roommodes"
        )
    sizes = {"end": 2}
    root = {entry.path: read_field(path, file, entry, sizes) for entry in ROOT_FIELDS}
    found = file.get("plans")
    names = sorted(found, key=len) if isinstance(found, h5py.Group) else []
    if not names or not all(name.isascii() and name.isdigit() and 0 < int(name) < 100 for name in names):
        raise FileUnusable(f"{path}: /plans has no group named by a number of subs; the file is not complete")
    tables = {}
    for name in names:
        group = file[f"plans/{name}"]
        own = {**sizes, "sub": int(name)}
        arrays, first, shares = (
            {entry.path: read_field(path, group, entry, own) for entry in layout}
            for layout in (PLAN_FIELDS, FIRST_FIELDS, SHARE_FIELDS)
        )
        known = all(values is not None for values in shares.values())
        worst = tuple(read_attribute(path, group, "worst", str).splitlines())
        leading = FirstPlan(**first, shares=Shares(**shares) if known else None, worst=worst)
        tables[int(name)] = ToleranceTable(**arrays, first=leading)
    return Tolerance(
        project_toml=read_text(path, file, "project_toml"),
        frequency_hz=root["frequency_hz"],
        seat_name=tuple(root["seats/name"]),
        group_name=tuple(root["groups/name"] or ()),
        method=tuple(read_attribute(path, file, "method", str).splitlines()),
        plans=tables,
        made=Made.read(path, file),
        **{name: read_attribute(path, file, name, kind) for name, kind in _ATTRIBUTES},
    )
