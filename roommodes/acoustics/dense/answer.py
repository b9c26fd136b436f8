"""What is answered of many frequencies, and how far it may be off; nothing that works it out is loaded with it."""

from dataclasses import dataclass

from roommodes.arrays import Complexes

ALLOWED = 1e-3  # error told, and that expected by what is left of the equations, over the receivers' rms
MARGIN = 3.0  # of the error told over that found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DenseTransfer:
    """Transfer functions at many frequencies.

    Parameters
    ----------
    transfer : (n_freq, n_seat, n_source) [1/m].
    error : expected at most, over the receivers' rms at each frequency: `MARGIN` times what the reduced model expects,
        or what was found where it misses most of the equations and the full ones were solved to check it; 0 where all
        are the full ones'.
    solved : at how many frequencies the full equations were solved.
    """

    transfer: Complexes
    error: float
    solved: int
