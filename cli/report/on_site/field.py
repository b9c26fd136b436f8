"""The report's section on what was estimated from the measurements: a map of the room that is not the model's."""

import numpy as np
from matplotlib.figure import Figure

from cli.figures.field_maps import drawn_plane
from cli.figures.report import FEW_SEATS, STEP_DB, level_key
from cli.report.blocks import Picture, Section, Text
from cli.report.level_maps import STILLS, STILLS_IN, STILLS_OF_MANY, telling_frames
from cli.report.on_site.left_out import worth_blocks
from roommodes.estimates.field_file import FieldFile
from roommodes.lengths import lengths_of
from roommodes.plan.plan import Plan
from solvers.field.plane import HARDLY_DB, FieldPlane, field_plane


def field_section(plan: Plan, field: FieldFile | None, *, source: str = "field") -> Section | None:
    """The plan over a field's grid of places, at the frequencies at which the seats differ most; None without a field.

    Raises
    ------
    ProjectInvalid : the places are no grid, or the field is not the plan's.
    """
    if field is None:
        return None
    frames = telling_frames(plan.level_db, plan.frequency_hz, STILLS_OF_MANY if len(plan.seats) > FEW_SEATS else STILLS)
    found = field_plane(plan, field, plan.frequency_hz[frames], source=source)
    height = lengths_of(plan.project).text(found.height_m)
    told = plan.measured is not None and plan.measured.estimated is not None  # with the estimated seats
    known = np.isfinite(found.level_db)
    hardly = float(found.hardly_known[known].mean())
    return Section(
        key="field",
        heading="Where it is loud and quiet, from the measurements",
        blocks=(
            Text(
                text=f"Level over the room at {height}, estimated from the responses at "
                f"{len(field.microphones.name)} measured places and not from the model alone, with the plan's settings "
                f"and filters, about the average over the seats: light is loud, dark is quiet, a step every "
                f"{STEP_DB:g} dB. "
                f"Dotted: known worse than {HARDLY_DB:g} dB (one standard deviation), {hardly:.0%} of these maps; do "
                "not rest a decision on what is shown there."
            ),
            _picture(plan, found),
            *(() if told else worth_blocks(field.left_out)),
        ),
    )


def _picture(plan: Plan, found: FieldPlane) -> Picture:
    count = len(found.frequency_hz)

    def draw(figure: Figure) -> None:
        grid = figure.add_gridspec(2, count, height_ratios=[1.0, 0.06])
        for frame in range(count):
            drawn_plane(figure.add_subplot(grid[0, frame]), plan, found, frame)
        level_key(figure.add_subplot(grid[1, :]))

    length_m, width_m, _ = plan.project.room.size_m
    each = min(3.4, STILLS_IN / count * width_m / length_m)  # height of a map [inch]
    about = found.level_db - found.seat_db.mean(axis=1)[:, None, None]
    told = "; ".join(
        f"at {hz:.0f} Hz from {np.nanmin(level):+z.0f} to {np.nanmax(level):+z.0f} dB"
        for hz, level in zip(found.frequency_hz, about, strict=True)
    )
    return Picture(
        title="Estimated from the measurements, at the frequencies at which the seats differ most.",
        alt=f"Levels over the room relative to the average over the seats: {told}.",
        size_in=(STILLS_IN, each + 0.8),
        draw=draw,
        raster=True,
    )
