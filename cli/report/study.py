"""The report of a study: its question, its rooms, how the strategies compare, and in which rooms they differ."""

from functools import partial
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from cli.figures.study import differences, distributions, effect
from cli.report.blocks import Block, Bullets, Picture, Report, Section, Table, Text, shown
from cli.terminal.output import counted
from cli.words.study import (
    STRATEGY_HEADERS,
    explained,
    interval_line,
    loss_line,
    pair_headers,
    pair_rows,
    percent,
    sample_lines,
    signed,
    strategy_rows,
    strategy_words,
    term_rows,
)
from roommodes.studies.properties import label, numbers_of
from roommodes.studies.reading import Study
from roommodes.studies.results import MARK_NAME, StudyResults
from solvers.study.answers import finer_by
from solvers.study.compare import Pair, StudyComparison

MOST_DRAWN = 8  # pairs that get a row in the picture of differences
MOST_EFFECTS = 4  # pairs whose differences are drawn over the rooms' properties
MOST_CHOSEN = 24  # the same, and rows, where the study chose its pairs
DRAWN_OVER = ("volume_m3", "length_over_width", "decay_s")


def study_report(study: Study, results: StudyResults, compared: StudyComparison) -> Report:
    """The report of a study, its sections in order."""
    pairs = _closest_in_subs(results, compared)
    sections = [
        _answer(study, results, compared, pairs),
        _spread(results),
        *([_paired(results, compared, pairs), _where(results, compared, pairs)] if pairs else []),
        _rooms(study, results),
        _rests_on(study, results, compared),
    ]
    return Report(
        title=shown(study.tables.name),
        subtitle="Study of subwoofer strategies",
        lead=_lead(results, compared, pairs),
        sections=tuple(sections),
        closing=f"Made by roommodes {results.software_version} from results of {results.created_utc}, seed "
        f"{results.seed}. Predictions for {'rooms as drawn' if _shaped(study) else 'rectangular rooms'}; measure "
        "before a plan is final.",
        mark=(MARK_NAME, results.study_sha256),
    )


def _shaped(study: Study) -> bool:
    """Whether any of its rooms is no box."""
    return any(build.blocks or build.slopes for build in study.tables.builds)


def _closest_in_subs(results: StudyResults, compared: StudyComparison) -> list[int]:
    """The pairs in the order in which they are told.

    Those that the study chose in its own order. Else first the best with the most subs against the best with fewer,
    since that is what a budget asks; then the other pairs with different numbers of subs.
    """
    if compared.chosen:
        return list(range(len(compared.pairs)))
    pairs, subs = compared.pairs, results.subs
    variation = results.arrays["variation_db"]
    best: dict[int, int] = {}
    for place in sorted(range(len(subs)), key=lambda k: _mean(variation[:, k])):
        best.setdefault(int(subs[place]), place)
    leading = {best[count] for count in sorted(best)[-2:]}
    return sorted(
        range(len(pairs)),
        key=lambda k: (
            {pairs[k].cheaper, pairs[k].dearer} != leading,
            subs[pairs[k].cheaper] == subs[pairs[k].dearer],
            k,
        ),
    )


def _mean(values: Any) -> float:
    """Mean of what is there; infinite for nothing."""
    there = values[np.isfinite(values)]
    return float(there.mean()) if len(there) else float("inf")


def _name(results: StudyResults, pair: Pair) -> str:
    return f"{results.strategies[pair.cheaper]} / {results.strategies[pair.dearer]}"


def _lead(results: StudyResults, compared: StudyComparison, pairs: list[int]) -> str:
    done = results.n_room - len(results.failed)
    if not pairs:
        return (
            f"{counted(done, 'room')} studied with {counted(len(results.strategies), 'strategy').replace('ys', 'ies')}."
        )
    pair = compared.pairs[pairs[0]]
    cheaper, dearer = shown(results.strategies[pair.cheaper]), shown(results.strategies[pair.dearer])
    more = "less even" if pair.mean_db.value > 0 else "more even"
    return (
        f"In {pair.rooms} rooms, {cheaper} is {abs(pair.mean_db.value):z.2f} dB {more} than {dearer} on average, and "
        f"at most {compared.within_db:g} dB less even than it in {100 * pair.within_share.value:.0f} % of rooms."
    )


