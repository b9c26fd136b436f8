"""A fit in words and as JSON."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from cli.terminal.output import Page, counted, name
from cli.words.on_site.left_out import NOT_TOLD, left_out_json, print_left_out
from cli.words.on_site.sources import print_sources, sources_json
from roommodes.acoustics.built_modes import BuiltMode
from roommodes.lengths import Lengths, lengths_of
from roommodes.measured.loading import MeasuredSet
from roommodes.project.project import Project
from roommodes.ranges import number
from solvers.fit.estimate import Estimate
from solvers.fit.moved_modes import MovedMode
from solvers.fit.outcome import Fit
from solvers.fit.parameter import Parameter

BANDS = 8
POSITIONS_SHOWN = 6
TOGETHER_SHOWN = 5
SPLIT = 0.05  # a size or a wall that was drawn a little wrong moves no mode so far


def print_fit(page: Page, project: Project, measured: MeasuredSet, fit: Fit, modes: Sequence[MovedMode]) -> None:
    """Everything that a person needs to judge the fit."""
    page.line(
        f"{project.name}: {measured.name}, {counted(len(measured.subs), 'sub')} at "
        f"{counted(len(measured.seats), 'place')}"
    )
    for note in measured.notes:
        page.line(note, mark="- ")
    page.heading("How well the model explains the measurements")
    page.line(f"{fit.judgement.text} {fit.steps} steps; {fit.stop.value}.")
    compared = fit.compared
    page.line(
        f"Misfit: {compared.misfit_before:.0%} of the responses' rms as drawn, {compared.misfit_after:.1%} as fitted "
        f"(both with the subs' own response fitted). Points per independent sample: {fit.judgement.widening:.1f}."
    )
    page.table(["Hz", "as drawn", "as fitted"], _bands(fit), right=(0, 1, 2))
    for remark in fit.remarks:
        page.line(remark, mark="! ")
    if (left_out := fit.judgement.left_out) is not None:
        print_left_out(page, left_out.table())
    else:
        page.line(NOT_TOLD)
    _print_estimates(page, fit)
    _print_places(page, fit, lengths_of(project))
    print_sources(page, measured, fit)
    if modes:
        _print_modes(page, modes, lengths_of(project))
    page.line()


def _print_estimates(page: Page, fit: Fit) -> None:
    """What the measurements tell of walls, loss and size, and what not."""
    air = fit.situation.room.air
    told = [one for one in fit.estimates if one.told and one.parameter.group not in {"subs", "microphones"}]
    page.heading("What the measurements tell")
    page.table(
        ["what", "parameter", "in the project", "fitted", "+-", "unit", "moved"],
        [_row(one) for one in told],
        right=(2, 3, 4, 6),
    )
    page.line(
        "+-: one standard deviation. moved: in standard deviations of how well such figures are usually known before "
        f"measuring. Lengths hold for air of {number(air.temperature_c)} °C, as the project has it: each degree warmer "
        f"makes them {50.0 / air.temperature_k:.2f} % larger."
    )
    untold = [one for one in fit.estimates if not one.told and one.parameter.group not in {"subs", "microphones"}]
    if untold:
        page.heading("Not identifiable")
        names = ", ".join(
            name(one.parameter.owner) + " " + one.parameter.key if one.parameter.owner else one.parameter.key
            for one in untold
        )
        page.line(f"{names}: known hardly better than before; take their values from elsewhere.")
    pairs = [pair for pair in fit.together if not {pair[0].split(".")[0], pair[1].split(".")[0]} & _places(fit)]
    for one, other, correlation in pairs[:TOGETHER_SHOWN]:
        page.line(f"{one} and {other} are told only together (correlation {correlation:+z.2f}).", mark="- ")


def _print_modes(page: Page, modes: Sequence[MovedMode], lengths: Lengths) -> None:
    """The lowest modes as drawn and as measured, with their null planes."""
    page.heading("What moved: modes and null planes")
    page.table(
        [
            "mode",
            "rigid walls",
            "as drawn",
            "as measured",
            "decay drawn",
            "measured",
            "null planes, from those with rigid walls",
        ],
        [_mode_row(one, lengths) for one in modes],
        right=(1, 2, 3, 4, 5),
    )
    page.line(
        "As measured: by the fitted room. Decay: T60. Null planes: how far the one that moved most lies off. "
        "-: the response does not show it."
    )
    split = [mode_name(one) for one in modes if may_have_split(one)]
    if split:
        page.line(
            f"{', '.join(split)}: as drawn and as measured lie more than {SPLIT:.0%} apart. Beside a resonance of "
            "a pane or a wall a mode becomes two, and of each room another of the two may stand here. Look at the "
            "responses before you act on it.",
            mark="! ",
        )


def _bands(fit: Fit) -> list[list[str]]:
    return [[f"{low:.0f} to {high:.0f}", f"{m[0]:.0%}", f"{m[1]:.1%}"] for low, high, m in _band_means(fit)]


def _band_means(fit: Fit) -> list[tuple[float, float, tuple[float, float]]]:
    """(lowest, highest frequency [Hz], rms misfit before and after) of some bands."""
    before, after = fit.compared.misfit_over_frequency()
    parts = np.array_split(np.arange(len(fit.compared.frequency_hz)), min(BANDS, len(fit.compared.frequency_hz)))
    rows = []
    for part in parts:
        means = (float(np.sqrt(np.mean(before[part] ** 2))), float(np.sqrt(np.mean(after[part] ** 2))))
        rows.append((float(fit.compared.frequency_hz[part[0]]), float(fit.compared.frequency_hz[part[-1]]), means))
    return rows


def _row(one: Estimate) -> list[str]:
    parameter = one.parameter
    return [
        name(parameter.owner) or "room",
        _key(parameter),
        _figure(parameter.start),
        _figure(one.value),
        f"{one.deviation:.2g}",
        parameter.unit,
        f"{one.moved:+z.1f}",
    ]


def _key(parameter: Parameter) -> str:
    return parameter.key if parameter.at_hz is None else f"{parameter.key} at {number(parameter.at_hz)} Hz"


def _figure(value: float) -> str:
    return number(float(f"{value:.4g}"))


def _places(fit: Fit) -> set[str]:
    return {one.parameter.owner for one in fit.estimates if one.parameter.group in {"subs", "microphones"}}


def _print_places(page: Page, fit: Fit, lengths: Lengths) -> None:
    """Positions that moved by more than their uncertainty."""
    places = [one for one in fit.estimates if one.parameter.group in {"subs", "microphones"}]
    if not places:
        return
    page.heading("Where subs and microphones stood")
    off = [one for one in places if abs(one.value - one.parameter.start) > 2.0 * one.deviation]
    off.sort(key=lambda one: -abs(one.value - one.parameter.start))
    for one in off[:POSITIONS_SHOWN]:
        moved, known = (lengths.shift(by, 1) for by in (one.value - one.parameter.start, one.deviation))
        page.line(f"{one.parameter.name}: {moved}, +- {known.removeprefix('+')}", mark="- ")
    if len(off) > POSITIONS_SHOWN:
        page.line(f"and {len(off) - POSITIONS_SHOWN} more coordinates; --json has all.")
    if not off:
        page.line("Everywhere as given, within what the data tell.")


def _mode_row(one: MovedMode, lengths: Lengths) -> list[str]:
    drawn, fitted = one.drawn, one.fitted
    shifts = ["not shown" if mode is None else _shift(mode, lengths) for mode in (drawn, fitted)]
    return [
        mode_name(one),
        f"{one.textbook_hz:.1f} Hz",
        f"{drawn.frequency_hz:.1f} Hz" if drawn else "-",
        f"{fitted.frequency_hz:.1f} Hz" if fitted else "-",
        f"{drawn.decay_time_s:.2f} s" if drawn else "-",
        f"{fitted.decay_time_s:.2f} s" if fitted else "-",
        f"{shifts[0]} as drawn, {shifts[1]} as measured",
    ]


def mode_name(one: MovedMode) -> str:
    """Its three numbers; in a room that is no box those of the mode that it looks like, else its rank."""
    if len(one.number) == 1:
        mode = one.drawn or one.fitted
        alike = None if mode is None else mode.textbook
        return f"no. {one.number[0]}" + ("" if alike is None else f", like {' '.join(map(str, alike))}")
    number = one.number
    return "".join(str(n) for n in number) if max(number) < 10 else " ".join(map(str, number))


def may_have_split(one: MovedMode) -> bool:
    """Whether both rooms' frequencies lie so far apart that they may be two resonances of one mode and a wall."""
    drawn, fitted = one.drawn, one.fitted
    if drawn is None or fitted is None:
        return False
    return abs(fitted.frequency_hz - drawn.frequency_hz) > SPLIT * drawn.frequency_hz


