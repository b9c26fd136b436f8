"""The results of a study in words and as JSON."""

from typing import Any

import numpy as np

from cli.terminal.output import Page, counted
from roommodes.studies.reading import Study
from roommodes.studies.results import StudyResults
from roommodes.studies.strategies import Strategy, StrategyTable, Trim, strategy_of
from roommodes.studies.tables import StudySearchTable
from solvers.study.compare import Pair, StudyComparison
from solvers.study.intervals import Interval

MOST_PAIRS = 66  # shown on the terminal where the study chose none; the report has all
SPREAD = (0.25, 0.5, 0.75)


def figure(value: float, digits: int = 2) -> str:
    """A number of decibels, or a dash."""
    return f"{round(value, digits) + 0.0:.{digits}f}" if np.isfinite(value) else "-"


def signed(interval: Interval) -> str:
    """A difference with its interval, if there is one."""
    ends = f" [{plus(interval.low)}, {plus(interval.high)}]" if interval.known else ""
    return plus(interval.value) + ends


def percent(interval: Interval) -> str:
    """A share with its interval, if there is one."""
    ends = f" [{100 * interval.low:.0f}, {100 * interval.high:.0f}]" if interval.known else ""
    return f"{100 * interval.value:.0f} %{ends}"


def strategy_rows(results: StudyResults) -> list[list[str]]:
    """For each strategy: name, subs, quartiles and worst of variation, median output, loss, rooms without a layout."""
    rows = []
    for place, name in enumerate(results.strategies):
        variation = results.arrays["variation_db"][:, place]
        output = results.arrays["output_db"][:, place]
        there = np.isfinite(variation)
        missing = results.n_room - len(results.failed) - int(there.sum())
        figures = ["-"] * 5
        if there.any():
            quartiles = np.quantile(variation[there], SPREAD)
            figures = [*(figure(value) for value in quartiles), figure(variation[there].max())]
            figures.append(figure(float(np.median(output[there])), 1))
        rows.append([name, str(results.subs[place]), *figures, _loss(results, place), str(missing)])
    return rows


def _loss(results: StudyResults, place: int) -> str:
    """What tuning on fewer frequencies hid, mean and worst over the rooms; a dash where nothing was tuned."""
    if "tuned_db" not in results.arrays:
        return "-"
    loss = results.arrays["variation_db"][:, place] - results.arrays["tuned_db"][:, place]
    loss = loss[np.isfinite(loss)]
    return f"{plus(float(loss.mean()))}, worst {plus(float(loss.max()))}" if len(loss) else "-"


def plus(value: float, digits: int = 2) -> str:
    """A number with its sign; never -0.00."""
    return f"{round(value, digits) + 0.0:+.{digits}f}"


def loss_line(results: StudyResults) -> str:
    """What the column of losses means, or why there is none."""
    if "tuned_db" in results.arrays:
        return (
            "loss: what judging on all frequencies adds to the variation on every second of them, where positions and "
            "settings were tuned; mean and worst over the rooms."
        )
    return (
        "These results are judged on the very frequencies that were searched, as older versions did: what was tuned "
        "looks better by some hundredths to tenths of a decibel than it is. Run the study again."
    )


STRATEGY_HEADERS = (
    "strategy",
    "subs",
    "a quarter of rooms to",
    "half to",
    "three quarters to",
    "worst",
    "output",
    "loss",
    "none",
)


def pair_rows(results: StudyResults, compared: StudyComparison) -> list[list[str]]:
    """For each pair: names, mean and median difference, shares within the margin, output, rooms."""
    return [
        [
            results.strategies[pair.cheaper],
            results.strategies[pair.dearer],
            signed(pair.mean_db),
            signed(pair.median_db),
            percent(pair.within_share),
            percent(pair.alike_share),
            plus(pair.output_mean_db, 1),
            str(pair.rooms),
        ]
        for pair in compared.pairs
    ]


def pair_headers(compared: StudyComparison) -> tuple[str, ...]:
    """Their headers."""
    within = f"{compared.within_db:g} dB"
    return (
        "cheaper",
        "dearer",
        "mean difference [dB]",
        "median [dB]",
        f"at most {within} less even",
        f"alike within {within}",
        "output [dB]",
        "rooms",
    )