def _answer(study: Study, results: StudyResults, compared: StudyComparison, pairs: list[int]) -> Section:
    blocks: list[Block] = []
    if pairs:
        rows = pair_rows(results, compared)
        blocks.append(
            Table(
                caption="Strategies room by room",
                headers=pair_headers(compared),
                rows=tuple(tuple(shown(cell) for cell in rows[k]) for k in pairs),
                right=(2, 3, 4, 5, 6, 7),
            )
        )
        within = f"{compared.within_db:g} dB"
        blocks.append(
            Text(
                text="Difference: variation of the cheaper strategy minus that of the dearer in the same room; above "
                f"zero the dearer is more even. At most {within} less even: rooms where the cheaper does as well or "
                f"better. Alike: rooms where the two differ by {within} at most, either way. Output: what the cheaper "
                "has more (+) or less (-) of mean level at the seats, each at its limit, against its subs in phase at "
                "1 m. " + interval_line(compared)
            )
        )
        blocks += [Text(text=line) for line in sample_lines(study, compared)]
    else:
        blocks.append(Text(text="There is one strategy with results, so there is nothing to compare."))
    if results.failed:
        failed = ", ".join(str(number) for number in results.failed[:20])
        blocks.append(Text(text=f"Without a result: rooms {failed}; they are in no figure.", strong=True))
    return Section(key="answer", heading="How they compare", blocks=tuple(blocks))


def _spread(results: StudyResults) -> Section:
    def draw(figure: Figure) -> None:
        distributions(
            figure.subplots(),
            values=results.arrays["variation_db"],
            names=results.strategies,
            label="seat-to-seat variation [dB]",
            title="How even each strategy is, over all rooms",
        )

    medians = ", ".join(f"{shown(row[0])} {row[3]} dB" for row in strategy_rows(results))
    return Section(
        key="spread",
        heading="Every room, not the mean alone",
        blocks=(
            Picture(
                title="Share of rooms in which the variation is at or below a value. Further left is more even.",
                alt=f"Half of the rooms stay at or below: {medians}.",
                size_in=(8.2, 3.8),
                draw=draw,
            ),
            Table(
                caption="Variation over the rooms [dB]",
                headers=STRATEGY_HEADERS,
                rows=tuple(tuple(shown(cell) for cell in row) for row in strategy_rows(results)),
                right=(1, 2, 3, 4, 5, 6, 7, 8),
            ),
            Text(text=f"none: rooms in which the strategy has no feasible layout. {loss_line(results)}"),
        ),
    )


def _paired(results: StudyResults, compared: StudyComparison, pairs: list[int]) -> Section:
    drawn = [compared.pairs[k] for k in pairs[: MOST_CHOSEN if compared.chosen else MOST_DRAWN]]

    def draw(figure: Figure) -> None:
        differences(
            figure.subplots(),
            values=[pair.difference_db[np.isfinite(pair.difference_db)] for pair in drawn],
            names=[_name(results, pair) for pair in drawn],
            means=[(pair.mean_db.value, pair.mean_db.low, pair.mean_db.high) for pair in drawn],
            within_db=compared.within_db,
            title="One dot per room; the bar is the mean with its interval",
        )

    said = "; ".join(f"{shown(_name(results, pair))}: mean {signed(pair.mean_db)} dB" for pair in drawn)
    share = "; ".join(f"{shown(_name(results, pair))}: {percent(pair.within_share)}" for pair in drawn)
    return Section(
        key="paired",
        heading="The difference in each room",
        blocks=(
            Picture(
                title=f"Shaded: the cheaper is at most {compared.within_db:g} dB less even.",
                alt=f"{said}. Share of rooms in the shaded part: {share}.",
                size_in=(8.2, 1.2 + 0.55 * len(drawn)),
                draw=draw,
            ),
        ),
    )


def _where(results: StudyResults, compared: StudyComparison, pairs: list[int]) -> Section:
    blocks: list[Block] = []
    for k in pairs[: MOST_EFFECTS if not compared.chosen else MOST_CHOSEN]:
        pair = compared.pairs[k]
        name, said, rows = shown(_name(results, pair)), explained(pair), term_rows(pair)
        blocks.append(
            Picture(
                title=f"{name}: the difference over what rooms differ in.",
                alt=("; ".join(f"{change} dB {step} ({what})" for what, step, change in rows) or "too few rooms") + ".",
                size_in=(9.6, 3.0),
                draw=partial(_draw_effects, results=results, pair=pair),
            )
        )
        if said:
            blocks.append(
                Table(
                    caption=f"{name}: what explains the difference; {shown(said)}",
                    headers=("property", "step", "change of the difference [dB], the others held"),
                    rows=tuple(tuple(shown(cell) for cell in row) for row in rows),
                    right=(2,),
                    folded=len(rows) > 6,
                )
            )
    parts = tuple(
        (
            shown(_name(results, compared.pairs[one.pair])),
            shown(one.property),
            shown(one.rooms_with),
            str(one.rooms),
            signed(one.mean_db),
        )
        for one in compared.effects
    )
    if parts:
        blocks.append(
            Table(
                caption="Mean difference by room property [dB]",
                headers=("pair", "property", "rooms with", "rooms", "mean difference [dB]"),
                rows=parts,
                right=(3, 4),
                folded=True,
            )
        )
    blocks.append(
        Text(
            text="A trend is not a cause: properties come together as the design drew them, and what follows from the "
            "build, decay and glass, explains nothing beside it. Of so many figures some look striking by chance: what "
            "is found here is to be asked of other rooms."
        )
    )
    return Section(key="where", heading="In which rooms", blocks=tuple(blocks))


