"""A plan verified by a measurement, in words and as JSON."""

from typing import Any

import numpy as np

from cli.terminal.output import Page, counted, name
from cli.words.basis import weighting_words
from roommodes.plan.plan import Plan
from solvers.fit.compared_subs import ComparedSub
from solvers.verification.outcome import Verified
from solvers.verification.suspects import FEWEST_SEATS, TOLD_DB, TOLD_S, Change

WORTH_DB, WORTH_S = 1.0, 1e-3  # of single subs: smaller ones are not said


def print_verified(page: Page, plan: Plan, found: Verified) -> None:
    """Verdict, variation, what looks wrong, levels by seat and band."""
    page.heading(f"{name(plan.project.name)}: {counted(plan.subs, 'sub')}, measured after dialling in")
    page.line(verdict_words(found))
    for line in basis_lines(plan, found):
        page.line(line)
    page.heading("Variation over the measured seats")
    page.table(["", "dB"], [list(row) for row in variation_rows(found)], right=(1,))
    page.heading("Which settings look wrong")
    for line in suspect_lines(found):
        page.line(line, mark="- ")
    if found.singles:
        page.heading("The subs measured singly, against the promise")
        for one in found.singles:
            page.line(f"{name(one.name)}: {single_words(one)}.", mark="- ")
    page.heading("Level found minus promised, by seat and third octave [dB]")
    headers, rows = difference_rows(found)
    page.table(headers, rows, right=tuple(range(1, len(headers))))
    page.line(levels_words(found))


def verdict_words(found: Verified) -> str:
    """One sentence or two: whether the plan plays as promised."""
    share = f"{found.within:.0%} of seats and third octaves lie within {found.allowed_db:g} dB of the promise"
    if found.suspects.changes:
        names = " and ".join(found.pair.sub_name[one.sub] for one in found.suspects.changes)
        return f"Not as promised: {share}. {names.capitalize()} look{_s(len(found.suspects.changes))} wrong."
    if found.within >= 0.9:
        return f"As promised: {share}."
    return (
        f"Not as promised: {share}, and no single sub's gain, delay or polarity explains it. Look at filters, "
        "positions, seats and names; measure each sub by itself."
    )


def basis_lines(plan: Plan, found: Verified) -> list[str]:
    """What is in the promise, and how its frequencies are weighted."""
    crossed = (
        "The promise has the crossover's low-pass in it: measure the subs through it, the mains muted."
        if found.pair.crossed
        else ""
    )
    return [line for line in (crossed, weighting_words(plan.results)) if line]


def variation_rows(found: Verified) -> list[tuple[str, str]]:
    """Variation promised and found, and with the changes where there are any."""
    rows = [("promised", found.variation_promised_db), ("found", found.variation_found_db)]
    if found.suspects.changes:
        rows.append(("the promise with these settings wrong", found.variation_explained_db))
    return [(label, f"{value:z.2f}") for label, value in rows]


def suspect_lines(found: Verified) -> list[str]:
    """What looks wrong and by how much, and what the rest is."""
    pair, suspects = found.pair, found.suspects
    if len(pair.sub_name) < 2:
        return ["One sub has nothing to be held against."]
    if len(pair.seat_name) < FEWEST_SEATS:
        return [f"Fewer than {FEWEST_SEATS} seats were measured: they cannot tell one sub from the others."]
    lines = [f"{name(pair.sub_name[one.sub])}: {change_words(one)}." for one in suspects.changes]
    if len(pair.sub_name) == 2 and lines:
        lines.append("Of two subs nobody can say which: the other may be off the other way.")
    if not lines:
        lines = ["None: no sub's gain, delay or polarity, changed by itself, explains the measurement much better."]
    rest = f"The promise leaves {suspects.misfit:.0%} of the measurement's rms"
    if suspects.changes:
        rest += (
            f", with these changes {suspects.left:.0%}; {found.rest_within:.0%} of seats and third octaves then lie "
            f"within {found.allowed_db:g} dB"
        )
    if (noise := found.over_noise) is not None:
        rest += f"; the rest is {noise:.{1 if noise < 10.0 else 0}f} times the measurement's noise"
    return [*lines, f"{rest}."]


