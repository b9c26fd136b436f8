"""How the comparison of strategies stands in a results file: for programs that only read HDF5.

It repeats what `solvers.study.compare` works out from the rest of the file, and is not read back. Where a figure has no
interval, as with one room, its ends are NaN.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from roommodes.storage.fields import Field, add_field, add_scale

Columns = Mapping[str, Sequence[Any] | NDArray[Any]]


def _names(axis: str) -> Iterator[Field]:
    for path, words in (("cheaper", "the strategy with fewer subs or adjustments"), ("dearer", "the other strategy")):
        yield Field(path=path, kind="U", axes=(axis,), unit="1", long_name=words)


def _interval(axis: str, name: str, unit: str, long_name: str) -> Iterator[Field]:
    suffix = "_db" if unit == "dB" else ""
    yield Field(path=f"{name}{suffix}", kind="f", axes=(axis,), unit=unit, long_name=long_name)
    for end, words in (("low", "lower"), ("high", "upper")):
        path = f"{name.removesuffix('_share')}_{end}{suffix}"
        yield Field(path=path, kind="f", axes=(axis,), unit=unit, long_name=f"{words} end of its interval")


COMPARISON_FIELDS = (
    *_names("pair"),
    Field(path="rooms", kind="i", axes=("pair",), unit="1", long_name="rooms in which both have a layout"),
    *_interval("pair", "mean", "dB", "mean difference of variation, cheaper less dearer"),
    *_interval("pair", "median", "dB", "median difference of variation"),
    *_interval("pair", "within_share", "1", "share of rooms where the cheaper is less even by the margin at most"),
    *_interval("pair", "alike_share", "1", "share of rooms where the two differ by the margin at most, either way"),
    Field(path="output_mean_db", kind="f", axes=("pair",), unit="dB", long_name="mean difference of output"),
    Field(path="quantile_db", kind="f", axes=("pair", "part"), unit="dB", long_name="quantiles of the difference"),
    Field(path="difference_db", kind="f", axes=("pair", "room"), unit="dB", long_name="difference in each room"),
    Field(
        path="r_squared",
        kind="f",
        axes=("pair",),
        unit="1",
        long_name="part of the difference's variance that the terms explain; NaN where there are too few rooms",
    ),
)
EFFECT_FIELDS = (
    *_names("effect"),
    Field(path="property", kind="U", axes=("effect",), unit="1", long_name="the property that parts the rooms"),
    Field(
        path="rooms_with",
        kind="U",
        axes=("effect",),
        unit="1",
        long_name="the part: a range, or a name",
    ),
    Field(path="rooms", kind="i", axes=("effect",), unit="1", long_name="rooms in the part"),
    *_interval("effect", "mean", "dB", "mean difference of variation in the part"),
)
TERM_FIELDS = (
    *_names("term"),
    Field(path="property", kind="U", axes=("term",), unit="1", long_name="the property"),
    Field(
        path="step", kind="U", axes=("term",), unit="1", long_name="what the change is for: a doubling, a unit, a group"
    ),
    *_interval("term", "change", "dB", "change of the difference, all other terms held"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparisons:
    """Comparison, effects and terms as columns by field.

    Parameters
    ----------
    parts : quantiles of `quantile_db`, 0 to 1.
    pairs, effects, terms : columns of `COMPARISON_FIELDS`, `EFFECT_FIELDS`, `TERM_FIELDS`.
    """

    parts: Sequence[float]
    pairs: Columns
    effects: Columns
    terms: Columns


def interval_columns(fields: Sequence[Field], name: str, intervals: Sequence[tuple[float, float, float]]) -> Columns:
    """The three columns of (value, low, high) under the paths that a table has for `name`."""
    start = next(k for k, field in enumerate(fields) if field.path in (name, f"{name}_db"))
    paths = [field.path for field in fields[start : start + 3]]
    return dict(zip(paths, np.array(intervals, dtype=np.float64).reshape(-1, 3).T, strict=True))


def add_comparison(file: h5py.File, compared: Comparisons) -> None:
    """Write the groups /comparison, /effects and /terms; those without an entry are left out."""
    for name, axis, fields, columns in (
        ("comparison", "pair", COMPARISON_FIELDS, compared.pairs),
        ("effects", "effect", EFFECT_FIELDS, compared.effects),
        ("terms", "term", TERM_FIELDS, compared.terms),
    ):
        count = len(columns["cheaper"])
        if not count:
            continue
        group = file.create_group(name)
        if axis == "pair":
            pairs = zip(columns["cheaper"], columns["dearer"], strict=True)
            add_scale(group, axis, [f"{cheaper} / {dearer}" for cheaper, dearer in pairs])
            add_scale(group, "part", np.array(compared.parts))
        else:
            add_scale(group, axis, np.arange(count))
        for entry in fields:
            add_field(group, entry, columns[entry.path], scales=[group, file])
