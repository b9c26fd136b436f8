"""One number that a fit may change, counted in standard deviations of its prior."""

from dataclasses import dataclass
from math import exp
from typing import Literal

from roommodes.ranges import number

Group = Literal["walls", "loss", "size", "shape", "subs", "microphones"]
GROUPS: tuple[Group, ...] = ("walls", "loss", "size", "shape", "subs", "microphones")


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One number that a fit may change.

    Parameters
    ----------
    group : what it belongs to; `key` with it names it: ``walls: glass pane 6 mm.youngs_modulus_pa``.
    owner : construction, sub, seat or place; empty for the room's.
    key : the file's key, or x_m, y_m, z_m.
    unit : of `start`.
    start : value in the project.
    sigma : prior standard deviation, of the logarithm or in `unit`.
    logarithmic : which of the two.
    low, high : what the file allows.
    at_hz : which point of a curve; None for a number, and for a curve that is scaled as a whole [Hz].
    """

    group: Group
    owner: str
    key: str
    unit: str
    start: float
    sigma: float
    logarithmic: bool
    low: float
    high: float
    at_hz: float | None = None

    @property
    def name(self) -> str:
        """What a person calls it, and what `hold` takes."""
        name = f"{self.owner}.{self.key}" if self.owner else self.key
        return name if self.at_hz is None else f"{name} at {number(self.at_hz)} Hz"

    def value(self, u: float) -> float:
        """The value `u` prior standard deviations from the start."""
        moved = self.start * exp(self.sigma * u) if self.logarithmic else self.start + self.sigma * u
        return min(max(moved, self.low), self.high)

    def slope(self, u: float) -> float:
        """By how much the value grows per prior standard deviation."""
        return self.sigma * self.value(u) if self.logarithmic else self.sigma

    def deviation(self, u: float, sigma_u: float) -> float:
        """One standard deviation in the parameter's unit, where u itself is known to `sigma_u`."""
        return abs(self.slope(u)) * sigma_u


def length(group: Group, owner: str, key: str, start: float, sigma: float, *, high: float) -> Parameter:
    return Parameter(
        group=group,
        owner=owner,
        key=key,
        unit="m",
        start=start,
        sigma=sigma,
        logarithmic=False,
        low=0.0,
        high=high if group != "size" else 60.0,
    )
