"""Several kinds of subwoofer side by side: what each gives at the same signal, against the first.

Transfer functions are of a source that is alike everywhere. Where every kind gives its driver, that of a kind is
multiplied by its own response over the first's, in amplitude and phase, both at the same voltage. Where one of them
does not, nothing is known of the difference: all count as set to the same level at 1 m, with the same phase.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from roommodes.acoustics.air import Air
from roommodes.arrays import Complexes, Floats
from roommodes.subwoofer.limits import Limits, own_response
from roommodes.subwoofer.tables import SubwooferTable


def responses_known(kinds: Sequence[SubwooferTable]) -> bool:
    """Whether every kind gives its driver, so that their own responses can be held against each other."""
    return all(kind.driver is not None for kind in kinds)


def relative_response(kinds: Sequence[SubwooferTable], frequency_hz: Floats, air: Air) -> Complexes:
    """Sound pressure of each kind over that of the first, at the same signal: (n_freq,) [Hz] -> (n_freq, n_kind)."""
    flat = np.ones((len(frequency_hz), len(kinds)), dtype=np.complex128)
    if len(kinds) < 2 or not responses_known(kinds):
        return flat
    for number, kind in enumerate(kinds):
        own = own_response(kind, frequency_hz, air)
        assert own is not None, "every kind gives its driver"
        flat[:, number] = own
    return np.asarray(flat / flat[:, :1])


def limits_known(kinds: Sequence[SubwooferTable]) -> bool:
    """Whether every kind says how loud it plays."""
    return all(kind.driver or kind.bursts or kind.max_level_1m_db for kind in kinds)


def over_first(limits: Limits, relative: Complexes) -> Limits:
    """Limits at 1 m as levels of the common signal, which is that of the first kind: (n_freq,) response over it."""
    return replace(limits, level_db=limits.level_db - 20.0 * np.log10(np.abs(relative)))


def prices_known(kinds: Sequence[SubwooferTable]) -> bool:
    """Whether every kind has a price."""
    return all(kind.price is not None for kind in kinds)


def in_hundredths(price: float) -> int:
    """A price in whole hundredths, so that sums are exact."""
    return round(100.0 * price)