def _shift(mode: BuiltMode, lengths: Lengths) -> str:
    if not mode.null_planes:
        return "none"
    metres = mode.largest_shift_m
    return "none left" if metres is None else lengths.shift(metres)


def fit_json(project: Project, measured: MeasuredSet, fit: Fit, modes: Sequence[MovedMode] | None) -> dict[str, Any]:
    """The same as plain data, with every parameter and frequency; `modes` None where they were not followed."""
    return {
        "project": project.name,
        "set": measured.name,
        "subs": list(measured.subs.name),
        "places": list(measured.seats.name),
        "files": [{"path": one.path, "sha256": one.sha256} for one in measured.files],
        "notes": list(measured.notes),
        "verdict": fit.verdict.name.lower(),
        "verdict_text": fit.judgement.text,
        "freed": None if fit.freed is None else asdict(fit.freed),
        "left_out": None if fit.judgement.left_out is None else left_out_json(fit.judgement.left_out),
        "stop": fit.stop.value,
        "steps": fit.steps,
        "remarks": list(fit.remarks),
        "misfit": _misfit_json(fit),
        "points_that_count_as_one": fit.judgement.widening,
        "parameters": [_estimate_json(one) for one in fit.estimates],
        "correlation": fit.correlation.tolist(),
        "told_only_together": [list(pair) for pair in fit.together],
        "held_and_suspect": {key: {"change": move, "share": share} for key, (move, share) in fit.suspects.items()},
        "own_response": {
            sub: {
                "level_db": (20.0 * np.log10(np.maximum(np.abs(fit.source.own[:, index]), 1e-30))).tolist(),
                "phase_deg": np.rad2deg(np.angle(fit.source.own[:, index])).tolist(),
            }
            for index, sub in enumerate(measured.subs.name)
        },
        "sources": sources_json(measured, fit),
        "responses": [
            {
                "sub": sub,
                "place": place,
                "gain": float(fit.source.gain[row, column]),
                "delay_ms": 1e3 * float(fit.source.delay_s[row, column]),
            }
            for column, sub in enumerate(measured.subs.name)
            for row, place in enumerate(measured.seats.name)
        ],
        "modes": None if modes is None else [_mode_json(one) for one in modes],
    }


