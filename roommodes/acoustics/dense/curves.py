"""Transfer functions from every source to every seat at many frequencies, by a reduced model where that is quicker.

The full equations are solved at a few frequencies, more where modes lie closer together; their answers make up the
basis of a reduced model (`reduced`) that gives all the others, and tells where it misses most of the equations. There
further answers are entered. In the end `transfer_function`'s own answers are compared where most is left. What the
reduced model cannot take goes the direct way.
"""

from collections.abc import Sequence
from dataclasses import replace
from math import pi

import numpy as np
from numpy.typing import ArrayLike, NDArray
from threadpoolctl import threadpool_limits

from roommodes.acoustics.checks.surfaces import require_surfaces
from roommodes.acoustics.dense.answer import ALLOWED, MARGIN, DenseTransfer
from roommodes.acoustics.dense.reduced import Reduced
from roommodes.acoustics.dense.room_terms import RoomTerms, room_terms
from roommodes.acoustics.dense.wall_terms import NotSmooth, wall_terms
from roommodes.acoustics.ports import Ports
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.room_boundary import Boundary, boundary_of
from roommodes.acoustics.transfer import INTERRUPTED, bulk_k2, pressure_at, require_valid, transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.effort import require_room_for
from roommodes.running import Running

DENSE = 80  # frequencies from which on the reduced model is worth its preparation
FIRST_SIZE = 1.4  # answers for seats and sources at first, over the modes of room and panes in the band
ENDS = 4  # further frequencies for what the band's ends lack on one side
FEWEST, MOST_SHARE = 6, 0.25  # full answers at first; over the frequencies asked for, at most
CHECKED = 2  # frequencies, those where most is left of the equations
FURTHER = 2  # full answers entered at a time, at least
MOST_BYTES = 2e9  # what the smooth parts may take


def dense_transfer(
    room: Room,
    surfaces: Sequence[Surface],
    *,
    frequency_hz: ArrayLike,
    seat_m: ArrayLike,
    source_m: ArrayLike,
    precision: Precision | None = None,
    running: Running = Running(),
) -> DenseTransfer:
    """Pressure at every seat from every source, as `transfer_function` gives it, to `ALLOWED` of the receivers' rms.

    Parameters and errors are those of `transfer_function`.
    """
    hz = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    seats = np.atleast_2d(np.asarray(seat_m, dtype=np.float64))
    sources = np.atleast_2d(np.asarray(source_m, dtype=np.float64))
    precision = precision or Precision()
    if len(hz) >= DENSE and len(seats) and len(sources):
        require_valid(room, hz, seats, sources)
        require_surfaces(room, surfaces)
        boundary = boundary_of(room, surfaces, frequency_hz=hz, seat_m=seats, source_m=sources, precision=precision)
        if boundary.size and 60.0 * boundary.size**2 <= MOST_BYTES:
            running.step("room", 0.0)
            running.check(INTERRUPTED)
            try:
                with threadpool_limits(1):
                    found = _Dense(room, boundary, hz, seats, sources, precision, running).found()
            except NotSmooth:
                found = None
            if found is not None:
                return found
    whole = transfer_function(
        room, surfaces, frequency_hz=hz, seat_m=seats, source_m=sources, precision=precision, running=running
    )
    return DenseTransfer(transfer=whole, error=0.0, solved=len(hz))


