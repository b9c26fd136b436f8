"""A plan over time, in words and as plain data."""

from typing import Any

import numpy as np

from cli.terminal.output import Page, name
from cli.words.basis import basis_words, reduced_words, responses_word
from cli.words.plan import subs_word
from cli.words.room import mode_name
from roommodes.plan.plan import Plan
from roommodes.responses.decay_view import heard_from_s
from roommodes.responses.metrics import LATE_MS
from roommodes.responses.third_octaves import FIRST_BAND, NOMINAL_HZ
from solvers.listening.over_time import BeforeAfterTime, Seen

MOST_MODES = 16  # shown; the loudest


def print_decay(page: Page, plan: Plan, found: BeforeAfterTime) -> None:
    """Decay by band, the modes behind it, arrivals at every seat."""
    page.heading(f"{name(plan.project.name)}: over time, {subs_word(plan.subs)}")
    if basis := basis_words(plan.results, "The modes' frequencies and decay times are"):
        page.line(basis)
    tuned = " and its filters" if plan.tuning else ""
    page.line(f"Before: the same subs with identical settings. After: with the plan's settings{tuned}.")
    _print_bands(page, found)
    if found.modes:
        _print_modes(page, found)
    _print_arrivals(page, plan, found)
    if words := reduced_words(found.error):
        page.line(words)


def _print_bands(page: Page, found: BeforeAfterTime) -> None:
    """Decay time in each band, before and after."""
    page.heading("Decay time in third-octave bands")
    rows = [
        [f"{nominal:g} Hz", _seconds(before), _seconds(after), f"{shortest:.2f} s", f"{heard:.2f} s"]
        for nominal, before, after, shortest, heard in third_octave_rows(found)
    ]
    page.table(["band", "before", "after", "shortest visible", "threshold of audibility"], rows, right=(0, 1, 2, 3, 4))
    page.line(
        "Time to fall by 60 dB, from the fall between -5 and -25 dB, all seats together; -: it could not be followed. "
        "shortest visible: what the band itself shows. threshold of audibility: shorter decays of a single mode were "
        "not heard as ringing (N. Stephenson, PhD thesis, Salford 2012: 0.85 s at 32 Hz, 0.2 s from 100 Hz on; "
        "straight between)."
    )


def _print_modes(page: Page, found: BeforeAfterTime) -> None:
    """The modes that are loudest at the seats."""
    page.heading("Modes as built")
    order = np.argsort(-np.maximum(found.before.mode_db, found.after.mode_db))[:MOST_MODES]
    rows = [
        [
            mode_name(mode) if len(mode.number) == 1 else " ".join(map(str, mode.number)),
            f"{mode.frequency_hz:.1f} Hz",
            f"{mode.decay_time_s:.2f} s",
            f"{100.0 * mode.share:.0f} %",
            f"{found.before.mode_db[place]:+z.1f} dB",
            f"{found.after.mode_db[place]:+z.1f} dB",
        ]
        for place, mode in (
            (int(place), found.modes[int(place)])
            for place in sorted(order, key=lambda one: found.modes[one].frequency_hz)
        )
    ]
    headers = ["mode", "frequency", "decay time", "share", "level before", "level after"]
    page.table(headers, rows, right=(1, 2, 3, 4, 5))
    if len(found.modes) > len(rows):
        page.line(
            f"Listed are the {len(rows)} of {len(found.modes)} modes that are loudest at the seats, before or after."
        )
    page.line(
        "share: of the response at the mode's frequency, over all places in the room. A mode's decay time belongs "
        "to the room: no setting and no filter changes it. What the settings change is how strongly it is excited: "
        "its level at the seats, re the mean over the band."
    )


