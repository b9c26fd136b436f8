"""Strategies compared room by room: paired differences, and which rooms the difference is in.

The difference is variation of the cheaper strategy less that of the dearer, in the same room: above zero, the dearer
is more even. Cheaper means fewer subs, then fewer adjustments. Intervals (`intervals`) speak of the family of rooms as
it was drawn, not of rooms at large, and each holds by itself.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.studies.comparison_fields import (
    COMPARISON_FIELDS,
    EFFECT_FIELDS,
    TERM_FIELDS,
    Comparisons,
    interval_columns,
)
from roommodes.studies.properties import FOLLOWS_FROM_BUILD, label, numbers_of, words_of
from roommodes.studies.reading import Study, parse_study
from roommodes.studies.results import StudyResults
from solvers.study.intervals import Interval, mean_interval, median_interval, share_interval
from solvers.study.regression import Column, Explanation, explain, group_columns, number_columns

PARTS = (0.0, 0.05, 0.25, 0.5, 0.75, 0.95, 1.0)
FEWEST_FOR_PARTS = 9  # rooms, for thirds by a property
MOST_GROUPS = 12  # of words in a column of the table's own that may part the rooms
FACTOR = " factor"  # how the names of spread factors end


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pair:
    """Two strategies in the rooms where both have a layout.

    Parameters
    ----------
    cheaper, dearer : places of the strategies.
    difference_db : (n_room,) of variation, NaN where one of them has none [dB].
    rooms : how many have both.
    mean_db, median_db : of the difference [dB].
    within_share : share of rooms where the cheaper is less even by the margin at most, or more even.
    alike_share : share of rooms where they differ by the margin at most, either way.
    output_mean_db : mean difference of output [dB].
    quantile_db : (len(PARTS),) [dB].
    explanation : what the rooms' properties explain of it; None where there are too few rooms.
    """

    cheaper: int
    dearer: int
    difference_db: Floats
    rooms: int
    mean_db: Interval
    median_db: Interval
    within_share: Interval
    alike_share: Interval
    output_mean_db: float
    quantile_db: Floats
    explanation: Explanation | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """The mean difference of a pair in a part of the rooms: a third by a number, or all of one group."""

    pair: int
    property: str
    rooms_with: str
    rooms: int
    mean_db: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyComparison:
    """The pairs of strategies, cheaper ones first, and where the differences lie.

    Parameters
    ----------
    within_db, confidence : as the study says.
    chosen : the study names the pairs; else they are all.
    replicates : how many designs drew the rooms; 1 for one, or where none did.
    pairs, effects : the figures.
    """

    within_db: float
    confidence: float
    chosen: bool
    replicates: int
    pairs: tuple[Pair, ...]
    effects: tuple[Effect, ...]

    @property
    def together_confidence(self) -> float:
        """What each interval of the pairs' means must have, that all hold at once as often as asked (Bonferroni)."""
        return 1.0 - (1.0 - self.confidence) / max(len(self.pairs), 1)


def compare(results: StudyResults) -> StudyComparison:
    """Compare the pairs that the study names, or all. The same results give the same figures.

    Raises
    ------
    ProjectInvalid : the study's text in the results is not valid.
    """
    study = parse_study(results.study_toml, source="study_toml", table_text=results.table_text)
    wishes = study.tables.compare
    replicate: NDArray[np.int64] | None = results.rooms.get("replicate")
    sample = _Sample(results=results, confidence=wishes.confidence, replicate=replicate)
    columns = _columns(study, results)
    pairs: list[Pair] = []
    effects: list[Effect] = []
    for cheaper, dearer in _asked(study):
        pair = _pair(sample, cheaper, dearer, within_db=wishes.within_db, columns=columns)
        if pair is not None:
            effects += _effects(sample, pair, len(pairs))
            pairs.append(pair)
    return StudyComparison(
        within_db=wishes.within_db,
        confidence=wishes.confidence,
        chosen=bool(wishes.pairs),
        replicates=1 if replicate is None else len(np.unique(replicate)),
        pairs=tuple(pairs),
        effects=tuple(effects),
    )


def comparison_columns(results: StudyResults, compared: StudyComparison) -> Comparisons:
    """The comparison as columns for the results file."""
    names, pairs, effects = results.strategies, compared.pairs, compared.effects
    terms = [(pair, term) for pair in pairs if pair.explanation for term in pair.explanation.terms]

    def names_of(some: Sequence[Pair]) -> dict[str, list[str]]:
        return {"cheaper": [names[pair.cheaper] for pair in some], "dearer": [names[pair.dearer] for pair in some]}

    columns: dict[str, Any] = {
        **names_of(pairs),
        "rooms": np.array([pair.rooms for pair in pairs], dtype=np.int64),
        "output_mean_db": np.array([pair.output_mean_db for pair in pairs]),
        "quantile_db": np.array([pair.quantile_db for pair in pairs]),
        "difference_db": np.array([pair.difference_db for pair in pairs]),
        "r_squared": np.array([pair.explanation.r_squared if pair.explanation else np.nan for pair in pairs]),
    }
    for name, intervals in (
        ("mean", [pair.mean_db for pair in pairs]),
        ("median", [pair.median_db for pair in pairs]),
        ("within_share", [pair.within_share for pair in pairs]),
        ("alike_share", [pair.alike_share for pair in pairs]),
    ):
        columns |= interval_columns(COMPARISON_FIELDS, name, [interval.parts for interval in intervals])
    return Comparisons(
        parts=PARTS,
        pairs=columns,
        effects={
            **names_of([pairs[effect.pair] for effect in effects]),
            "property": [effect.property for effect in effects],
            "rooms_with": [effect.rooms_with for effect in effects],
            "rooms": np.array([effect.rooms for effect in effects], dtype=np.int64),
            **interval_columns(EFFECT_FIELDS, "mean", [effect.mean_db.parts for effect in effects]),
        },
        terms={
            **names_of([pair for pair, _ in terms]),
            "property": [term.property for _, term in terms],
            "step": [term.step for _, term in terms],
            **interval_columns(TERM_FIELDS, "change", [term.change_db.parts for _, term in terms]),
        },
    )


