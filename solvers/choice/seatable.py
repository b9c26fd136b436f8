"""Where people would sit: rows are moved to no other places."""

from math import inf

from roommodes.places.sight import VIEWING_DEG, hidden_m, viewing_angle_deg
from roommodes.project.advice import REAR_WALL_M
from roommodes.project.project import Project


def seatable(project: Project, number: int, shift_m: float) -> bool:
    """Whether people would sit where a row is moved so far, the other rows as drawn.

    Never in a keep-out. What the drawn place keeps to, the new one must as well: viewing angle, sight line to the
    picture's foot for it and the rows behind it, distance from the rear wall; what it does not, must not get worse.
    """
    rows, drawn = project.rows, _discomfort(project, number, 0.0)
    x = rows[number].x_m + shift_m
    height = project.row_height_m(rows[number])
    ears = [(x, y, height) for y in rows[number].y_m]
    blocked = any(
        all(low < at < high for low, at, high in zip(box.low, ear, box.high, strict=True))
        for box in project.obstacles
        for ear in ears
    )
    there = _discomfort(project, number, shift_m)
    return not blocked and all(new <= max(0.0, old) + 1e-9 for new, old in zip(there, drawn, strict=True))


def _discomfort(project: Project, number: int, shift_m: float) -> tuple[float, ...]:
    """By how much a row that is moved leaves common practice; at or below 0 where it keeps to it."""
    room, screen = project.room, project.screen
    shifts = [shift_m if k == number else 0.0 for k in range(len(project.rows))]
    places = [(row.x_m + shift, project.row_height_m(row)) for row, shift in zip(project.rows, shifts, strict=True)]
    found = [REAR_WALL_M - (room.length_m - places[number][0])]
    if screen is None:
        return tuple(found)
    picture, (least, most) = screen.picture, VIEWING_DEG
    away = places[number][0] - picture.at_m
    if away <= 0.0:
        return (*found, inf, inf)
    angle = viewing_angle_deg(screen_width_m=picture.width_m, distance_m=away)
    found += [least - angle, angle - most]
    if picture.foot_m is not None:
        found += [hidden_m(picture, place, places) for place in places]
    return tuple(found)
