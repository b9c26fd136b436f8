"""How subs and mains meet, in words and as plain data."""

from dataclasses import asdict
from typing import Any

import numpy as np

from cli.terminal.output import Page, counted, name
from cli.words.basis import basis_words, responses_word
from cli.words.crossover_settings import coefficients, delay_words
from cli.words.plan import cautions_of, polarity_word, print_cautions, subs_word
from roommodes.filters.biquads import SIGN_CONVENTION
from roommodes.filters.crossovers import Crossover
from roommodes.plan.plan import Plan
from roommodes.responses.metrics import level_db, normalised
from solvers.crossover.with_mains import MainsMet

MEASURED_WORDS = "The subs' own response is in what was measured."
OWN_WORDS = {
    True: "The subs' own response, driver and box as in the project, is in their sound.",
    False: "The subs' own response is not known and left out: its phase moves delay and polarity. Give "
    "[subwoofer.driver], or measure.",
}
SHOWN_MS = (-5.0, -3.0, -2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0, 3.0, 5.0)


def print_crossover(page: Page, plan: Plan, met: MainsMet, rate_hz: float) -> None:
    """The setting, what it gives beside none and its inverse, every seat, sensitivity, coefficients."""
    best, hz = met.best, met.parts.frequency_hz
    n_main = met.parts.mains.shape[2]
    mains = counted(n_main, "main loudspeaker")
    page.heading(f"{name(plan.project.name)}: {subs_word(plan.subs)} meeting {mains}")
    if basis := basis_words(plan.results):
        page.line(basis)
    page.line(
        f"Crossover: {best.crossover.words}; judged on {len(hz)} frequencies from {hz[0]:.0f} to {hz[-1]:.0f} Hz."
    )
    page.line(OWN_WORDS[met.parts.own] if plan.measured is None else MEASURED_WORDS)
    page.line(
        f"Set: {delay_words(best.delay_s, rate_hz)}; "
        f"all subs {polarity_word(best.polarity)}, beside each one's own polarity; "
        f"{best.gain_db:+z.1f} dB on all subs against the mains"
        + (", as both were given." if abs(best.gain_db) < 0.05 else ".")
    )
    _print_settings(page, met)
    _print_seats(page, plan, met)
    _print_exactness(page, met)
    _print_filters(page, best.crossover, rate_hz)
    print_cautions(page, plan.results, cautions_of(plan))


def _print_settings(page: Page, met: MainsMet) -> None:
    """The setting beside its inverse and none, how far each sum falls short."""
    rows = [
        [
            word,
            f"{one.merit.shortfall_db:z.2f} dB",
            f"{one.merit.deepest_db:z.0f} dB",
            f"{one.merit.variation_db:z.2f} dB",
        ]
        for word, one in (
            ("as set above", met.best),
            ("the same, opposite polarity", met.inverted),
            ("no delay, subs normal", met.plain),
        )
    ]
    page.table(["setting", "summation loss", "deepest", "variation"], rows, right=(1, 2, 3))
    page.line(
        "summation loss: by how much the sum of subs and mains stays below both in phase, mean over seats and "
        "frequencies; deepest: the same at the worst seat and frequency. variation: of the sum over the seats. The "
        "search minimises summation loss + variation and takes the least delay of equals."
    )


def _print_seats(page: Page, plan: Plan, met: MainsMet) -> None:
    page.heading("Every seat")
    best = met.best
    total, low, high = level_db(best.total), level_db(best.low), level_db(best.high)
    short = 20.0 * np.log10(np.abs(best.low)[:, :, None] + np.abs(best.high)) - total
    middle = float(np.mean(np.einsum("fsm,s->fm", total, normalised(met.parts.seat_weight))))
    at = int(np.argmin(np.abs(met.parts.frequency_hz - best.crossover.frequency_hz)))
    rows = [
        [
            name(seat),
            f"{np.mean(total[:, index]) - middle:+z.1f} dB",
            f"{np.mean(short[:, index]):z.2f} dB",
            f"{np.mean(low[at, index]) - middle:+z.1f} dB",
            f"{np.mean(high[at, index]) - middle:+z.1f} dB",
            f"{np.mean(total[at, index]) - middle:+z.1f} dB",
        ]
        for index, seat in enumerate(plan.seats.name)
    ]
    headers = ["seat", "sum, average", "summation loss", "subs at crossover", "mains there", "sum there"]
    page.table(headers, rows, right=(1, 2, 3, 4, 5))
    page.line("Levels are relative to the average of the sum over seats and band; of several mains, the average.")