def print_study(page: Page, study: Study, results: StudyResults, compared: StudyComparison) -> None:
    """What came out, for a person."""
    done = results.n_room - len(results.failed)
    title = study.tables.name
    page.line(f"{title}: {counted(results.n_room, 'room')}, {done} finished, {len(results.strategies)} strategies")
    page.heading("Variation over the rooms [dB]")
    page.table(STRATEGY_HEADERS, strategy_rows(results), right=range(1, 9))
    page.line(f"none: rooms in which the strategy has no feasible layout. {loss_line(results)}")
    if not compared.pairs:
        return
    page.heading("Room by room: variation of the cheaper strategy minus that of the dearer")
    rows = pair_rows(results, compared)
    most = len(rows) if compared.chosen else MOST_PAIRS
    page.table(pair_headers(compared), rows[:most], right=range(2, 8))
    if len(rows) > most:
        page.line(
            f"{len(rows) - most} more pairs are in the report and in the results file; name those that matter in pairs "
            "under [compare], and they are shown here."
        )
    page.line(
        f"Above zero the dearer is more even. at most {compared.within_db:g} dB less even: rooms where the cheaper "
        "does as well or better; alike: rooms where the two differ by that at most, either way. "
        + interval_line(compared)
    )
    for line in sample_lines(study, compared):
        page.line(line)


def interval_line(compared: StudyComparison) -> str:
    """What stands in brackets."""
    by = "from the means of the designs" if compared.replicates > 1 else "from the rooms' own spread"
    return (
        f"In brackets {100 * compared.confidence:g} % intervals for the family of rooms: of means Student's t, {by}; "
        "of medians by order statistics; of shares Wilson's. Where there are too few rooms for one there is none."
    )


def sample_lines(study: Study, compared: StudyComparison) -> list[str]:
    """How far the intervals hold: what the sample is, and how many are read at once; nothing where there are none."""
    if not any(pair.mean_db.known for pair in compared.pairs):
        return []
    lines = []
    rooms = study.tables.rooms
    if rooms.design in ("sobol", "latin hypercube") and compared.replicates == 1:
        lines.append(
            f"These rooms are one {rooms.design} design, which fills the family more evenly than chance: the "
            "intervals of means are wider than they need be, often twice as wide. With replicates under [rooms] they "
            "say how far the mean can be trusted."
        )
    if rooms.design in ("every combination", "table"):
        lines.append(
            "These rooms were not drawn: the intervals are as if they had been, at random, from a family like them."
        )
    count = len(compared.pairs)
    if count > 1:
        missed = (1.0 - compared.confidence) * count
        lines.append(
            f"Each interval holds by itself; of {count} about {missed:.2g} miss by chance. For all {count} means to "
            f"hold at once, take confidence = {_together(compared)} under [compare] (Bonferroni)"
            + ("." if compared.chosen else ", or name the pairs that matter before you look.")
        )
    return lines


def _together(compared: StudyComparison) -> str:
    """The confidence for all at once, with as many digits as it needs; never rounded to one."""
    missing = 1.0 - compared.together_confidence
    digits = max(2, 1 - int(np.floor(np.log10(missing))))
    return f"{np.floor(compared.together_confidence * 10**digits) / 10**digits:.{digits}f}".rstrip("0")


def explained(pair: Pair) -> str:
    """How much the rooms' properties explain of a difference, in a sentence; empty where there are too few rooms."""
    found = pair.explanation
    if found is None:
        return ""
    left = ", ".join(found.left_out)
    return (
        f"together they explain {100 * found.r_squared:.0f} % of the difference's variance over {found.rooms} rooms"
        + (f"; left out, for too few rooms or as determined by the others: {left}" if left else "")
    )


def term_rows(pair: Pair) -> list[tuple[str, str, str]]:
    """For each term: property, step, change of the difference."""
    if pair.explanation is None:
        return []
    return [(term.property, term.step, signed(term.change_db)) for term in pair.explanation.terms]