def change_words(one: Change) -> str:
    """What one sub has other than the plan says."""
    said = ["inverted"] if one.polarity < 0 else []
    if abs(one.delay_s) >= TOLD_S:
        said.append(f"{1e3 * abs(one.delay_s):z.1f} ms too {'late' if one.delay_s > 0.0 else 'early'}")
    if abs(one.gain_db) >= TOLD_DB:
        said.append(f"{abs(one.gain_db):z.1f} dB too {'loud' if one.gain_db > 0.0 else 'soft'}")
    return ", ".join(said) + f" (with that {one.left:.0%} of the misfit is left)"


def single_words(one: ComparedSub) -> str:
    """What a sub measured by itself does against its promise."""
    if one.polarity == 0:
        return "polarity and delay cannot be told"
    said = ["inverted against most others" if one.polarity < 0 else "polarity as promised"]
    if abs(one.late_s) >= WORTH_S:
        said.append(f"{1e3 * abs(one.late_s):.1f} ms {'late' if one.late_s > 0.0 else 'early'}")
    if abs(one.level_db) >= WORTH_DB:
        said.append(f"{abs(one.level_db):z.1f} dB {'louder' if one.level_db > 0.0 else 'softer'}")
    return ", ".join(said)


def difference_rows(found: Verified) -> tuple[list[str], list[list[str]]]:
    """Headers, and a row for each seat and one for their mean."""
    centre, promised, level, _ = found.bands()
    off = level - promised
    rows = [
        [name(seat), *(f"{value:+z.1f}" for value in off[:, index])] for index, seat in enumerate(found.pair.seat_name)
    ]
    rows.append(["rms over the seats", *(f"{value:.1f}" for value in np.sqrt(np.mean(off**2, axis=1)))])
    return ["Hz", *(f"{hz:g}" for hz in centre)], rows


def levels_words(found: Verified) -> str:
    """What the differences count from."""
    if found.pair.by_model:
        return (
            "At each frequency the mean over the seats is taken as promised: the plan rests on the model, which does "
            "not know how the subs themselves roll off."
        )
    return "The mean level over seats and band is taken as promised; the microphone's gain is not known."


def verified_json(plan: Plan, found: Verified) -> dict[str, Any]:
    """What `verify --json` prints."""
    centre, promised, level, explained = found.bands()
    return {
        "name": plan.project.name,
        "subs": list(found.pair.sub_name),
        "seats": list(found.pair.seat_name),
        "by_model": found.pair.by_model,
        "variation_db": {
            "promised": found.variation_promised_db,
            "found": found.variation_found_db,
            "explained": found.variation_explained_db,
        },
        "allowed_db": found.allowed_db,
        "within": found.within,
        "rest_within": found.rest_within,
        "left": {"as_promised": found.suspects.misfit, "with_changes": found.suspects.left},
        "left_over_noise": found.over_noise,
        "changes": [
            {
                "sub": found.pair.sub_name[one.sub],
                "gain_db": one.gain_db,
                "delay_ms": 1e3 * one.delay_s,
                "polarity": one.polarity,
            }
            for one in found.suspects.changes
        ],
        "singles": [
            {"sub": one.name, "polarity": one.polarity, "delay_ms": 1e3 * one.late_s, "gain_db": one.level_db}
            for one in found.singles
        ],
        "third_octaves": {
            "hz": list(centre),
            "promised_db": promised.tolist(),
            "found_db": level.tolist(),
            "explained_db": explained.tolist(),
        },
        "frequency_hz": found.pair.frequency_hz.tolist(),
        "promised_db": found.promised_db.T.tolist(),
        "found_db": found.found_db.T.tolist(),
    }


def _s(count: int) -> str:
    return "s" if count == 1 else ""
