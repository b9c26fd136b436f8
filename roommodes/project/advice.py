"""Plain warnings about a project: what a practised eye would remark on the drawing, with the numbers.

Each warning is one sentence or two: what was found, why it matters, what to do. None of them is an error.

References
----------
Distances of heads from the rear wall and of subwoofers from seats: common practice, no source.
"""

from collections.abc import Iterator, Sequence
from math import log, pi

import numpy as np

from roommodes.acoustics.built_modes import BuiltMode
from roommodes.acoustics.rigid_modes import crossover_hz
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.shaped_boundary import touched_area_m2
from roommodes.acoustics.visible_surfaces import visible
from roommodes.lengths import METRIC, Lengths, lengths_of
from roommodes.places.seats import Seats
from roommodes.places.sight import VIEWING_DEG, hidden_m, viewing_angle_deg
from roommodes.project.placing.behind import behind
from roommodes.project.placing.mains_checks import mains_warnings
from roommodes.project.placing.standing import standing_warnings
from roommodes.project.placing.symmetry import mirror_warnings
from roommodes.project.project import Project
from roommodes.project.shape_checks import shape_warnings
from roommodes.project.wall_advice import beta_of, covered_glass, pane_warnings, reaction_warnings

REAR_WALL_M = 1.1  # heads nearer to the rear wall hear it: common practice, no source
NEAR_SEAT_M = 0.7  # a sub nearer than this is heard as such by that seat: common practice, no source
ON_NULL_M = 0.10
AWAY_M = 0.2  # that a seat on a null plane is to be moved
NULL_SHARE = 0.3  # of the response at its frequency: a weaker mode's null takes little bass from a seat
NULL_BELOW_HZ = 80.0  # null planes of higher modes are too close together to keep every seat off them
AXIS_NAMES = ("x", "y", "z")


def project_warnings(project: Project) -> tuple[str, ...]:
    """Warnings that need no solution of the room: seats, zones, glass, the band's limits."""
    room, surfaces, seats, lengths = project.room, project.surfaces(), project.seats, lengths_of(project)
    low_hz, high_hz = project.search.band_hz
    return (
        *(shape_warnings(room.shape, lengths) if room.blocks or room.slopes else ()),
        *_rear_rows(project),
        *_sight(project),
        *_near_zones(project, seats),
        *standing_warnings(project),
        *mirror_warnings(project),
        *mains_warnings(project),
        *covered_glass(surfaces, lengths),
        *pane_warnings(surfaces, low_hz=low_hz, high_hz=high_hz, lengths=lengths),
        *reaction_warnings(room, surfaces, low_hz=low_hz, high_hz=high_hz, lengths=lengths),
        *model_warnings(room, surfaces, high_hz=high_hz),
    )


def model_warnings(room: Room, surfaces: Sequence[Surface], *, high_hz: float) -> tuple[str, ...]:
    """Where the model stops being valid: above the modal range [Hz]."""
    decay = decay_estimate_s(room, surfaces, hz=high_hz)
    edge = crossover_hz(room, decay)
    if high_hz <= edge:
        return ()
    return (
        f"the band ends at {high_hz:g} Hz, but above about {edge:.0f} Hz (decay time about {decay:.2f} s in "
        f"{room.volume_m3:.0f} m3) this room's modes overlap too much for single peaks and nulls to be trusted: "
        "small changes of furniture move them. Take the plan above that as a tendency, or end the band lower.",
    )


def decay_estimate_s(room: Room, surfaces: Sequence[Surface], *, hz: float) -> float:
    """Decay time of an oblique mode near `hz` from the walls' admittances and the bulk loss [s].

    delta = c sum(S Re beta) / V + omega eta / 2, the small-admittance value (Kuttruff, section 3.3, from memory;
    `decay` finds the true ones). A pane counts as its mass would, with what lies before it.
    """
    omega = np.array([2.0 * pi * hz], dtype=np.complex128)
    absorbed = 0.0
    for surface in visible(surfaces):
        area = touched_area_m2(room, surface)
        beta = beta_of(surface.law, omega, room.air)
        absorbed += area * float(beta[0].real)
    delta = room.air.speed_of_sound_m_s * absorbed / room.volume_m3 + pi * hz * room.loss_factor
    return log(1e3) / max(delta, 1e-3)


