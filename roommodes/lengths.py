"""Lengths as a person reads them: in metres, or in feet and inches to the nearest eighth.

1 in = 25.4 mm exactly (international inch). Files for machines stay metric and do not come here.
"""

from dataclasses import dataclass
from typing import Protocol

INCH_M = 0.0254
FOOT_M = 0.3048
EIGHTHS = 8
ROUNDED = "Lengths are rounded to the nearest 1/8 in (3.2 mm); the project file and all data files stay metric."


@dataclass(frozen=True, slots=True, kw_only=True)
class Lengths:
    """How lengths are written.

    Parameters
    ----------
    feet : in feet and inches.
    """

    feet: bool = False

    def text(self, value_m: float, metric: str = ".2f") -> str:
        """``1.35 m``, its number by the format `metric`; or ``4'-5 1/8"``."""
        return feet_inches(value_m) if self.feet else f"{value_m:{metric}} m"

    def fine(self, value_m: float) -> str:
        """``1350``, whole millimetres without their unit, as on a drawing; or ``4'-5 1/8"``."""
        return feet_inches(value_m) if self.feet else f"{round(1e3 * value_m, 3):.0f}"

    def sides(self, *value_m: float, metric: str = ".2f") -> str:
        """``6.2 x 4.4 m``, or each side in feet and inches."""
        if self.feet:
            return " x ".join(map(feet_inches, value_m))
        return f"{' x '.join(f'{value:{metric}}' for value in value_m)} m"

    def shift(self, value_m: float, digits: int = 0) -> str:
        """``+12 cm``, a small move with its sign; or ``+4.7 in``, with one digit more after the point."""
        unit, size_m = self.small
        digits += self.feet
        return f"{value_m / size_m:+z.{digits}f} {unit}"

    def small_text(self, value_m: float) -> str:
        """``12 cm``, a small length; or ``4 3/4"``."""
        return feet_inches(value_m) if self.feet else f"{100.0 * value_m:g} cm"

    @property
    def small(self) -> tuple[str, float]:
        """Unit of small moves, and its size [m]."""
        return ("in", INCH_M) if self.feet else ("cm", 0.01)

    @property
    def large(self) -> tuple[str, float]:
        """Unit of an axis through a room, and its size [m]."""
        return ("ft", FOOT_M) if self.feet else ("m", 1.0)


METRIC = Lengths()


class Units(Protocol):
    """The table [units]."""

    @property
    def length(self) -> str:
        """``m`` or ``ft-in``."""


class Tables(Protocol):
    """Tables of a project file."""

    @property
    def units(self) -> Units:
        """How lengths are written."""


class WithTables(Protocol):
    """A project."""

    @property
    def tables(self) -> Tables:
        """Its file's contents."""


def lengths_of(project: WithTables) -> Lengths:
    """As [units] of the project says."""
    return Lengths(feet=project.tables.units.length == "ft-in")


def feet_inches(value_m: float) -> str:
    """``4'-5 1/8"``; under a foot ``5 1/8"``. Rounded to the nearest eighth of an inch, halves away from zero."""
    eighths = int(abs(value_m) / INCH_M * EIGHTHS + 0.5)
    sign = "-" if value_m < 0.0 and eighths else ""
    inches, part = divmod(eighths, EIGHTHS)
    feet, inches = divmod(inches, 12)
    below = EIGHTHS
    while part and part % 2 == 0:
        part, below = part // 2, below // 2
    words = f"{inches} {part}/{below}" if part and (inches or feet) else f"{part}/{below}" if part else str(inches)
    return f"{sign}{feet}'-{words}\"" if feet else f'{sign}{words}"'