def _draw_effects(figure: Figure, *, results: StudyResults, pair: Pair) -> None:
    groups, numbers = results.rooms["build"], numbers_of(results)
    properties = {label(name): numbers[name] for name in DRAWN_OVER}
    for axes, (name, values) in zip(figure.subplots(1, len(properties), sharey=True), properties.items(), strict=True):
        effect(axes, of=values, values=pair.difference_db, groups=groups, label=name, title="")
        axes.label_outer()
        if axes.get_legend() is not None and name != next(iter(properties)):
            axes.get_legend().remove()


def _rooms(study: Study, results: StudyResults) -> Section:
    rooms = results.rooms
    spans = [
        f"{word}: {rooms[key].min():.2f} to {rooms[key].max():.2f} {unit}"
        for word, key, unit in (
            ("length", "length_m", "m"),
            ("width", "width_m", "m"),
            ("height", "height_m", "m"),
            ("volume", "volume_m3", "m3"),
        )
    ]
    decay = rooms["decay_s"][np.isfinite(rooms["decay_s"])]
    if len(decay):
        spans.append(f"decay time at the band's middle: {decay.min():.2f} to {decay.max():.2f} s")
    for name, values in results.known.properties.items():
        there = values[np.isfinite(values)]
        if len(there) and np.ptp(there) > 0.0:
            unit = results.known.units[name].removeprefix("1")
            spans.append(
                f"{shown(label(name).partition(' [')[0])}: {there.min():.4g} to {there.max():.4g} {unit}".rstrip()
            )
    for name, word in (("build", "built as"), ("seating", "seated as")):
        labels = list(rooms[name])
        spans.append(f"{word}: " + ", ".join(f"{shown(k)} ({labels.count(k)})" for k in dict.fromkeys(labels)))
    table = Table(
        caption="Rooms and their variation [dB]",
        headers=("room", "build", "seating", "size [m]", *(shown(name) for name in results.strategies)),
        rows=tuple(
            (
                str(k + 1) + (f" {shown(rooms['label'][k])}" if rooms["label"][k] else ""),
                shown(rooms["build"][k]),
                shown(rooms["seating"][k]),
                " x ".join(f"{rooms[key][k]:.2f}" for key in ("length_m", "width_m", "height_m")),
                *(f"{v:.2f}" if np.isfinite(v) else "-" for v in results.arrays["variation_db"][k]),
            )
            for k in range(min(results.n_room, 1000))
        ),
        right=tuple(range(4, 4 + len(results.strategies))),
        folded=True,
        screen_only=True,
    )
    design = f"Rooms by the design {study.tables.rooms.design!r}"
    if "replicate" in rooms:
        count = len(set(rooms["replicate"].tolist()))
        design += f", drawn {count} times by itself with {counted(results.n_room // count, 'room')} each"
    return Section(
        key="rooms", heading="The rooms", blocks=(Text(text=design + "."), Bullets(items=tuple(spans)), table)
    )


def _frequencies(study: Study, results: StudyResults) -> str:
    """On how many frequencies it was judged and searched."""
    if "tuned_db" not in results.arrays:
        return f", {len(results.frequency_hz)} frequencies"
    search = study.tables.search
    steps = finer_by(search.points_per_octave, search.judged_points_per_octave) * (len(results.frequency_hz) - 1)
    return f", judged on {steps + 1} frequencies, searched on {steps // 2 + 1} of them"


def _rests_on(study: Study, results: StudyResults, compared: StudyComparison) -> Section:
    hz = results.frequency_hz
    search = study.tables.search
    strategies = tuple(f"{shown(one.name)}: {strategy_words(one, search)}" for one in study.tables.strategies)
    facts = (
        f"Band {hz[0]:g} to {hz[-1]:g} Hz{_frequencies(study, results)}; delays {search.delay_ms[0]:g} to "
        f"{search.delay_ms[1]:g} ms and gains {search.gain_db[0]:g} to {search.gain_db[1]:g} dB where adjusted.",
        "Variation: the standard deviation of level over the seats, rms over the band on a logarithmic grid.",
        "Where positions or settings are searched, the figure is of the best found in that room: what a designer with "
        "this program gets. Elsewhere it is of the one layout that the strategy names.",
        "What explains a difference: least squares over all properties at once, with deviations that may differ from "
        "room to room (HC3).",
        f"Rooms are {'as drawn, with their blocks and slopes,' if _shaped(study) else 'boxes'} and walls are known by "
        "typical figures; the model is held against independent solutions, not against measurements.",
        "Before anything is built: loud bass harms hearing by level and time; heavy cabinets, glass, mains, "
        "ventilation and fire have their own rules. Local codes and licensed trades have the last word.",
    )
    return Section(
        key="basis",
        heading="What it rests on",
        blocks=(Bullets(items=strategies), Bullets(items=facts)),
    )
