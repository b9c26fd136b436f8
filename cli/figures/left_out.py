"""Errors at places left out: by third octave and by place, each way."""

import numpy as np
from matplotlib.axes import Axes

from cli.figures.common_axes import FAINT, ROW_COLOURS, frequency_axis, plain
from roommodes.measured.data import MeasuredSet
from roommodes.storage.left_out import LeftOutTable
from solvers.field.errors import LeftOut

LINES = (
    (ROW_COLOURS[0], "-", "o"),
    (ROW_COLOURS[1], (0, (5, 1.6)), "s"),
    (ROW_COLOURS[2], (0, (1.2, 1.2)), "^"),
)
MOST_SHOWN = 150.0  # percent


def by_band(axes: Axes, table: LeftOutTable) -> Axes:
    """Share of the rms that is left in each third octave."""
    bands = table.band_hz > 0.0
    hz = table.band_hz[bands]
    for way, (colour, dash, marker) in enumerate(LINES[: len(table.way)]):
        left = np.minimum(100.0 * table.left[bands, way], MOST_SHOWN)
        axes.plot(hz, left, color=colour, linestyle=dash, marker=marker, label=table.way[way])
    frequency_axis(axes, np.array([hz[0] * 0.94, hz[-1] * 1.06]))
    axes.set_xlabel("third octave [Hz]")
    axes.set_ylim(bottom=0.0)
    axes.set_ylabel("error [% of the responses' rms]")
    axes.set_title("Places left out, by third octave", loc="left", fontsize=10)
    axes.legend(frameon=False)
    return axes


def by_place(axes: Axes, measured: MeasuredSet, checked: LeftOut) -> Axes:
    """The same at each place."""
    at, highest = np.arange(len(measured.seats)), 0.0
    for way, (colour, _, marker) in zip(checked.ways, LINES, strict=False):
        share = 100.0 * checked.by_place(way)
        highest = max(highest, float(share.max()))
        axes.plot(at, np.minimum(share, MOST_SHOWN), color=colour, marker=marker, linestyle="none", label=way)
    axes.set_xticks(at, [plain(one, 14) for one in measured.seats.name], rotation=60, ha="right")
    axes.set_ylim(0.0, 1.04 * min(1.1 * highest, MOST_SHOWN) or 1.0)
    title = "Places left out, each" + (f" (at most {MOST_SHOWN:g} % shown)" if highest > MOST_SHOWN else "")
    axes.set_ylabel("error [% of the responses' rms]")
    axes.set_title(title, loc="left", fontsize=10)
    axes.grid(axis="y", color=FAINT, linewidth=0.5)
    return axes
