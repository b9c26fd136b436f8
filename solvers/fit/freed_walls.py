"""Where no construction explains the data: walls as plain admittances, in a room whose size is less well known.

A wall of unknown build (boards before a wall, a panel that turns, a suspended ceiling) reacts as no construction of the
project does, and sound may turn back from behind it. What it does can still be told. Such a fit has many numbers, so
places are left out of it in turn: what it leaves there says whether it found the room or the noise.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes, Floats, Integers
from roommodes.measured.data import MeasuredSet
from solvers.fit.model import QUICK
from solvers.fit.outcome import Fit
from solvers.fit.parameters import Situation, Space
from solvers.fit.verdict import MOST_LEFT, Freed, Verdict

POOR = 0.3  # share of the rms from which constructions explain so little that their walls are freed
BETTER = 0.75  # of what they leave, at most, the freed walls leave
FOLDS, FEWEST_PLACES = 3, 8


def worth_freeing(measured: MeasuredSet, first: Fit) -> bool:
    """Whether constructions explain so little, and enough was measured to tell more."""
    return (
        measured.comparable
        and len(measured.seats) >= FEWEST_PLACES
        and first.space.project.room.is_box
        and not first.suspects
        and first.verdict is not Verdict.NOISE
        and first.compared.misfit_after > POOR
    )


def folds(measured: MeasuredSet) -> Iterator[tuple[MeasuredSet, Integers]]:
    """The set without every third place, and which those are."""
    every = np.arange(len(measured.seats))
    for first in range(FOLDS):
        out = every[first::FOLDS]
        kept = np.setdiff1d(every, out)
        yield replace(measured, transfer=measured.transfer[:, kept].copy(), seats=measured.seats.of(kept)), out


def response_at(space: Space, situation: Situation, frequency_hz: Floats, place_m: Floats) -> Complexes:
    """The fitted room's response at places (n, 3): (n_freq, n, n_sub)."""
    surfaces, _ = space.surfaces(situation)
    return transfer_function(
        situation.room,
        surfaces,
        frequency_hz=frequency_hz,
        seat_m=np.clip(place_m, 0.0, np.array(situation.room.size_m)),
        source_m=situation.sub_m,
        precision=QUICK,
    )


def share_left(found: Complexes, data: Complexes) -> float:
    """Share of the rms that is left, each frequency and sub alike."""
    share = (np.abs(found - data) ** 2).mean(axis=1) / np.maximum((np.abs(data) ** 2).mean(axis=1), 1e-300)
    return float(np.sqrt(share.mean()))


def accepted(freed: Freed, left: float) -> bool:
    """Whether the admittances say more of the room than the constructions did."""
    return freed.left_out <= MOST_LEFT and left <= BETTER * freed.left_before
