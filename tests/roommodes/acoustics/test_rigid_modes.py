"""Rigid modes, counts, density and the crossover against published tables."""

import numpy as np
import pytest

from roommodes.acoustics.air import Air
from roommodes.acoustics.rigid_modes import (
    crossover_hz,
    half_power_bandwidth_hz,
    mode_count,
    mode_density_per_hz,
    rigid_modes,
)
from roommodes.acoustics.room import Room
from roommodes.acoustics.wall_bases import cosine_table

FOOT_M = 0.3048


def room_of(size_m, speed_m_s: float = 343.2, **options) -> Room:
    """A room whose air has the given speed of sound."""
    length, width, height = size_m
    air = Air(temperature_c=293.15 * (speed_m_s / 343.2) ** 2 - 273.15)
    return Room(length_m=length, width_m=width, height_m=height, air=air, **options)


def test_air_agrees_with_iso_9613_and_the_ideal_gas(published, close):
    values = published("rectangular_room", "air")
    airs = [Air(temperature_c=t) for t in values["temperature_c"]]
    close([air.speed_of_sound_m_s for air in airs], values["speed_m_s"], rtol=3e-5)
    close([air.density_kg_m3 for air in airs], values["density_kg_m3"], rtol=5e-5)


def test_every_mode_of_a_small_box(published, close):
    values = published("rectangular_room", "pyrato_rigid")
    modes = rigid_modes(room_of(values["room_m"], values["speed_m_s"]), 1000.0)
    close(modes.frequency_hz, values["hz"], rtol=1e-6)


def test_axial_modes_of_the_handbook_room(published, close):
    values = published("rectangular_room", "handbook_axial")
    modes = rigid_modes(room_of(np.array(values["room_ft"]) * FOOT_M, values["speed_ft_s"] * FOOT_M), 142.0)
    for axis, key in enumerate(("length_hz", "width_hz", "height_hz")):
        others = [other for other in range(3) if other != axis]
        axial = modes.number[:, others].sum(axis=1) == 0
        close(modes.frequency_hz[axial][: len(values[key])], values[key], rtol=2e-4)


def test_lowest_modes_of_kuttruffs_room(published, close):
    values = published("rectangular_room", "kuttruff")
    modes = rigid_modes(room_of(values["room_m"], values["speed_m_s"]), 83.0)
    assert modes.number.tolist() == values["number"]
    close(modes.frequency_hz, values["hz"], rtol=2e-4)


def test_count_and_density(published, close):
    values = published("rectangular_room", "count")
    room = room_of(values["room_m"], values["speed_m_s"])
    hz = np.array(values["hz"])
    assert [len(rigid_modes(room, f).frequency_hz) for f in hz] == values["exact"]
    close(mode_count(room, hz), values["formula"], rtol=1e-3)
    close(mode_density_per_hz(room, hz), values["density_per_hz"], rtol=3e-3)


def test_density_is_the_derivative_of_the_count(close):
    room = room_of((5.3, 4.1, 2.4))
    hz, step = np.array([40.0, 90.0, 160.0]), 1e-3
    slope = (mode_count(room, hz + step) - mode_count(room, hz - step)) / (2.0 * step)
    close(mode_density_per_hz(room, hz), slope, rtol=1e-7)


def test_crossover_and_bandwidth(published, close):
    values = published("rectangular_room", "crossover")
    got = [
        crossover_hz(Room(length_m=volume / 10.0, width_m=4.0, height_m=2.5), decay)
        for decay, volume in zip(values["decay_s"], values["volume_m3"], strict=True)
    ]
    close(got, values["hz"], rtol=5e-4)
    close(half_power_bandwidth_hz(0.5), 2.199 / 0.5, rtol=3e-4)  # B = 2.199 / T, Schroeder 1996 eq. 2


LAYOUTS = {  # positions over the room's length and width
    "one_corner": [(0, 0)],
    "four_corners": [(0, 0), (0, 1), (1, 0), (1, 1)],
    "four_midpoints": [(0, 0.5), (1, 0.5), (0.5, 0), (0.5, 1)],
    "two_midpoints": [(0, 0.5), (1, 0.5)],
    "four_quarters": [(0.25, 0.25), (0.25, 0.75), (0.75, 0.25), (0.75, 0.75)],
    "front_quarters": [(0, 0.25), (0, 0.75)],
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_which_modes_a_usual_layout_drives(layout, published):
    values = published("rectangular_room", "layouts")
    number = np.array(values["number"])
    place = np.array(LAYOUTS[layout], dtype=float)
    size = np.array([6.0, 4.0])
    shapes = [cosine_table(size[axis], place[:, axis] * size[axis], 5) for axis in (0, 1)]
    unscaled = [shape / np.where(np.arange(5) == 0, 1.0, np.sqrt(2.0)) for shape in shapes]
    driven = (unscaled[0][:, number[:, 0]] * unscaled[1][:, number[:, 1]]).sum(axis=0)
    assert np.abs(driven - np.array(values[layout])).max() < 1e-12
