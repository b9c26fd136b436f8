"""A prediction in words: third-octave levels at every seat, and the same as plain data for machines."""

from typing import Any

import numpy as np

from cli.terminal.output import Page, name
from cli.words.basis import weighting_words
from cli.words.kinds.mixes import price_line
from cli.words.plan import drive_lines, from_walls
from roommodes.arrays import Floats
from roommodes.lengths import lengths_of
from roommodes.plan.plan import Plan
from roommodes.project.placing.standing import hanging_words
from roommodes.responses.metrics import normalised
from roommodes.responses.third_octaves import third_octaves


def shown_levels(plan: Plan) -> tuple[Floats, str]:
    """The levels to show, (n_freq, n_seat), and what they refer to: the loudest sub stands at its limit."""
    highest = plan.highest_level_db
    return (plan.level_at_limit_db, plan.results.level_unit) if highest is None else (highest, plan.results.level_unit)


def print_prediction(page: Page, plan: Plan, *, whose: str = "in the file") -> None:
    """The layout, the levels per third-octave, and what they come to; `whose` says where the layout comes from."""
    room = plan.project.room
    page.heading(f"{name(plan.project.name)}: the layout {whose}")
    lengths = lengths_of(plan.project)
    each, several = zip(plan.positions_m, drive_lines(plan.drives), strict=True), len(plan.project.kinds) > 1
    kinds = [[name(kind.name)] if several else [] for kind in plan.kinds]
    rows = [
        [str(number), *kind, from_walls(position, room, lengths), words]
        for number, ((position, words), kind) in enumerate(zip(each, kinds, strict=True), start=1)
    ]
    page.table(["sub", *(["kind"] if several else []), "where it stands", "gain, delay, polarity"], rows, right=(0,))
    if said := price_line(plan):
        page.line(said)
    for line in hanging_words(plan.project, plan.positions_m, plan.kind):
        page.line(line)
    levels, unit = shown_levels(plan)
    absolute = plan.highest_level_db is not None
    page.heading(f"Level at every seat, third-octave bands [{unit}]")
    centres, bands = third_octaves(plan.frequency_hz, levels)
    mean = 10.0 * np.log10(np.mean(10.0 ** (levels / 10.0), axis=0))
    rows = [
        [name(seat), *(f"{level:.0f}" for level in bands[:, index]), f"{mean[index]:.1f}"]
        for index, seat in enumerate(plan.seats.name)
    ]
    spread = _spread_db(plan)
    band_spread = _band_spread_db(plan.frequency_hz, spread)
    rows.append(["variation", *(f"{value:z.1f}" for value in band_spread), f"{plan.variation_db:.1f}"])
    headers = ["Hz", *(f"{centre:g}" for centre in centres), "band"]
    page.table(headers, rows, right=tuple(range(1, len(headers))))
    page.line(
        f"Seat-to-seat variation {plan.variation_db:z.2f} dB over {plan.frequency_hz[0]:g} to "
        f"{plan.frequency_hz[-1]:g} Hz; output {plan.output_db:z.1f} dB (mean level at the seats, all subs "
        "at their limit, against the same subs in phase at 1 m, free field)."
    )
    if weighted := weighting_words(plan.results):
        page.line(weighted)
    page.line(
        "Levels are the highest clean ones: the loudest sub stands at its limit, the others by their gains below it."
        " Levels like these can harm hearing within minutes: start quietly."
        if absolute
        else "0 dB is the level of one sub at full gain at 1 m in free field; where [subwoofer] says how loud it "
        "plays (max_level_1m_db, bursts or driver), levels come in dB SPL."
    )


def prediction_json(plan: Plan) -> dict[str, Any]:
    """What `predict --json` prints: every level at every frequency."""
    levels, unit = shown_levels(plan)
    return {
        "name": plan.project.name,
        "seats": list(plan.seats.name),
        "frequency_hz": plan.frequency_hz.tolist(),
        "level_db": levels.T.tolist(),
        "level_unit": unit,
        "variation_db": plan.variation_db,
        "output_db": plan.output_db,
    }


def _spread_db(plan: Plan) -> Floats:
    """Standard deviation over the weighted seats at each frequency: (n_freq,) [dB]."""
    weight = normalised(plan.seats.weight)
    deviation = plan.level_db - (plan.level_db @ weight)[:, None]
    return np.asarray(np.sqrt((deviation**2) @ weight))


def _band_spread_db(frequency_hz: Floats, spread_db: Floats) -> Floats:
    """Root mean square of the spread in each third-octave: (n_band,) [dB]."""
    _, squares = third_octaves(frequency_hz, 20.0 * np.log10(np.maximum(spread_db, 1e-12))[:, None])
    return np.asarray(10.0 ** (squares[:, 0] / 20.0))
