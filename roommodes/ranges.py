"""What a number may be, and the sentences that say so: the same for files and for Python."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf

import numpy as np

from roommodes.errors import OutsideModel


def number(value: float) -> str:
    """A number as short as it can be said: 3 for 3.0, 0.004 for 0.004, 7e10 for 70e9."""
    if isinstance(value, int) and abs(value) < 10**15:
        return str(value)
    if isinstance(value, int) and abs(value) > 10**300:
        return "a very large number"
    return f"{float(value):.6g}".replace("e+0", "e").replace("e+", "e")


def metres(value: float) -> str:
    """A length with two decimals, three where they say more: ``6.10 m``."""
    text = f"{value:.3f}"
    return (text[:-1] if text.endswith("0") else text) + " m"


def plain(values: Sequence[float]) -> str:
    """Numbers in a row: ``0.3, 4.2``."""
    return ", ".join(number(value) for value in values)


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowed:
    """What a number may be: from `low` to `high`, both included, in `unit`; `above_low` shuts `low` out."""

    low: float
    high: float
    unit: str = ""
    above_low: bool = False

    @property
    def text(self) -> str:
        """The range in words: ``1.5 to 60 m``."""
        if self.high == inf:
            text = f"above {number(self.low)}" if self.above_low else f"{number(self.low)} or more"
            return f"{text} {self.unit}".rstrip()
        low = f"above {number(self.low)}, up to" if self.above_low else f"{number(self.low)} to"
        return f"{low} {number(self.high)} {self.unit}".rstrip()

    def fault(self, value: float) -> str:
        """What is wrong with a value, or the first wrong one of an array; empty if it lies in the range."""
        if isinstance(value, np.ndarray) and value.ndim:
            above = value > self.low if self.above_low else value >= self.low
            if np.all(above & (value <= self.high)):
                return ""
            return next((text for one in value.ravel() if (text := self.fault(float(one)))), "")
        if (value > self.low or (value == self.low and not self.above_low)) and value <= self.high:
            return ""
        return f"got {number(value)} {self.unit}".rstrip() + f"; allowed: {self.text}."


ZERO_OR_MORE = Allowed(low=0.0, high=inf)
ABOVE_ZERO = Allowed(low=0.0, high=inf, above_low=True)


def require_of(whole: object, *names: str, allowed: Allowed = ZERO_OR_MORE) -> None:
    """OutsideModel where a parameter of a law is not what it may be."""
    require(type(whole).__name__, {name: (getattr(whole, name), allowed) for name in names})


def require(what: str, values: Mapping[str, tuple[float, Allowed]]) -> None:
    """OutsideModel with a line for each value that is not what it may be.

    Parameters
    ----------
    what : the whole that the values belong to.
    values : (value, what it may be) by name.
    """
    faults = [f"{what}.{name}: {text}" for name, (value, allowed) in values.items() if (text := allowed.fault(value))]
    if faults:
        raise OutsideModel("\n".join(faults))