def _misfit_json(fit: Fit) -> dict[str, Any]:
    """What the model leaves, in all, over frequency and by band."""
    before, after = fit.compared.misfit_over_frequency()
    return {
        "before": fit.compared.misfit_before,
        "after": fit.compared.misfit_after,
        "noise": fit.judgement.noise,
        "left_over_noise": fit.judgement.excess,
        "frequency_hz": fit.compared.frequency_hz.tolist(),
        "before_over_frequency": before.tolist(),
        "after_over_frequency": after.tolist(),
        "bands": [
            {"low_hz": low, "high_hz": high, "before": means[0], "after": means[1]}
            for low, high, means in _band_means(fit)
        ],
    }


def _estimate_json(one: Estimate) -> dict[str, Any]:
    return {
        "group": one.parameter.group,
        "owner": one.parameter.owner,
        "key": one.parameter.key,
        "at_hz": one.parameter.at_hz,
        "unit": one.parameter.unit,
        "start": one.parameter.start,
        "value": one.value,
        "deviation": one.deviation,
        "moved": one.moved,
        "known": one.known,
        "told": one.told,
    }


def _mode_json(one: MovedMode) -> dict[str, Any]:
    return {
        "number": list(one.number),
        "textbook_hz": one.textbook_hz,
        "as_drawn_hz": one.drawn and one.drawn.frequency_hz,
        "as_fitted_hz": one.fitted and one.fitted.frequency_hz,
        "as_drawn_decay_s": one.drawn and one.drawn.decay_time_s,
        "as_fitted_decay_s": one.fitted and one.fitted.decay_time_s,
        "as_drawn_share": one.drawn and one.drawn.share,
        "as_fitted_share": one.fitted and one.fitted.share,
        "largest_null_plane_shift_m": {
            "as_drawn": one.drawn and one.drawn.largest_shift_m,
            "as_fitted": one.fitted and one.fitted.largest_shift_m,
        },
        "null_planes": [
            {"axis": "xyz"[plane.axis], "textbook_m": plane.rigid_m, "as_fitted_m": plane.built_m}
            for plane in (one.fitted.null_planes if one.fitted else ())
        ],
    }
