"""The results of a study in words and as JSON."""

from typing import Any

import numpy as np

from cli.terminal.output import Page, counted
from roommodes.studies.results import StudyResults
from solvers.study.compare import Interval, StudyComparison

MOST_PAIRS = 21  # shown on the terminal; the report has all
SPREAD = (0.25, 0.5, 0.75)


def figure(value: float, digits: int = 2) -> str:
    """A number of decibels, or a dash."""
    return f"{round(value, digits) + 0.0:.{digits}f}" if np.isfinite(value) else "-"


def signed(interval: Interval) -> str:
    """A difference with its interval."""
    return f"{plus(interval.value)} [{plus(interval.low)}, {plus(interval.high)}]"


def percent(interval: Interval) -> str:
    """A share with its interval."""
    return f"{100 * interval.value:.0f} % [{100 * interval.low:.0f}, {100 * interval.high:.0f}]"


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
    """For each pair: names, mean and median difference, share within the margin, output, rooms."""
    return [
        [
            results.strategies[pair.cheaper],
            results.strategies[pair.dearer],
            signed(pair.mean_db),
            signed(pair.median_db),
            percent(pair.within_share),
            plus(pair.output_mean_db, 1),
            str(pair.rooms),
        ]
        for pair in compared.pairs
    ]


def pair_headers(compared: StudyComparison) -> tuple[str, ...]:
    """Their headers."""
    within = f"within {compared.within_db:g} dB"
    return ("cheaper", "dearer", "mean difference [dB]", "median [dB]", within, "output [dB]", "rooms")


def print_study(page: Page, title: str, results: StudyResults, compared: StudyComparison) -> None:
    """What came out, for a person."""
    done = results.n_room - len(results.failed)
    page.line(f"{title}: {counted(results.n_room, 'room')}, {done} finished, {len(results.strategies)} strategies")
    page.heading("Variation over the rooms [dB]")
    page.table(STRATEGY_HEADERS, strategy_rows(results), right=range(1, 9))
    page.line(f"none: rooms in which the strategy has no legal layout. {loss_line(results)}")
    if compared.pairs:
        page.heading("Room by room: variation of the cheaper strategy less that of the dearer")
        shown = pair_rows(results, compared)[:MOST_PAIRS]
        page.table(pair_headers(compared), shown, right=range(2, 7))
        if len(compared.pairs) > MOST_PAIRS:
            page.line(f"{len(compared.pairs) - MOST_PAIRS} more pairs are in the report and in the results file.")
        page.line(
            f"Above zero the dearer is more even. In brackets the {100 * compared.confidence:g} % bootstrap interval "
            f"over these rooms. within {compared.within_db:g} dB: share of rooms where the cheaper does as well."
        )


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
        "pairs": [
            {
                "cheaper": names[pair.cheaper],
                "dearer": names[pair.dearer],
                "rooms": pair.rooms,
                "mean_db": _interval(pair.mean_db),
                "median_db": _interval(pair.median_db),
                "within_share": _interval(pair.within_share),
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
        "slopes": [
            {
                "cheaper": names[compared.pairs[slope.pair].cheaper],
                "dearer": names[compared.pairs[slope.pair].dearer],
                "property": slope.property,
                "db_per_doubling": _interval(slope.per_doubling_db),
            }
            for slope in compared.slopes
        ],
    }


def _interval(interval: Interval) -> dict[str, float]:
    return {"value": interval.value, "low": interval.low, "high": interval.high}