def _print_arrivals(page: Page, plan: Plan, found: BeforeAfterTime) -> None:
    """When the subs arrive at every seat, and whether the last is late."""
    page.heading("Arrival at every seat")
    rows = [
        [
            name(seat),
            f"{1e3 * found.first_s[index]:z.1f} ms",
            f"{1e3 * found.last_s[index]:z.1f} ms",
            f"{1e3 * found.late_s[index]:z.1f} ms",
            f"{1e3 * found.before.energy_s[index]:z.0f} ms",
            f"{1e3 * found.after.energy_s[index]:z.0f} ms",
        ]
        for index, seat in enumerate(plan.seats.name)
    ]
    headers = ["seat", "first sub", "last sub", "last after first", "energy before", "energy after"]
    page.table(headers, rows, right=(1, 2, 3, 4, 5))
    low, high = plan.project.search.delay_ms
    page.line(
        "Direct sound after the earliest sub's signal, from distances; energy: its centre in the band, the room's "
        f"ringing included. {late_words(found)} [search] delay_ms kept the plan's delays within {low:g} to {high:g} "
        "ms: narrow it to limit how late bass may come."
    )


def late_words(found: BeforeAfterTime) -> str:
    """Whether the last sub comes late."""
    worst_ms = 1e3 * float(found.late_s.max())
    if worst_ms <= LATE_MS:
        return (
            f"The last sub comes at most {worst_ms:.0f} ms after the first; {LATE_MS:g} ms is commonly kept, no source."
        )
    return (
        f"The last sub comes up to {worst_ms:z.0f} ms after the first, more than the {LATE_MS:g} ms that are commonly "
        "kept (no source)."
    )


def third_octave_rows(found: BeforeAfterTime) -> list[tuple[float, float, float, float, float]]:
    """Nominal frequency, decay before and after, shortest visible, threshold of audibility, by third-octave."""
    view, after = found.before.view, found.after.view
    rows = []
    for number, nominal in enumerate(NOMINAL_HZ):
        exact = 10.0 ** ((number + FIRST_BAND) / 10.0)
        at = int(np.argmin(np.abs(np.log(view.centre_hz / exact))))
        if abs(np.log2(view.centre_hz[at] / exact)) > 1.0 / 20.0:
            continue
        heard = float(heard_from_s(np.array([exact]))[0])
        rows.append((nominal, float(view.decay_s[at]), float(after.decay_s[at]), float(view.shortest_s[at]), heard))
    return rows


def decay_json(plan: Plan, found: BeforeAfterTime) -> dict[str, Any]:
    """What `decay --json` prints; a decay time of null could not be followed."""

    def seen(one: Seen) -> dict[str, Any]:
        return {
            "decay_s": one.view.decay_s.tolist(),
            "level_db": np.round(one.view.level_db(), 2).tolist(),
            "energy_ms": (1e3 * one.energy_s).tolist(),
        }

    view = found.before.view
    return {
        "project": plan.project.name,
        "responses": responses_word(plan.results),
        "subs": plan.subs,
        "rank": plan.rank,
        "response_error": found.error,
        "centre_hz": view.centre_hz.tolist(),
        "time_s": view.time_s.tolist(),
        "axes": "level_db: band, time",
        "shortest_s": view.shortest_s.tolist(),
        "heard_from_s": heard_from_s(view.centre_hz).tolist(),
        "before": seen(found.before),
        "after": seen(found.after),
        "modes_from": "the model of the project's room",
        "modes": [
            {
                "number": list(mode.number),
                "textbook": None if mode.textbook is None else list(mode.textbook),
                "frequency_hz": mode.frequency_hz,
                "decay_s": mode.decay_time_s,
                "share": mode.share,
                "before_db": float(found.before.mode_db[place]),
                "after_db": float(found.after.mode_db[place]),
            }
            for place, mode in enumerate(found.modes)
        ],
        "seats": [
            {
                "name": seat,
                "first_ms": 1e3 * float(found.first_s[index]),
                "last_ms": 1e3 * float(found.last_s[index]),
                "late_ms": 1e3 * float(found.late_s[index]),
            }
            for index, seat in enumerate(plan.seats.name)
        ],
    }


def _seconds(value: float) -> str:
    return f"{value:.2f} s" if np.isfinite(value) else "-"