def null_warnings(modes: Sequence[BuiltMode], seats: Seats, lengths: Lengths = METRIC) -> tuple[str, ...]:
    """Seats on a null plane, as built, of a low mode along one axis that the response shows well."""
    found = []
    for mode in modes:
        axial = sum(n > 0 for n in mode.number) == 1
        if not axial or mode.frequency_hz > NULL_BELOW_HZ or mode.share < NULL_SHARE:
            continue
        for plane in mode.null_planes:
            if plane.built_m is None:
                continue
            near = np.abs(seats.position_m[:, plane.axis] - plane.built_m) <= ON_NULL_M
            if near.any():
                names = ", ".join(name for name, hit in zip(seats.name, near, strict=True) if hit)
                found.append(
                    f"{names}: on the null plane of the {mode.frequency_hz:.1f} Hz mode "
                    f"({AXIS_NAMES[plane.axis]} = {lengths.text(plane.built_m)} as built). That mode brings no bass "
                    f"there; only other modes do. Move the seat by {lengths.text(AWAY_M, 'g')} or more, or check the "
                    "plan's level there."
                )
    return tuple(found)


def _rear_rows(project: Project) -> Iterator[str]:
    lengths = lengths_of(project)
    for row in project.rows:
        found = behind(project, row)
        if round(found.least_m, 2) >= REAR_WALL_M:  # as it is printed
            continue
        gap, usual = lengths.text(found.least_m), f"{lengths.text(REAR_WALL_M, 'g')} or more is common practice."
        seats = ", ".join(map(str, found.seats))
        who = f'row "{row.name}"' + ("" if found.even else f", seat{'s' if len(found.seats) > 1 else ''} {seats},")
        if found.what is None:
            yield (
                f"{who} is {gap} from the rear wall: every mode is at its loudest there and the wall is heard. {usual}"
            )
        else:
            yield f'{who} has "{found.what}" {gap} behind the heads: what comes back from it is heard. {usual}'


def _sight(project: Project) -> Iterator[str]:
    """Rows that see the picture under an unusual angle, or its foot not over the heads in front."""
    screen, lengths = project.screen, lengths_of(project)
    if screen is None:
        return
    picture, (least, most) = screen.picture, VIEWING_DEG
    eyes = [(row.x_m, project.row_height_m(row)) for row in project.rows]
    for row, eye in zip(project.rows, eyes, strict=True):
        away = row.x_m - picture.at_m
        if away <= 0.0:
            where = lengths.text(picture.at_m)
            yield f'row "{row.name}" is not behind the picture, which is {where} from the front wall.'
            continue
        angle = viewing_angle_deg(screen_width_m=picture.width_m, distance_m=away)
        if not least <= round(angle) <= most:
            yield (
                f'row "{row.name}" sees the picture {angle:.0f} deg wide; {least:g} to {most:g} deg is common '
                "practice, no source. Move the row or take another width."
            )
        if picture.foot_m is not None and round(raised := hidden_m(picture, eye, eyes), 3) > 0.0:
            yield (
                f'row "{row.name}": heads in front hide the foot of the picture; {lengths.text(raised)} higher, on a '
                "riser, it would be seen (crowns 0.12 m over the eyes, eyes at ear height: common practice, no source)."
            )


def _near_zones(project: Project, seats: Seats) -> Iterator[str]:
    candidates, lengths = project.candidates, lengths_of(project)
    for zone in dict.fromkeys(candidates.zone):
        chosen = [index for index, name in enumerate(candidates.zone) if name == zone]
        gap = np.linalg.norm(candidates.position_m[chosen][:, None] - seats.position_m[None], axis=-1)
        if gap.min() < NEAR_SEAT_M:
            _, seat = np.unravel_index(int(gap.argmin()), gap.shape)
            near = int((gap.min(axis=1) < NEAR_SEAT_M).sum())
            yield (
                f'zone "{zone}": {near} of its {len(chosen)} candidates are within '
                f"{lengths.text(NEAR_SEAT_M, 'g')} of a seat "
                f"(nearest {lengths.text(float(gap.min()))}, {seats.name[seat]}). That seat will hear a sub there as "
                "such. Shrink the zone or add a keep-out."
            )
