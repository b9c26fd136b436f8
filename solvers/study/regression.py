"""What explains the difference of two strategies: build, seating and the rooms' numbers together, by least squares.

Numbers that are positive count by their doublings, others by their units; of a grouping each further group counts
against the first. Intervals take deviations that may differ from room to room (J. G. MacKinnon and H. White,
J. Econometrics 29, 1985, their HC3, from memory) and Student's t.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Floats
from solvers.study.intervals import Interval, t_interval

FEWEST_ROOMS = 12
ROOMS_PER_COLUMN = 4
SPAN = 1.05  # a number that varies by less explains nothing
DEPENDENT = 1e-6  # what is left of a column once the columns before it are taken out, when they determine it
HIGH_LEVERAGE = 0.99  # a room that has a column to itself has no deviation of its own


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One term: by how much the difference changes with a step of a property, the others held [dB]."""

    property: str
    step: str
    change_db: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """All terms together.

    Parameters
    ----------
    rooms : how many could be used.
    r_squared : the part of the difference's variance that the terms explain.
    terms : in the order of the properties.
    left_out : properties for which there were too few rooms, or that those before determine.
    """

    rooms: int
    r_squared: float
    terms: tuple[Term, ...]
    left_out: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Column:
    """A column of the design, NaN for rooms that must be left out, with what its coefficient is for."""

    property: str
    step: str
    values: Floats


def number_columns(name: str, values: Floats, *, by_doubling: bool, unit: str) -> Iterator[Column]:
    """The column of a number; none where it hardly varies."""
    there = values[np.isfinite(values)]
    if not len(there) or np.ptp(there) <= 1e-9 * np.abs(there).max():
        return
    if by_doubling and there.min() > 0.0:
        if there.max() > SPAN * there.min():
            yield Column(property=name, step="per doubling", values=np.log2(values))
    else:
        yield Column(property=name, step="per unit" if unit in ("", "1") else f"per {unit}", values=values)


def group_columns(name: str, words: Sequence[str], order: Sequence[str] = ()) -> Iterator[Column]:
    """One column for each group but the first, in an order or as the rooms come."""
    labels = np.array(words)
    first, *others = (word for word in dict.fromkeys((*order, *words)) if word in words)
    for other in others:
        yield Column(property=name, step=f"{other} against {first}", values=(labels == other).astype(np.float64))


def explain(values: Floats, columns: Mapping[str, Sequence[Column]], confidence: float) -> Explanation | None:
    """Least squares of a difference over all columns at once.

    Parameters
    ----------
    values : (n_room,) the difference, NaN where there is none [dB].
    columns : those of each property, the most important first.
    confidence : of each interval.

    Returns
    -------
    None where there are too few rooms, or nothing to explain by.
    """
    known = np.isfinite(values)
    for some in columns.values():
        for column in some:
            known &= np.isfinite(column.values)
    count = int(known.sum())
    if count < FEWEST_ROOMS:
        return None
    taken, left_out = _independent(columns, known)
    if not taken:
        return None
    wanted = values[known]
    design = np.column_stack([np.ones(count), *(_centred(column.values[known]) for column in taken)])
    fitted, deviation, r_squared = _least_squares(design, wanted)
    freedom = count - design.shape[1]
    terms = tuple(
        Term(
            property=column.property,
            step=column.step,
            change_db=t_interval(float(fitted[k]), float(deviation[k]), freedom, confidence),
        )
        for k, column in enumerate(taken, start=1)
    )
    return Explanation(rooms=count, r_squared=r_squared, terms=terms, left_out=left_out)


def _independent(
    columns: Mapping[str, Sequence[Column]], known: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> tuple[list[Column], tuple[str, ...]]:
    """The columns that the rooms suffice for and that those before them do not determine."""
    count = int(known.sum())
    basis = np.ones((count, 1)) / np.sqrt(count)
    taken: list[Column] = []
    left_out: list[str] = []
    for name, some in columns.items():
        wanted = [column for column in some if np.ptp(column.values[known]) > 0.0]
        if (1 + len(taken) + len(wanted)) * ROOMS_PER_COLUMN > count:
            left_out.append(name)
            continue
        for column in wanted:
            own = _centred(column.values[known])
            rest = own - basis @ (basis.T @ own)
            rest -= basis @ (basis.T @ rest)  # once more: rounding
            if np.linalg.norm(rest) <= DEPENDENT * np.linalg.norm(own):
                left_out.append(name)
                continue
            basis = np.column_stack([basis, rest / np.linalg.norm(rest)])
            taken.append(column)
    return taken, tuple(dict.fromkeys(left_out))


def _centred(values: Floats) -> Floats:
    return np.asarray(values - values.mean())


def _least_squares(design: Floats, values: Floats) -> tuple[Floats, Floats, float]:
    """Coefficients, their deviations, and the part of the variance explained."""
    count, n = design.shape
    inverse = np.linalg.pinv(design.T @ design, hermitian=True)
    fitted = np.asarray(np.linalg.lstsq(design, values, rcond=None)[0], dtype=np.float64)
    rest = values - design @ fitted
    leverage = np.einsum("ik,kl,il->i", design, inverse, design)
    spread = np.full(count, rest @ rest / (count - n))
    if leverage.max() < HIGH_LEVERAGE:
        spread = (rest / (1.0 - leverage)) ** 2  # HC3
    bread = inverse @ design.T
    deviation = np.asarray(np.sqrt(np.einsum("ki,i,ki->k", bread, spread, bread)))
    whole = float(np.sum(_centred(values) ** 2))
    return fitted, deviation, 1.0 - float(rest @ rest) / whole if whole > 0.0 else 0.0
