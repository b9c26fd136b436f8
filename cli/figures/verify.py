"""The figure of a verified plan: levels at the seats promised and found, and where they differ."""

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from cli.figures.common_axes import (
    FAINT,
    INK,
    ROW_COLOURS,
    STYLE,
    figure_bytes,
    frequency_axis,
    level_axis,
    new_figure,
    plain,
    row_name,
    seat_levels,
)
from solvers.verification.outcome import Verified

LEVEL = "level [dB, the plan's scale]"
LARGEST_DB = 6.0


def verify_page(title: str, found: Verified, suffix: str) -> bytes:
    """All seats promised and found, and the difference by seat and band, as PNG or SVG."""
    with mpl.rc_context(STYLE):
        figure = new_figure(12.0, 8.0)
        draw_verified(figure, found)
        figure.suptitle(plain(title, 90))
        return figure_bytes(figure, suffix)


def draw_verified(figure: Figure, found: Verified) -> None:
    """Draw on an empty figure."""
    grid = figure.add_gridspec(2, 2, height_ratios=(1.2, 1.0))
    upper = [figure.add_subplot(grid[0, column]) for column in (0, 1)]
    _levels(upper, found)
    upper[1].legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, fontsize=8, handlelength=3.2)
    worst_seat(figure.add_subplot(grid[1, 0]), found)
    differences(figure.add_subplot(grid[1, 1]), found)


def draw_levels(figure: Figure, found: Verified) -> None:
    """All seats as promised over all as found, with one key below: for a page that is higher than wide."""
    upper, lower = figure.subplots(2, 1, sharex=True)
    _levels((upper, lower), found)
    upper.set_xlabel("")
    figure.legend(
        *lower.get_legend_handles_labels(),
        loc="outside lower center",
        ncols=3,
        frameon=False,
        fontsize=8,
        handlelength=3.2,
    )


def _levels(panels: Sequence[Axes], found: Verified) -> None:
    """All seats as promised and as found, without a key."""
    rows = list(dict.fromkeys(map(row_name, found.pair.seat_name)))
    row = [rows.index(row_name(seat)) for seat in found.pair.seat_name]
    for axes, level, word, variation in (
        (panels[0], found.promised_db, "promised", found.variation_promised_db),
        (panels[1], found.found_db, "found", found.variation_found_db),
    ):
        seat_levels(
            axes,
            frequency_hz=np.asarray(found.pair.frequency_hz),
            level_db=level,
            seat_name=found.pair.seat_name,
            seat_row=row,
            title=f"Every seat as {word}: variation {variation:.2f} dB",
            level_label=LEVEL,
            legend=False,
        )
        axes.plot(found.pair.frequency_hz, level.mean(axis=1), color=INK, linewidth=2.0, label="average over the seats")
        level_axis(axes, found.promised_db, found.found_db)


def worst_seat(axes: Axes, found: Verified) -> Axes:
    """The seat that is furthest from the promise."""
    seat = int(np.mean((found.found_db - found.promised_db) ** 2, axis=0).argmax())
    hz = found.pair.frequency_hz
    axes.plot(hz, found.promised_db[:, seat], color=ROW_COLOURS[0], label="promised")
    axes.plot(hz, found.found_db[:, seat], color=INK, linestyle=(0, (5, 1.6)), linewidth=1.8, label="found")
    if found.suspects.changes:
        axes.plot(
            hz,
            found.explained_db[:, seat],
            color=ROW_COLOURS[1],
            linestyle=(0, (1.2, 1.2)),
            label="promised, with the settings that look wrong",
        )
    frequency_axis(axes, hz)
    axes.set_ylabel(LEVEL)
    level_axis(axes, found.promised_db, found.found_db)
    axes.set_title(f"Furthest off: {plain(found.pair.seat_name[seat])}", loc="left", fontsize=10)
    axes.legend(frameon=False)
    return axes


def differences(axes: Axes, found: Verified) -> Axes:
    """Found less promised, by seat and third octave, with figures in the cells."""
    centre, promised, level, _ = found.bands()
    off = (level - promised).T
    axes.imshow(off, cmap="PuOr_r", vmin=-LARGEST_DB, vmax=LARGEST_DB, aspect="auto")
    for row, column in np.ndindex(off.shape):
        colour = "#fff" if abs(off[row, column]) > 0.55 * LARGEST_DB else INK
        axes.text(column, row, f"{off[row, column]:+z.1f}", ha="center", va="center", fontsize=7, color=colour)
    axes.set_xticks(np.arange(len(centre)), [f"{hz:g}" for hz in centre])
    axes.set_yticks(np.arange(len(found.pair.seat_name)), [plain(one, 16) for one in found.pair.seat_name])
    axes.set_xlabel("third octave [Hz]")
    axes.set_title("Found minus promised [dB]", loc="left", fontsize=10)
    axes.grid(False)
    axes.spines[:].set_color(FAINT)
    return axes
