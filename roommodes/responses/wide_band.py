"""Responses over all that their files tell, on even steps of frequency: what other bands and decays are taken from."""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Complexes, Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WideBand:
    """Responses on even steps of frequency.

    Parameters
    ----------
    frequency_hz : (n_wide,) [Hz].
    transfer : (n_wide, n_seat, n_sub), in the scale of the responses that it belongs to.
    told_s : how long a response the files tell, however fine the steps are [s].
    """

    frequency_hz: Floats
    transfer: Complexes
    told_s: float

    def at(self, frequency_hz: Floats) -> Complexes:
        """The responses at other frequencies within the band: (n_freq,) [Hz] -> (n_freq, n_seat, n_sub).

        A cubic spline, each response's mean delay taken out first and put back.
        """
        from scipy.interpolate import CubicSpline  # noqa: PLC0415 (half a second that other uses need not pay)

        hz = self.frequency_hz
        step = np.sum(self.transfer[1:] * np.conj(self.transfer[:-1]), axis=0)
        delay = -np.angle(step) / (2.0 * np.pi * (hz[1] - hz[0]))
        held = self.transfer * np.exp(2j * np.pi * hz[:, None, None] * delay)
        turned = np.exp(-2j * np.pi * frequency_hz[:, None, None] * delay)
        return np.asarray(CubicSpline(hz, held, axis=0)(frequency_hz) * turned)

    def covered(self, low_hz: float, high_hz: float) -> tuple[float, float]:
        """The part of a band that lies within (low, high) [Hz]."""
        return max(low_hz, float(self.frequency_hz[0])), min(high_hz, float(self.frequency_hz[-1]))
