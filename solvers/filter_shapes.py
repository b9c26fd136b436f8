"""Many filters at once, as the searches need them: the analogue prototypes behind the W3C Note's sections.

With s = j f / f0 and A = 10^(gain/40):

    peaking   (s^2 + s A / Q + 1) / (s^2 + s / (A Q) + 1)
    all-pass  (s^2 - s / Q + 1) / (s^2 + s / Q + 1)

Below 300 Hz a section at 44.1 kHz or more differs from its prototype by less than 0.01 dB. What is stored and printed
is always worked out again from the sections themselves.
"""

import numpy as np

from solvers.problem import Complexes, Floats


def peaking_shapes(frequency_hz: Floats, *, centre_hz: Floats, q: Floats, gain_db: Floats) -> Complexes:
    """Peaking filters: (n_freq,) and (n,) each -> (n, n_freq)."""
    s = 1j * frequency_hz[None, :] / centre_hz[:, None]
    a = 10.0 ** (gain_db / 40.0)[:, None]
    middle, square = s / q[:, None], s * s + 1.0
    return np.asarray((square + middle * a) / (square + middle / a))


def all_pass_shapes(frequency_hz: Floats, *, centre_hz: Floats, q: Floats) -> Complexes:
    """All-pass filters: (n_freq,) and (n,) each -> (n, n_freq)."""
    s = 1j * frequency_hz[None, :] / centre_hz[:, None]
    middle, square = s / q[:, None], s * s + 1.0
    return np.asarray((square - middle) / (square + middle))
