"""Strategies compared room by room: paired differences, bootstrap intervals, and which rooms the difference is in.

The difference is variation of the cheaper strategy less that of the dearer, in the same room: above zero, the dearer
is more even. Cheaper means fewer subs, then fewer adjustments. Intervals are percentile bootstrap intervals over
rooms (B. Efron, Ann. Statist. 7(1), 1979, from memory), seeded by the study; they speak of the family of rooms as it
was drawn, not of rooms at large. A designed sample (Sobol, Latin hypercube) is more even than a random one, so that
they are wide rather than narrow.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import bootstrap

from roommodes.arrays import Floats
from roommodes.studies.reading import Study, parse_study
from roommodes.studies.results import Comparisons, StudyResults

PARTS = (0.0, 0.05, 0.25, 0.5, 0.75, 0.95, 1.0)
CHUNK = 2_000_000  # numbers drawn at a time
FEWEST_FOR_PARTS = 9  # rooms, for thirds by a property
FEWEST_FOR_SLOPES = 12
PROPERTIES = ("volume [m3]", "length over width", "decay time [s]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A figure with the ends of its bootstrap interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pair:
    """Two strategies in the rooms where both have a layout.

    Parameters
    ----------
    cheaper, dearer : places of the strategies.
    difference_db : (n_room,) of variation, NaN where one of them has none [dB].
    rooms : how many have both.
    mean_db, median_db : of the difference [dB].
    within_share : share of rooms where the cheaper does as well, within the margin.
    output_mean_db : mean difference of output [dB].
    quantile_db : (len(PARTS),) [dB].
    """

    cheaper: int
    dearer: int
    difference_db: Floats
    rooms: int
    mean_db: Interval
    median_db: Interval
    within_share: Interval
    output_mean_db: float
    quantile_db: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """The mean difference of a pair in a part of the rooms: a third by a property, or all of one build."""

    pair: int
    property: str
    rooms_with: str
    rooms: int
    mean_db: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """How the difference of a pair changes when a property doubles and the others stay (least squares) [dB]."""

    pair: int
    property: str
    per_doubling_db: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyComparison:
    """All pairs of strategies, cheaper ones first, and where the differences lie."""

    within_db: float
    confidence: float
    pairs: tuple[Pair, ...]
    effects: tuple[Effect, ...]
    slopes: tuple[Slope, ...]


def compare(results: StudyResults) -> StudyComparison:
    """Compare every pair of strategies. The same results give the same figures.

    Raises
    ------
    ProjectInvalid : the study's text in the results is not valid.
    """
    study = parse_study(results.study_toml, source="study_toml", table_text=results.table_text)
    wishes = study.tables.compare
    pairs: list[Pair] = []
    effects: list[Effect] = []
    slopes: list[Slope] = []
    for number, (cheaper, dearer) in enumerate(combinations(_by_price(study), 2)):
        sampler = _Sampler(seed=(study.tables.seed, number), resamples=wishes.resamples, confidence=wishes.confidence)
        pair = _pair(results, cheaper, dearer, within_db=wishes.within_db, sampler=sampler)
        if pair is None:
            continue
        effects += _effects(results, pair, len(pairs), sampler)
        slopes += _slopes(results, pair, len(pairs), sampler)
        pairs.append(pair)
    return StudyComparison(
        within_db=wishes.within_db,
        confidence=wishes.confidence,
        pairs=tuple(pairs),
        effects=tuple(effects),
        slopes=tuple(slopes),
    )


def comparison_columns(results: StudyResults, compared: StudyComparison) -> Comparisons:
    """The comparison as columns for the results file."""
    names, pairs = results.strategies, compared.pairs
    columns: dict[str, Any] = {
        "cheaper": [names[pair.cheaper] for pair in pairs],
        "dearer": [names[pair.dearer] for pair in pairs],
        "rooms": np.array([pair.rooms for pair in pairs], dtype=np.int64),
        "output_mean_db": np.array([pair.output_mean_db for pair in pairs]),
        "quantile_db": np.array([pair.quantile_db for pair in pairs]),
        "difference_db": np.array([pair.difference_db for pair in pairs]),
        **_interval_columns("mean", "_db", [pair.mean_db for pair in pairs]),
        **_interval_columns("median", "_db", [pair.median_db for pair in pairs]),
    }
    share = [pair.within_share for pair in pairs]
    columns |= {
        "within_share": np.array([one.value for one in share]),
        "within_low": np.array([one.low for one in share]),
        "within_high": np.array([one.high for one in share]),
    }
    return Comparisons(
        parts=PARTS,
        pairs=columns,
        effects={
            "cheaper": [names[pairs[effect.pair].cheaper] for effect in compared.effects],
            "dearer": [names[pairs[effect.pair].dearer] for effect in compared.effects],
            "property": [effect.property for effect in compared.effects],
            "rooms_with": [effect.rooms_with for effect in compared.effects],
            "rooms": np.array([effect.rooms for effect in compared.effects], dtype=np.int64),
            **_interval_columns("mean", "_db", [effect.mean_db for effect in compared.effects]),
        },
    )


def properties_of(results: StudyResults) -> dict[str, Floats]:
    """The numbers by which rooms differ: (n_room,) each, by name."""
    rooms = results.rooms
    values = (rooms["volume_m3"], rooms["length_m"] / rooms["width_m"], rooms["decay_s"])
    return dict(zip(PROPERTIES, values, strict=True))


def _interval_columns(name: str, unit: str, intervals: Sequence[Interval]) -> dict[str, Floats]:
    return {
        f"{name}{unit}": np.array([one.value for one in intervals]),
        f"{name}_low{unit}": np.array([one.low for one in intervals]),
        f"{name}_high{unit}": np.array([one.high for one in intervals]),
    }


def _by_price(study: Study) -> list[int]:
    strategies = study.tables.strategies
    return sorted(range(len(strategies)), key=lambda k: (strategies[k].subs, len(strategies[k].adjust), k))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sampler:
    """Resamples of rooms; the same ones for the same number of rooms."""

    seed: tuple[int, int]
    resamples: int
    confidence: float

    def intervals(self, sample: NDArray[Any], statistic: Callable[[NDArray[Any]], Floats]) -> list[Interval]:
        """Figures of a sample (n,) with the percentiles of its resamples.

        Parameters
        ----------
        sample : a value, or a number, for each room.
        statistic : the figures of samples: (..., n) -> (figure, ...).
        """
        values = statistic(sample)
        if len(sample) == 1:  # of one room there is nothing to draw
            return [Interval(value=float(value), low=float(value), high=float(value)) for value in values]
        found = bootstrap(
            (sample,),
            lambda drawn, axis: statistic(drawn),
            n_resamples=self.resamples,
            batch=max(1, CHUNK // (len(sample) * len(values))),
            confidence_level=self.confidence,
            method="percentile",
            vectorized=True,
            rng=np.random.default_rng([*self.seed, len(sample)]),
        ).confidence_interval
        return [
            Interval(value=float(value), low=float(low), high=float(high))
            for value, low, high in zip(values, np.asarray(found.low), np.asarray(found.high), strict=True)
        ]

    def mean(self, values: Floats) -> Interval:
        """Mean of the values (n,)."""
        (interval,) = self.intervals(values, lambda drawn: np.mean(drawn, axis=-1)[None])
        return interval


def _pair(results: StudyResults, cheaper: int, dearer: int, *, within_db: float, sampler: _Sampler) -> Pair | None:
    variation, output = results.arrays["variation_db"], results.arrays["output_db"]
    difference = variation[:, cheaper] - variation[:, dearer]
    both = np.isfinite(difference)
    if not both.any():
        return None
    values = difference[both]

    def figures(drawn: Floats) -> Floats:
        return np.stack([drawn.mean(axis=-1), np.median(drawn, axis=-1), np.mean(drawn <= within_db, axis=-1)])

    mean_db, median_db, within_share = sampler.intervals(values, figures)
    return Pair(
        cheaper=cheaper,
        dearer=dearer,
        difference_db=difference,
        rooms=int(both.sum()),
        mean_db=mean_db,
        median_db=median_db,
        within_share=within_share,
        output_mean_db=float((output[:, cheaper] - output[:, dearer])[both].mean()),
        quantile_db=np.quantile(values, PARTS),
    )


def _effects(results: StudyResults, pair: Pair, number: int, sampler: _Sampler) -> Iterator[Effect]:
    both = np.isfinite(pair.difference_db)

    def effect(name: str, rooms_with: str, part: NDArray[np.bool_]) -> Effect:
        values = pair.difference_db[part]
        return Effect(
            pair=number, property=name, rooms_with=rooms_with, rooms=len(values), mean_db=sampler.mean(values)
        )

    if pair.rooms >= FEWEST_FOR_PARTS:
        for name, values in properties_of(results).items():
            edges = np.quantile(values[both], [0.0, 1 / 3, 2 / 3, 1.0])
            if not np.all(np.diff(edges) > 1e-9 * edges[-1]):
                continue  # too few different values to part the rooms by
            for low, high, last in zip(edges[:-1], edges[1:], (False, False, True), strict=True):
                part = both & (values >= low) & ((values <= high) if last else (values < high))
                if part.any():
                    yield effect(name, f"{low:.3g} to {high:.3g}", part)
    for name in ("build", "seating"):
        labels = np.array(results.rooms[name])
        kinds = list(dict.fromkeys(labels[both].tolist()))
        if len(kinds) > 1:
            for kind in kinds:
                yield effect(name, kind, both & (labels == kind))


def _slopes(results: StudyResults, pair: Pair, number: int, sampler: _Sampler) -> Iterator[Slope]:
    """Least squares of the difference over the logarithms of the properties, all at once."""
    both = np.isfinite(pair.difference_db)
    columns = {name: np.log2(values[both]) for name, values in properties_of(results).items()}
    columns = {name: column for name, column in columns.items() if np.ptp(column) > 0.05}
    if pair.rooms < FEWEST_FOR_SLOPES or not columns:
        return
    design = np.column_stack([np.ones(pair.rooms), *columns.values()])
    values = pair.difference_db[both]

    def fitted(chosen: NDArray[np.int64]) -> Floats:
        matrix, right = design[chosen], values[chosen]
        gram = np.einsum("...ik,...il->...kl", matrix, matrix)
        slope = np.einsum("...kl,...il,...i->...k", np.linalg.pinv(gram, hermitian=True), matrix, right)
        return np.moveaxis(slope[..., 1:], -1, 0)

    for name, slope in zip(columns, sampler.intervals(np.arange(pair.rooms), fitted), strict=True):
        yield Slope(pair=number, property=name, per_doubling_db=slope)
