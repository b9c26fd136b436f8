"""How long a tolerance will take in a room that is no box, told before it is begun."""

from math import pi

from roommodes.arrays import Floats
from roommodes.elements.cost import hours_for, mode_estimate
from roommodes.elements.solution import CUT, NODES, rounded_up
from solvers.tolerance.inputs import Inputs

BASIS = 40.0  # unknowns of a frequency, as met
ROOM_S = 2e-3  # of each built room for its shape and places
PER_S = 5e9  # operations of small matrices


def seconds_for(inputs: Inputs, *, rooms: int, checked: int, frequency_hz: Floats) -> float:
    """About how long it takes one processor, 0 in a box, where it is short [s].

    Parameters
    ----------
    inputs : what is uncertain.
    rooms : built rooms in all, those behind the shares too.
    checked : of them worked out again in full: each is a shape to be solved.
    frequency_hz : (n_freq,) [Hz].
    """
    if inputs.geometry is None:
        return 0.0
    shape, air = inputs.geometry.shape, inputs.project.room.air
    k = rounded_up(1.05 * 2.0 * pi * float(frequency_hz.max()) / air.speed_of_sound_m_s)
    modes = mode_estimate(shape, CUT * k)
    solved = (1 + checked) * 3600.0 * hours_for(shape, k, CUT * k, nodes=len(NODES))
    mixed = 16.0 * BASIS * modes * (BASIS + modes) * len(frequency_hz) + 30.0 * modes**3
    return solved + rooms * (ROOM_S + mixed / PER_S)


def in_words(seconds: float) -> str:
    """What the progress says of it; nothing for less than half a minute."""
    return "" if seconds < 30.0 else f"about {max(1, round(seconds / 60.0))} min of a processor in all"
