"""Lengths as a person reads them: in metres, or in feet and inches to the nearest eighth.

1 in = 25.4 mm exactly (international inch). Files for machines stay metric and do not come here.
"""

from dataclasses import dataclass

from roommodes.project.project import Project

INCH_M = 0.0254
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
        return feet_inches(value_m) if self.feet else f"{1e3 * value_m:.0f}"

    def sides(self, *value_m: float, metric: str = ".2f") -> str:
        """``6.2 x 4.4 m``, or each side in feet and inches."""
        if self.feet:
            return " x ".join(map(feet_inches, value_m))
        return f"{' x '.join(f'{value:{metric}}' for value in value_m)} m"


METRIC = Lengths()


def lengths_of(project: Project) -> Lengths:
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
