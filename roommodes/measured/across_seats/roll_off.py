"""Which sub falls off earlier than the others toward low frequencies, told from levels averaged over the seats.

The level of one sub over that of the others, in energy over the seats and half an octave, is the difference of what
they send out, and of what the room makes of their places. A rough model of the drawn room tells the latter where it
fits: it is taken out where the difference becomes smoother by it. What is left wavers by some 1 dB, without the model
by 2 dB; a fall is said where it is far larger.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from roommodes.measured.data import RollOff

OCTAVE = 0.5
MIDDLE_HZ = (35.0, 75.0)  # where the difference of levels counts as 0 dB: above corners, below crossovers
FALLEN_DB, WAVERS = 9.0, 3.0  # at the lower end: at least so much, and so many times what the middle wavers
TRUSTED = 1.5  # the model has its say as long as what it leaves wavers less than so many times what it was given
CORNER_DB, ENOUGH_OCTAVE = 6.0, 0.3  # how a corner counts, and from what distance to the band's end a slope is told
VENTED_DB = 16.0  # steepness from which it is as of a vented box: told up to 12 dB too small [dB per octave]
HIGHEST_HZ = 45.0  # corners above are crossovers
FEWEST = 6


def roll_offs(
    frequency_hz: Floats, transfer: Complexes, expected: Complexes, names: Sequence[str]
) -> tuple[RollOff, ...]:
    """The subs that fall off earlier than the others; none where the model says nothing of their places.

    Parameters
    ----------
    frequency_hz : (n_freq,) rising [Hz].
    transfer : (n_freq, n_seat, n_sub) complex128, finite, levels common to all.
    expected : likewise by a rough model of point sources; NaN for subs of unknown place.
    names : (n_sub,).
    """
    middle = (frequency_hz >= MIDDLE_HZ[0]) & (frequency_hz <= MIDDLE_HZ[1])
    n_sub = transfer.shape[2]
    if n_sub < 2 or middle.sum() < FEWEST or frequency_hz[0] > HIGHEST_HZ or not np.isfinite(expected).all():
        return ()
    apart = np.abs(np.log2(frequency_hz)[:, None] - np.log2(frequency_hz)[None, :]) < 0.5 * OCTAVE
    weight = apart / apart.sum(axis=1, keepdims=True)

    def level_db(values: Complexes) -> Floats:
        power = weight @ np.mean(np.abs(values) ** 2, axis=1)
        return np.asarray(10.0 * np.log10(np.maximum(power, 1e-300)))

    plain, modelled = level_db(transfer), level_db(transfer) - level_db(expected)
    found = []
    for sub in range(n_sub):
        over = _over_others(plain, sub, middle)
        freed = _over_others(modelled, sub, middle)
        octave = np.log2(frequency_hz[middle])
        waver = _wavers(octave, freed[middle])
        over = freed if waver < TRUSTED * _wavers(octave, over[middle]) else np.maximum(over, freed)
        if (one := _fall(frequency_hz, over, _wavers(octave, over[middle]))) is not None:
            found.append(RollOff(name=names[sub], below_hz=one[0], steeper_db=one[1]))
    return tuple(found)


def _over_others(level: Floats, sub: int, middle: NDArray[np.bool_]) -> Floats:
    """Level over that of the other subs' middle, 0 dB in the middle of the band: (n_freq, n_sub) -> (n_freq,)."""
    over = level[:, sub] - np.median(np.delete(level, sub, axis=1), axis=1)
    return np.asarray(over - np.median(over[middle]))


def _wavers(octave: Floats, over: Floats) -> float:
    """Standard deviation about a straight line, which a box's slope may be: (n,) each -> [dB]."""
    return float(np.std(over - np.polyval(np.polyfit(octave, over, 1), octave)))


def _fall(hz: Floats, over: Floats, wavers: float) -> tuple[float, float] | None:
    """Corner and steepness of a fall toward the lower end; None where there is none."""
    low = hz <= hz[0] * 2.0 ** (OCTAVE / 2.0)
    if over[low].mean() > -max(FALLEN_DB, WAVERS * wavers):
        return None
    above = int(np.argmax(over > -CORNER_DB))  # the first that is not fallen
    if above == 0 or hz[above] > HIGHEST_HZ:
        return None
    share = (over[above] + CORNER_DB) / (over[above] - over[above - 1])
    corner = float(np.exp(np.log(hz[above]) - share * np.log(hz[above] / hz[above - 1])))
    octaves = np.log2(hz[:above] / corner)
    if -octaves[0] < ENOUGH_OCTAVE:
        return corner, 0.0
    return corner, float(np.polyfit(octaves, over[:above], 1)[0])


def roll_off_notes(found: Sequence[RollOff]) -> tuple[str, ...]:
    """What is said of them, what to check and what to set, in sentences."""
    if not found:
        return ()
    said = []
    for one in found:
        like = f", by {one.steeper_db:.0f} dB an octave more" if one.steeper_db else ""
        like += ", as a vented box or a steep high-pass does" if one.steeper_db >= VENTED_DB else ""
        said.append(f"{one.name} rolls off below {one.below_hz:.0f} Hz against the others{like}")
    return (
        f"Levels averaged over the seats, the drawn room's share taken out: {'; '.join(said)}. Corners are told to "
        "some 15 %; slopes may be steeper.",
        "Rolled off: look for another kind of box, a blocked port, a high-pass or subsonic filter left in its "
        "amplifier. If it stays, do not lift it below its corner by filters: cone and port reach their limits there. "
        "Leave what is below to the others.",
    )