def study_json(results: StudyResults, compared: StudyComparison) -> dict[str, Any]:
    """The same for machines."""
    names = results.strategies
    return {
        "rooms": results.n_room,
        "finished": results.n_room - len(results.failed),
        "failed": [{"room": number, "reason": results.rooms["status"][number - 1]} for number in results.failed],
        "strategies": [
            {
                "name": name,
                "subs": int(results.subs[k]),
                "variation_db": results.arrays["variation_db"][:, k].tolist(),
                **({"tuned_db": results.arrays["tuned_db"][:, k].tolist()} if "tuned_db" in results.arrays else {}),
                "output_db": results.arrays["output_db"][:, k].tolist(),
            }
            for k, name in enumerate(names)
        ],
        "within_db": compared.within_db,
        "confidence": compared.confidence,
        "together_confidence": compared.together_confidence,
        "replicates": compared.replicates,
        "pairs": [
            {
                "cheaper": names[pair.cheaper],
                "dearer": names[pair.dearer],
                "rooms": pair.rooms,
                "mean_db": _interval(pair.mean_db),
                "median_db": _interval(pair.median_db),
                "within_share": _interval(pair.within_share),
                "alike_share": _interval(pair.alike_share),
                "r_squared": pair.explanation.r_squared if pair.explanation else None,
                "output_mean_db": pair.output_mean_db,
            }
            for pair in compared.pairs
        ],
        "effects": [
            {
                "cheaper": names[compared.pairs[effect.pair].cheaper],
                "dearer": names[compared.pairs[effect.pair].dearer],
                "property": effect.property,
                "rooms_with": effect.rooms_with,
                "rooms": effect.rooms,
                "mean_db": _interval(effect.mean_db),
            }
            for effect in compared.effects
        ],
        "terms": [
            {
                "cheaper": names[pair.cheaper],
                "dearer": names[pair.dearer],
                "property": term.property,
                "step": term.step,
                "change_db": _interval(term.change_db),
            }
            for pair in compared.pairs
            if pair.explanation
            for term in pair.explanation.terms
        ],
    }


def _interval(interval: Interval) -> dict[str, float]:
    return {"value": interval.value, "low": interval.low, "high": interval.high}


def strategy_words(table: StrategyTable, search: StudySearchTable) -> str:
    """Subs, positions, settings, what is trimmed and what is searched, in one line without the name."""
    gain_low, gain_high = search.gain_db
    strategy = strategy_of(table, trim_gain_db=(gain_low - gain_high, 0.0))
    parts = [f"{counted(table.subs, 'sub')}, {table.positions}{_heights(strategy)}", *_settings(strategy)]
    parts += [_trim(trim) for trim in strategy.trims]
    parts.append(f"searched for each sub: {', '.join(table.adjust) or 'nothing'}")
    return "; ".join(parts)


def _heights(strategy: Strategy) -> str:
    heights = list(dict.fromkeys(point[2] for point in strategy.points)) or [strategy.height]
    if heights == [0.0]:
        return " on the floor"
    return f" at {_listed(heights)} of the height"


def _settings(strategy: Strategy) -> list[str]:
    """Each kind of setting, where the subs differ in it."""
    kinds = (
        ("gains", strategy.gain_db, "dB"),
        ("delays", strategy.delay_ms, "ms"),
        ("delays", strategy.delay_room_lengths, "room lengths"),
        ("polarities", strategy.polarity, ""),
    )
    return [f"{name} {_listed(values)} {unit}".rstrip() for name, values, unit in kinds if len(set(values)) > 1]


def _trim(trim: Trim) -> str:
    ranges = [
        f"{name} by {ends[0]:g} to {ends[1]:g} {unit}"
        for name, ends, unit in (("gain", trim.gain_db, "dB"), ("delay", trim.delay_ms, "ms"))
        if ends is not None
    ]
    which = ", ".join(str(k + 1) for k in trim.subs)
    return f"of {'subs' if len(trim.subs) > 1 else 'sub'} {which} trimmed in every room: {' and '.join(ranges)}"


def _listed(values: tuple[float, ...] | list[float]) -> str:
    return ", ".join(f"{value:g}" for value in values)