class _Dense:
    """The reduced model of one room while it is made; frequencies `hz` in any order."""

    def __init__(
        self,
        room: Room,
        boundary: Boundary,
        hz: Floats,
        seats: Floats,
        sources: Floats,
        precision: Precision,
        running: Running,
    ) -> None:
        self.room, self.boundary, self.hz, self.running = room, boundary, hz, running
        omega = (2.0 * pi * hz).astype(np.complex128)
        k2 = bulk_k2(room, omega)
        walls = wall_terms(boundary.strengths, omega)
        self.ports = Ports(
            room,
            boundary.families,
            seat_m=seats,
            source_m=sources,
            max_wavenumber=2.0 * pi * float(hz.max()) / room.air.speed_of_sound_m_s,
            precision=precision,
            running=running,
        )
        require_room_for(replace(self.ports.effort, at_once=1, frequencies=1), room.size_m, float(hz.max()))
        self.terms: RoomTerms = room_terms(self.ports, walls, k2)
        self.points = len(seats) + len(sources)

    def found(self) -> DenseTransfer | None:
        """None where more full answers would be needed than are worth it."""
        most = int(MOST_SHARE * len(self.hz))
        order = np.argsort(self.hz)
        first = self._first()
        if len(first) > most:
            return None
        reduced = Reduced(self.terms, self.hz)
        self._enter(reduced, order[first])
        while True:
            transfer, doubt = reduced.transfer(order)
            doubt /= _rms(transfer)
            if MARGIN * doubt.max() <= ALLOWED and (error := self._error(order, reduced, transfer, doubt)) <= ALLOWED:
                break
            over = self._worst(order, reduced, doubt)
            further = order[over[(MARGIN * doubt[over] > ALLOWED) | (np.arange(len(over)) < FURTHER)]]
            further = further[~np.isin(further, reduced.taken)]
            if len(reduced.taken) + len(further) > most or not len(further):
                return None
            self._enter(reduced, further)
        self.running.step("room", 1.0)
        result = np.empty_like(transfer)
        result[order] = transfer
        return DenseTransfer(transfer=result, error=error, solved=len(reduced.taken) + CHECKED)

    def _error(self, order: NDArray[np.intp], reduced: Reduced, transfer: Complexes, doubt: Floats) -> float:
        """What is told: `MARGIN` times the error expected, or found where most is left of the equations."""
        worst = self._worst(order, reduced, doubt)[:CHECKED]
        self.running.check(INTERRUPTED)
        exact = pressure_at(self.ports, self.boundary, self.hz[order[worst]])
        found = np.abs(transfer[worst] - exact).max(axis=(1, 2)) / _rms(exact)
        return MARGIN * float(max(found.max(), doubt.max()))

    def _worst(self, order: NDArray[np.intp], reduced: Reduced, doubt: Floats) -> NDArray[np.intp]:
        """Places of the largest doubts, falling, no two between the same full answers."""
        gap = np.searchsorted(np.sort(self.hz[reduced.taken]), self.hz[order])
        falling = np.argsort(-doubt)
        return np.asarray(falling[np.sort(np.unique(gap[falling], return_index=True)[1])])

    def _first(self) -> NDArray[np.intp]:
        """Places among the sorted frequencies: half of them even, half as modes lie."""
        hz = np.sort(self.hz)
        own = np.sort(np.sqrt(self.ports.k2_modes.ravel())) * self.room.air.speed_of_sound_m_s / (2.0 * pi)
        modes = np.searchsorted(own, hz).astype(np.float64)
        panes = 0.5 * len(self.terms.walls.single)
        count = max(FEWEST, ENDS + round(FIRST_SIZE * (modes[-1] - modes[0] + panes) / self.points))
        along = (hz - hz[0]) / (hz[-1] - hz[0]) + (modes - modes[0]) / max(modes[-1] - modes[0], 1.0)
        return np.unique(np.searchsorted(along, np.linspace(0.0, along[-1], count)))

    def _enter(self, reduced: Reduced, index: NDArray[np.intp]) -> None:
        answers = []
        for number, answer in enumerate(self.terms.answers(index), len(reduced.taken) + 1):
            self.running.check(INTERRUPTED)
            answers.append(answer)
            self.running.step("room", 0.9 * number / (number + 5.0))
        reduced.extend([int(one) for one in index], answers)


def _rms(transfer: Complexes) -> Floats:
    """Over the seats and sources at each frequency: (n_freq, seat, source) -> (n_freq,)."""
    return np.asarray(np.sqrt((np.abs(transfer) ** 2).mean(axis=(1, 2))))
