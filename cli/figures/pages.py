"""Whole figures, ready to be written: the room from above beside the levels at its seats."""

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from cli.figures.common_axes import STYLE, FloorBox, SubMark, figure_bytes, new_figure, plain, plan_view, seat_levels
from cli.words.levels import shown_levels
from cli.words.plan import BEST, drive_line, drive_words, subs_word
from roommodes.plan.file import Results
from roommodes.project.glass import glass_of
from roommodes.project.project import Project
from solvers.listening.layout import Prediction


def prediction_page(project: Project, prediction: Prediction, suffix: str) -> bytes:
    """The layout of the project and the level at every seat, as PNG or SVG."""
    layout = project.layout
    assert layout is not None, "a prediction has a layout"
    drives = zip(layout.gain_db, layout.delay_ms, layout.polarity, strict=True)
    subs = [
        SubMark(position_m=position, drive=drive_line(gain, delay * 1e-3, sign))
        for position, (gain, delay, sign) in zip(layout.positions_m, drives, strict=True)
    ]
    levels, unit = shown_levels(prediction)
    with mpl.rc_context(STYLE):
        figure = new_figure(12.5, 5.6)
        left, right = figure.subplots(1, 2, width_ratios=(1.0, 1.15))
        _room(left, project, subs, title=f"{plain(project.name, 48)}: layout in the file")
        seat_levels(
            right,
            frequency_hz=prediction.frequency_hz,
            level_db=levels,
            seat_name=prediction.seats.name,
            seat_row=prediction.seats.row.tolist(),
            title="Level at the seat"
            if len(prediction.seats) == 1
            else f"Level at every seat: variation {prediction.variation_db:.2f} dB",
            level_label=f"level [{unit}]",
        )
        return figure_bytes(figure, suffix)


def plans_page(project: Project, results: Results, suffix: str) -> bytes:
    """The recommended plan from above, and the level at every seat with the best plan of each count."""
    counts = list(results.plans)
    advice = results.choices.recommendation
    drawn = advice.subs if advice is not None and advice.subs in results.plans else counts[-1]
    table = results.plans[drawn]
    subs = [
        SubMark(position_m=tuple(results.candidates.position_m[candidate]), drive=drive_words(table, sub))
        for sub, candidate in enumerate(table.candidate_index[BEST])
    ]
    seats = results.seats
    levels = [results.plans[count].level_db[BEST] for count in counts]
    middles = [float(np.mean(level)) for level in levels]
    reach = max(float(np.abs(level - middle).max()) for level, middle in zip(levels, middles, strict=True)) + 1.0
    with mpl.rc_context(STYLE):
        figure = new_figure(12.5, max(5.6, 2.1 * len(counts)))
        grid = figure.add_gridspec(len(counts), 2, width_ratios=(1.0, 1.15))
        title = f"{plain(project.name, 48)}: {subs_word(drawn)}"
        _room(figure.add_subplot(grid[:, 0]), project, subs, title=title, candidates=True)
        for place, (count, level, middle) in enumerate(zip(counts, levels, middles, strict=True)):
            axes = figure.add_subplot(grid[place, 1])
            alone = len(seats) == 1
            figure_db = results.plans[count].output_db if alone else results.plans[count].variation_db
            seat_levels(
                axes,
                frequency_hz=results.frequency_hz,
                level_db=level - middle,
                seat_name=seats.name,
                seat_row=seats.row.tolist(),
                title=f"{subs_word(count)}: {'output' if alone else 'variation'} {float(figure_db[BEST]):.2f} dB",
                level_label="re mean [dB]",
                legend=place == 0,
            )
            axes.set_ylim(-min(reach, 30.0), min(reach, 20.0))
            if place < len(counts) - 1:
                axes.set_xlabel("")
        return figure_bytes(figure, suffix)


def _room(axes: Axes, project: Project, subs: Sequence[SubMark], *, title: str, candidates: bool = False) -> None:
    seats = project.seats()
    plan_view(
        axes,
        room=project.room(),
        seat_m=seats.position_m,
        seat_row=seats.row.tolist(),
        row_name=[row.name for row in project.rows],
        subs=subs,
        title=title,
        candidate_m=project.candidates().position_m if candidates else None,
        glass=glass_of(project),
        keep_outs=[
            FloorBox(name=box.name, from_m=(box.low[0], box.low[1]), to_m=(box.high[0], box.high[1]))
            for box in project.keep_outs
        ],
        screen_width_m=project.screen.width_m if project.screen else None,
    )
