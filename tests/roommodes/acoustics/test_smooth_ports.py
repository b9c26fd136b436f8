"""The boundary's port matrix through a few real wavenumbers, against its sums over modes at each frequency."""

from math import log, pi

import numpy as np
import pytest

from roommodes.acoustics.built_modes import FOR_READING, SHORTEST_S
from roommodes.acoustics.poles import Strip
from roommodes.acoustics.resonances import Resonances
from roommodes.acoustics.rigid_modes import rigid_modes
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.transfer import bulk_k2
from roommodes.acoustics.wall_laws import ConstantAdmittance

LAW = ConstantAdmittance(beta_re=0.2, beta_im=0.1)


@pytest.mark.parametrize(
    ("size_m", "top_hz"), [((4.9, 3.7, 2.5), 100.0), ((15.0, 9.0, 5.0), 45.0), ((6.0, 4.4, 2.6), 20.0)]
)
def test_a_few_wavenumbers_tell_the_sums_at_all_frequencies_where_modes_ring(
    size_m: tuple[float, float, float], top_hz: float, close
) -> None:
    room = Room(length_m=size_m[0], width_m=size_m[1], height_m=size_m[2], loss_factor=0.02)
    walls = [Surface(wall=wall, from_m=(0.0, 0.0), to_m=room.wall_size_m(wall), law=LAW) for wall in ("front", "left")]
    kept = rigid_modes(room, 1.3 * top_hz, with_pressure_mode=True)
    problem = Resonances(room, walls, kept, top_hz + 12.0, FOR_READING)
    strip = Strip(low=2.0 * pi * 5.0, high=2.0 * pi * top_hz, deepest=log(1e3) / SHORTEST_S)
    k2 = bulk_k2(room, strip.samples(2.0 * pi * 9.0))
    expected = problem.ports.at(k2, without=problem.is_kept).boundary
    for one, plain in zip(problem.smooth.at(k2), expected, strict=True):
        close(one, plain, rtol=2e-9, scale=float(np.abs(plain).max()))
