"""A parameter after the fit, and how sure its value is."""

from dataclasses import dataclass, replace

import numpy as np

from solvers.fit.parameter import Parameter

TOLD = 0.7  # a parameter known to more than this share of its prior's deviation was not told by the data


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A parameter after the fit.

    Parameters
    ----------
    parameter : which.
    value, deviation : and its standard deviation, in the parameter's unit.
    moved : how far it moved, in standard deviations of the prior.
    known : its standard deviation over the prior's.
    """

    parameter: Parameter
    value: float
    deviation: float
    moved: float
    known: float

    @property
    def told(self) -> bool:
        """Whether the data say anything about it."""
        return self.known <= TOLD


def widened(estimate: Estimate, times: float) -> Estimate:
    """The estimate with a standard deviation so many times as large, at most that of its prior."""
    if times == 1.0:
        return estimate
    known = estimate.known * times
    known = max(estimate.known, known / float(np.hypot(1.0, known)))
    return replace(estimate, known=known, deviation=estimate.deviation * known / estimate.known)
