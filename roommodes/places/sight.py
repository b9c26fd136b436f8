"""What a row sees of the picture: viewing angle, and sight lines over the heads in front.

Eyes are taken at the height of the ears, and the crown of a head `CROWN_M` above them. Seats of all rows are taken to
stand behind one another. Ranges and the crown: common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan, degrees

VIEWING_DEG = (36.0, 60.0)  # of the picture's width, from the last row to the first: common practice, no source
CROWN_M = 0.12  # crown of a head over the eyes: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """The picture across the room.

    Parameters
    ----------
    at_m : its distance from the front wall [m].
    width_m : [m].
    foot_m, top_m : heights above the floor [m]; None where not known.
    false_wall : it hangs on a wall of cloth or boards across the whole room.
    """

    at_m: float
    width_m: float
    foot_m: float | None = None
    top_m: float | None = None
    false_wall: bool = False


def viewing_angle_deg(*, screen_width_m: float, distance_m: float) -> float:
    """Horizontal angle under which a screen is seen from its axis: 2 atan(w / 2d) [deg]."""
    return degrees(2.0 * atan(0.5 * screen_width_m / distance_m))


def hidden_m(picture: Picture, eye: tuple[float, float], heads: Sequence[tuple[float, float]]) -> float:
    """How far a row must be raised to see the picture's foot over the heads in front; 0 where it does [m].

    The line from the raised eye to the foot passes over the crown of every head between: with t the share of the way at
    which a head is, (1 - t) eye + t foot >= crown.

    Parameters
    ----------
    picture : with its foot known.
    eye : distance from the front wall and height above the floor [m].
    heads : eyes of other rows, the same; those that are not between eye and picture do not count.
    """
    assert picture.foot_m is not None, "asked of pictures whose foot is known"
    x, height = eye
    raised = 0.0
    for ahead, eyes in heads:
        if not picture.at_m < ahead < x - 1e-6:
            continue
        t = (x - ahead) / (x - picture.at_m)
        needed = (eyes + CROWN_M - t * picture.foot_m) / (1.0 - t)
        raised = max(raised, needed - height)
    return raised