def _asked(study: Study) -> Iterator[tuple[int, int]]:
    """The pairs to be compared, the cheaper strategy of each first."""
    strategies = study.tables.strategies
    by_price = sorted(range(len(strategies)), key=lambda k: (strategies[k].subs, len(strategies[k].adjust), k))
    place = {strategy.name: k for k, strategy in enumerate(strategies)}
    for pair in study.tables.compare.pairs:
        first, second = sorted((place[name] for name in pair), key=by_price.index)
        yield first, second
    if not study.tables.compare.pairs:
        yield from combinations(by_price, 2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sample:
    """The rooms, and how figures over them get their intervals."""

    results: StudyResults
    confidence: float
    replicate: NDArray[np.int64] | None

    def mean(self, values: Floats, part: NDArray[np.bool_]) -> Interval:
        """Mean of the values (n_room,) in a part of the rooms.

        Where a design has no room in the part, its rooms count as independent ones, which errs on the wide side.
        """
        if self.replicate is None or set(self.replicate[part]) != set(self.replicate):
            return mean_interval(values[part], self.confidence)
        return mean_interval(values[part], self.confidence, self.replicate[part])


def _pair(
    sample: _Sample, cheaper: int, dearer: int, *, within_db: float, columns: Mapping[str, Sequence[Column]]
) -> Pair | None:
    arrays, confidence = sample.results.arrays, sample.confidence
    variation, output = arrays["variation_db"], arrays["output_db"]
    difference = variation[:, cheaper] - variation[:, dearer]
    both = np.isfinite(difference)
    if not both.any():
        return None
    values = difference[both]
    return Pair(
        cheaper=cheaper,
        dearer=dearer,
        difference_db=difference,
        rooms=int(both.sum()),
        mean_db=sample.mean(difference, both),
        median_db=median_interval(values, confidence),
        within_share=share_interval(values <= within_db, confidence),
        alike_share=share_interval(np.abs(values) <= within_db, confidence),
        output_mean_db=float((output[:, cheaper] - output[:, dearer])[both].mean()),
        quantile_db=np.quantile(values, PARTS),
        explanation=explain(difference, columns, confidence),
    )


def _columns(study: Study, results: StudyResults) -> dict[str, list[Column]]:
    """What the differences are explained by: as the study says, else build, seating, sizes and all that was drawn."""
    numbers, words = numbers_of(results), words_of(results)
    wanted = study.tables.compare.covariates
    if wanted is None:
        drawn = [
            name
            for name in results.known.properties
            if name not in FOLLOWS_FROM_BUILD and not _same_as_factor(name, results)
        ]
        own_words = [name for name, some in results.known.groupings.items() if len(set(some)) <= MOST_GROUPS]
        wanted = ("build", "seating", "volume_m3", "length_over_width", "height_m", *drawn, *own_words)
    orders = {"build": study.build_names, "seating": [seating.name for seating in study.tables.seatings]}
    columns: dict[str, list[Column]] = {}
    for name in wanted:
        if name in words:
            columns[label(name)] = [*group_columns(name, words[name], orders.get(name, ()))]
            continue
        values = numbers[name]
        if name.endswith(FACTOR):
            values = np.where(np.isnan(values), 1.0, values)  # rooms without the construction
        unit = results.known.units.get(name, "1")
        found = [*number_columns(label(name), values, by_doubling=name != "temperature_c", unit=unit)]
        columns[label(name)] = found
    return {name: some for name, some in columns.items() if some}


def _same_as_factor(name: str, results: StudyResults) -> bool:
    """Whether a number is a parameter whose factor is there, too."""
    return name + FACTOR in results.known.properties


def _effects(sample: _Sample, pair: Pair, number: int) -> Iterator[Effect]:
    both = np.isfinite(pair.difference_db)
    builds = len(set(sample.results.rooms["build"]))

    def effect(name: str, rooms_with: str, part: NDArray[np.bool_]) -> Effect:
        mean_db = sample.mean(pair.difference_db, part)
        return Effect(pair=number, property=label(name), rooms_with=rooms_with, rooms=int(part.sum()), mean_db=mean_db)

    for name, values in numbers_of(sample.results).items():
        there = both & np.isfinite(values)
        made_by_build = name in FOLLOWS_FROM_BUILD and builds > 1
        if there.sum() < FEWEST_FOR_PARTS or made_by_build or _same_as_factor(name, sample.results):
            continue
        edges = np.quantile(values[there], [0.0, 1 / 3, 2 / 3, 1.0])
        if not np.all(np.diff(edges) > 1e-9 * np.abs(edges).max()):
            continue  # too few different values to part the rooms by
        for low, high, last in zip(edges[:-1], edges[1:], (False, False, True), strict=True):
            part = there & (values >= low) & ((values <= high) if last else (values < high))
            if part.any():
                yield effect(name, f"{low:.3g} to {high:.3g}", part)
    for name, words in words_of(sample.results).items():
        labels = np.array(words)
        kinds = list(dict.fromkeys(labels[both].tolist()))
        if 1 < len(kinds) <= MOST_GROUPS:
            for kind in kinds:
                yield effect(name, kind, both & (labels == kind))
