"""Tables beside the plans in a results file: fronts, usual layouts, places of the rows, the recommended plan.

| group | axes | what |
| --- | --- | --- |
| /fronts/n | rank, sub | plans with n subs of which none beats another in variation and output; rank 0 the most even |
| /usual | layout | corners and wall middles, driven alike and with searched drives |
| /rows/n | row, sub, point | where the rows should be with n subs, the plan there, the variation around |

All of it is optional: files without it are read as well. Signs and references as in `results`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from roommodes.arrays import Floats, Integers
from roommodes.errors import FileUnusable
from roommodes.storage.fields import Field, add_field, add_scale, read_attribute, read_field


def _drives(*axes: str) -> tuple[Field, ...]:
    return (
        Field(path="candidate_index", kind="i", axes=axes, unit="1", long_name="candidate of each sub"),
        Field(path="gain_db", kind="f", axes=axes, unit="dB", long_name="gain of each sub"),
        Field(path="delay_s", kind="f", axes=axes, unit="s", long_name="delay of each sub"),
        Field(path="polarity", kind="i", axes=axes, unit="1", long_name="polarity of each sub, +1 or -1"),
    )


def _figure(path: str, axis: str, long_name: str, *, unit: str = "dB", kind: str = "f") -> Field:
    return Field(path=path, kind=kind, axes=(axis,), unit=unit, long_name=long_name)


FRONT_FIELDS = (
    *_drives("rank", "sub"),
    _figure("variation_db", "rank", "seat-to-seat variation"),
    _figure("output_db", "rank", "output, as for the plans"),
    _figure("smoothness_db", "rank", "rms deviation of the seats' average from its straight line over log f"),
    _figure("decay_s", "rank", "decay time of the single mode that would ring as long", unit="s"),
)
USUAL_FIELDS = (
    _figure("name", "layout", "where the subs are", unit="1", kind="U"),
    _figure("subs", "layout", "number of subs", unit="1", kind="i"),
    _figure("stands_free", "layout", "1: every cabinet stands clear of the keep-outs", unit="1", kind="i"),
    _figure("alike_variation_db", "layout", "variation, all subs with identical settings"),
    _figure("alike_output_db", "layout", "output, all subs with identical settings"),
    _figure("driven_variation_db", "layout", "variation, each sub with the best settings found"),
    _figure("driven_output_db", "layout", "output, each sub with the best settings found"),
)
ROW_FIELDS = (
    _figure("offset_m", "row", "how far each row moves toward the rear", unit="m"),
    *_drives("sub"),
)
AROUND_FIELDS = (
    _figure("at_row", "point", "row that is moved, from 0, the others where they should be", unit="1", kind="i"),
    _figure("at_m", "point", "how far that row is moved from where it is drawn", unit="m"),
    _figure("at_variation_db", "point", "variation there, the settings fixed"),
)
ROW_NUMBERS = ("drawn_variation_db", "variation_db", "output_db", "worst_near_db", "step_m")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrontTable:
    """Plans with one number of subs, from the most even to the loudest.

    Parameters
    ----------
    candidate_index, gain_db, delay_s, polarity : (n_rank, n_sub).
    variation_db, output_db, smoothness_db, decay_s : (n_rank,) [dB], [s].
    """

    candidate_index: Integers
    gain_db: Floats
    delay_s: Floats
    polarity: Integers
    variation_db: Floats
    output_db: Floats
    smoothness_db: Floats
    decay_s: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UsualTable:
    """Usual layouts, the best driven first within a number of subs.

    Parameters
    ----------
    name : (n_layout,) where the subs are, in words.
    subs, stands_free : (n_layout,) how many; 1 where every cabinet stands clear of the keep-outs.
    alike_variation_db, alike_output_db : (n_layout,) all subs with identical settings [dB].
    driven_variation_db, driven_output_db : (n_layout,) each with the best settings found [dB].
    """

    name: tuple[str, ...]
    subs: Integers
    stands_free: Integers
    alike_variation_db: Floats
    alike_output_db: Floats
    driven_variation_db: Floats
    driven_output_db: Floats

    def of_count(self, count: int) -> list[int]:
        """Indices of the layouts with so many subs."""
        return np.flatnonzero(self.subs == count).tolist()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowsAround:
    """The variation with one row moved at a time, the others where they should be, the settings fixed.

    Parameters
    ----------
    at_row : (n_point,) which row, from 0.
    at_m : (n_point,) how far from where it is drawn, toward the rear [m].
    at_variation_db : (n_point,) [dB].
    """

    at_row: Integers
    at_m: Floats
    at_variation_db: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowTable:
    """Where the rows should be with one number of subs.

    Parameters
    ----------
    offset_m : (n_row,) toward the rear [m].
    candidate_index, gain_db, delay_s, polarity : (n_sub,) of the plan there.
    drawn_variation_db : of the best plan at the drawn rows [dB].
    variation_db, output_db : of the plan at the moved rows [dB].
    worst_near_db : most variation with every moved row up to one step off, the settings fixed [dB].
    step_m : between the places that were tried [m].
    around : one row moved, the others where they should be.
    """

    offset_m: Floats
    candidate_index: Integers
    gain_db: Floats
    delay_s: Floats
    polarity: Integers
    drawn_variation_db: float
    variation_db: float
    output_db: float
    worst_near_db: float
    step_m: float
    around: RowsAround


@dataclass(frozen=True, slots=True, kw_only=True)
class Recommendation:
    """The plan to build, over all numbers of subs: the first plan with `subs` subs.

    Parameters
    ----------
    subs : how many.
    reasons : why, in sentences.
    """

    subs: int
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Choices:
    """All that helps to choose among the plans; each part may be missing.

    Parameters
    ----------
    fronts, rows : number of subs -> table.
    usual, recommendation : None where they were not worked out.
    """

    fronts: Mapping[int, FrontTable] = field(default_factory=dict)
    rows: Mapping[int, RowTable] = field(default_factory=dict)
    usual: UsualTable | None = None
    recommendation: Recommendation | None = None


def write_choices(file: h5py.File, choices: Choices) -> None:
    """Write the groups that there is something for."""
    if choices.recommendation is not None:
        file.attrs["recommended_subs"] = choices.recommendation.subs
        file.attrs["recommended_because"] = "\n".join(choices.recommendation.reasons)
    for count, front in sorted(choices.fronts.items()):
        group = file.create_group(f"fronts/{count}")
        add_scale(group, "rank", np.arange(len(front.variation_db)))
        add_scale(group, "sub", np.arange(count))
        _add(group, FRONT_FIELDS, front)
    if choices.usual is not None:
        group = file.create_group("usual")
        add_scale(group, "layout", np.arange(len(choices.usual.name)))
        _add(group, USUAL_FIELDS, choices.usual)
    for count, row in sorted(choices.rows.items()):
        group = file.create_group(f"rows/{count}")
        add_scale(group, "row", np.arange(len(row.offset_m)))
        add_scale(group, "sub", np.arange(count))
        add_scale(group, "point", np.arange(len(row.around.at_m)))
        _add(group, ROW_FIELDS, row)
        _add(group, AROUND_FIELDS, row.around)
        for name in ROW_NUMBERS:
            group.attrs[name] = getattr(row, name)


def read_choices(path: Path, file: h5py.File, n_candidate: int) -> Choices:
    """Read what there is.

    Raises
    ------
    FileUnusable : what is there is damaged.
    """
    fronts = {
        count: FrontTable(**_read(path, group, FRONT_FIELDS, {"sub": count}))
        for count, group in _counted(path, file, "fronts")
    }
    rows = {
        count: RowTable(
            **_read(path, group, ROW_FIELDS, {"sub": count}),
            around=RowsAround(**_read(path, group, AROUND_FIELDS, {})),
            **{name: read_attribute(path, group, name, float) for name in ROW_NUMBERS},
        )
        for count, group in _counted(path, file, "rows")
    }
    usual = None
    if isinstance(group := file.get("usual"), h5py.Group):
        found = _read(path, group, USUAL_FIELDS, {})
        usual = UsualTable(**{**found, "name": tuple(found["name"])})
    recommendation = None
    if "recommended_subs" in file.attrs:
        because = read_attribute(path, file, "recommended_because", str)
        recommendation = Recommendation(
            subs=read_attribute(path, file, "recommended_subs", int), reasons=tuple(because.splitlines())
        )
    _check(path, [*fronts.items(), *rows.items()], usual, n_candidate)
    return Choices(fronts=fronts, rows=rows, usual=usual, recommendation=recommendation)


def _add(group: h5py.Group, layout: tuple[Field, ...], table: object) -> None:
    for entry in layout:
        value = getattr(table, entry.path)
        add_field(group, entry, list(value) if entry.kind == "U" else value, scales=[group])


def _read(path: Path, group: h5py.Group, layout: tuple[Field, ...], sizes: dict[str, int]) -> dict[str, Any]:
    return {entry.path: read_field(path, group, entry, sizes) for entry in layout}


def _counted(path: Path, file: h5py.File, name: str) -> list[tuple[int, h5py.Group]]:
    """The groups named by a number of subs, in order."""
    parent = file.get(name)
    if parent is None:
        return []
    found = []
    for key in parent if isinstance(parent, h5py.Group) else ["?"]:
        group = parent[key] if isinstance(parent, h5py.Group) else None
        if not (key.isascii() and key.isdigit() and 0 < len(key) < 6 and isinstance(group, h5py.Group)):
            raise FileUnusable(f"{path}: /{name} holds what is not a group named by a number of subs")
        found.append((int(key), group))
    return sorted(found, key=lambda entry: entry[0])


def _check(
    path: Path, tables: list[tuple[int, FrontTable] | tuple[int, RowTable]], usual: UsualTable | None, n_candidate: int
) -> None:
    """Refuse what no search of ours could have written."""
    whole: list[Any] = [table for _, table in tables]
    whole += [table.around for _, table in tables if isinstance(table, RowTable)]
    whole += [] if usual is None else [usual]
    for table in whole:
        for entry in fields(table):
            value = np.asarray(getattr(table, entry.name))
            if value.dtype.kind == "f" and not np.isfinite(value).all():
                raise FileUnusable(f"{path}: is damaged: some numbers are not finite; write the plan anew")
    for _, table in tables:
        index = table.candidate_index
        if index.min() < 0 or index.max() >= n_candidate or not np.isin(table.polarity, (-1, 1)).all():
            message = f"a candidate past the {n_candidate}, or a polarity other than +1 and -1"
            raise FileUnusable(f"{path}: is damaged: {message}; write the plan anew")