def _print_exactness(page: Page, met: MainsMet) -> None:
    """What is lost by other delays and at other crossover frequencies."""
    page.heading("How exact it must be")
    by_ms = dict(zip(np.round(1e3 * met.offset_s, 3).tolist(), met.by_offset, strict=True))
    rows = [
        [f"{ms:+z.1f} ms", f"{by_ms[ms].shortfall_db:z.2f} dB", f"{by_ms[ms].variation_db:z.2f} dB"] for ms in SHOWN_MS
    ]
    page.table(["subs later by", "summation loss", "variation"], rows, right=(0, 1, 2))
    rows = [
        [
            f"{frequency:.0f} Hz",
            f"{held.score_db:z.2f} dB",
            f"{anew.merit.score_db:z.2f} dB",
            f"{1e3 * anew.delay_s:+z.2f} ms",
            polarity_word(anew.polarity),
        ]
        for frequency, held, anew in zip(met.frequency_hz, met.held, met.anew, strict=True)
    ]
    page.table(["crossover at", "delay fixed", "re-optimised", "delay", "polarity"], rows, right=(0, 1, 2, 3))
    page.line("Lower table: summation loss + variation at other crossover frequencies, over the same band.")


def _print_filters(page: Page, crossover: Crossover, rate_hz: float) -> None:
    """The coefficients of both sides."""
    page.heading("Filters")
    for word, sections in (("subs", crossover.low_pass(rate_hz)), ("mains", crossover.high_pass(rate_hz))):
        for number, section in enumerate(sections, start=1):
            page.line(coefficients(section), mark=f"all {word}, section {number}  ")
    page.line(
        f"At {rate_hz:g} Hz: {SIGN_CONVENTION}. A processor that has this crossover needs none of these numbers; make "
        "sure that it means the same kind and order. Start quietly, play one channel at a time, and measure the sum at "
        "every seat."
    )


def crossover_json(plan: Plan, met: MainsMet, rate_hz: float) -> dict[str, Any]:
    """What `crossover --json` prints."""
    best = met.best
    return {
        "project": plan.project.name,
        "responses": responses_word(plan.results),
        "subs_own_response": met.parts.own,
        "subs": plan.subs,
        "rank": plan.rank,
        "kind": best.crossover.kind,
        "order": best.crossover.order,
        "frequency_hz": best.crossover.frequency_hz,
        "delay_ms": 1e3 * best.delay_s,
        "polarity": best.polarity,
        "gain_db": best.gain_db,
        "as_set": asdict(best.merit),
        "inverted": asdict(met.inverted.merit),
        "no_delay": asdict(met.plain.merit),
        "cautions": cautions_of(plan),
        "grid_hz": met.parts.frequency_hz.tolist(),
        "sum_db": level_db(best.total).transpose(2, 1, 0).tolist(),
        "subs_db": level_db(best.low).T.tolist(),
        "mains_db": level_db(best.high).transpose(2, 1, 0).tolist(),
        "axes": "sum_db, mains_db: main, seat, frequency; subs_db: seat, frequency",
        "by_delay": [
            {"later_ms": 1e3 * float(offset), **asdict(merit)}
            for offset, merit in zip(met.offset_s, met.by_offset, strict=True)
        ],
        "by_frequency": [
            {
                "frequency_hz": float(frequency),
                "held": asdict(held),
                "anew": {**asdict(anew.merit), "delay_ms": 1e3 * anew.delay_s, "polarity": anew.polarity},
            }
            for frequency, held, anew in zip(met.frequency_hz, met.held, met.anew, strict=True)
        ],
        "sample_rate_hz": rate_hz,
        "sign_convention": SIGN_CONVENTION,
        "subs_filters": [asdict(one) for one in best.crossover.low_pass(rate_hz)],
        "mains_filters": [asdict(one) for one in best.crossover.high_pass(rate_hz)],
    }
