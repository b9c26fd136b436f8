"""What each sub does by itself, in words: polarity, delay, level, roll-off; what to check and what to set."""

from typing import Any

import numpy as np

from cli.terminal.output import Page, name
from roommodes.measured.loading import MeasuredSet
from solvers.fit.compared_subs import ComparedSub, compared_subs
from solvers.fit.outcome import Fit
from solvers.fit.verdict import Verdict

UNLIKE = 1.25  # over the lowest roll-off
WORTH_DB, WORTH_S = 2.0, 2e-3  # what is said; smaller ones may be the fit's own


def print_sources(page: Page, measured: MeasuredSet, fit: Fit) -> None:
    """A line for each sub, and what to do; nothing where the fit gave the subs no response of their own."""
    found = sources_of(measured, fit)
    if not found:
        return
    page.heading("The subs by themselves, against each other")
    for one in found:
        page.line(f"{name(one.name)}: {source_words(one)}.", mark="- ")
    page.line(
        "From the subs' own responses in the fitted room; what the manifest says was in the chain is divided out. "
        f"Levels under {WORTH_DB:g} dB and delays under {1e3 * WORTH_S:g} ms may be the fit's own errors."
    )
    for advice in advice_words(found):
        page.line(advice, mark="! ")


def sources_of(measured: MeasuredSet, fit: Fit) -> tuple[ComparedSub, ...]:
    """What the subs do; empty for one sub, for files that do not compare, and where no own responses were fitted."""
    own = fit.source.own
    if fit.verdict is Verdict.REFUSED or not measured.comparable or own.shape[1] < 2:
        return ()
    if not np.isfinite(own).all() or (own == 0.0).any() or np.ptp(np.abs(own / own[:, :1] - 1.0)) == 0.0:
        return ()
    return compared_subs(fit.compared.frequency_hz, own, measured.subs.name)


def source_words(one: ComparedSub) -> str:
    """What one sub does, a part of a sentence without its full stop."""
    said = []
    if one.polarity == 0:
        said.append("polarity and delay cannot be told from these responses")
    else:
        said.append("inverted against most others" if one.polarity < 0 else "upright")
        if abs(one.late_s) >= WORTH_S:
            said.append(f"{abs(one.late_s) * 1e3:.1f} ms {'late' if one.late_s > 0.0 else 'early'}")
    if abs(one.level_db) >= WORTH_DB:
        said.append(f"{abs(one.level_db):z.1f} dB {'louder' if one.level_db > 0.0 else 'softer'}")
    if one.falls_hz is not None:
        box = {12: ", like a closed box", 24: ", like a vented box"}.get(one.slope_db, "")
        said.append(f"6 dB down at {one.falls_hz:.0f} Hz{box}")
    return ", ".join(said)


def advice_words(found: tuple[ComparedSub, ...]) -> list[str]:
    """What to check and what to set."""
    words = []
    if inverted := [name(one.name) for one in found if one.polarity < 0]:
        words.append(
            f"{', '.join(inverted)}: check the leads and the polarity switch at the sub and its amplifier. Either turn "
            "it there and measure again, or leave it: optimise --measured sets the polarity that the seats want."
        )
    timed = [one for one in found if one.polarity]
    if late := [name(one.name) for one in timed if one.late_s >= WORTH_S]:
        words.append(
            f"{', '.join(late)}: look for a delay left in the processor, a wireless link or a filter with latency. If "
            "it stays, delay the others instead; optimise --measured does."
        )
    if loud := [name(one.name) for one in found if abs(one.level_db) >= WORTH_DB]:
        words.append(
            f"{', '.join(loud)}: compare gain, input sensitivity and number of drivers with the others' before it is "
            "made up for by gain; a softer sub reaches its limits first."
        )
    lows = [one.falls_hz for one in found if one.falls_hz is not None]
    if lows and (len(lows) < len(found) or max(lows) > UNLIKE * min(lows) or len({one.slope_db for one in found}) > 1):
        words.append(
            "The subs roll off unlike each other: near the corners they do not add as they do above. Set them by "
            "measurement there, not by distance."
        )
    return words


def sources_json(measured: MeasuredSet, fit: Fit) -> list[dict[str, Any]]:
    """The same as plain data."""
    return [
        {
            "sub": one.name,
            "polarity": one.polarity if one.polarity else None,
            "late_ms": 1e3 * one.late_s if one.polarity else None,
            "level_db": one.level_db,
            "six_db_down_hz": one.falls_hz,
            "slope_db_per_octave": one.slope_db or None,
        }
        for one in sources_of(measured, fit)
    ]
