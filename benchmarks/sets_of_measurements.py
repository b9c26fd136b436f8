"""Seeded sets of measurements of rooms by three models, with noise; what is drawn is always somewhat wrong.

`images`: boxes by image sources, written apart from the model (`tests.independent.image_impulses`); `panes`: boxes with
panes and linings by the model, drawn without the panes; `elements`: rooms with blocks and slopes by elements, every
other one drawn as a plain box. Sizes are drawn up to 2 % off, walls of other constructions; microphones stand 3 cm off
their places (rms, along each axis).
"""

from dataclasses import dataclass

import numpy as np

from roommodes.acoustics.precision import Precision
from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.frequency_grid import log_grid
from tests.independent.image_impulses import image_impulse

MODELS = ("images", "panes", "elements")
RATE_HZ, LENGTH_S = 1000, 0.5
PLACED_M = 0.03  # by so much microphones stand off their places, along each axis
ROUGH = Precision(cut=2.0, extra_order=3, edge_wavenumber=30.0, plane_wavenumber=100.0, near_error=0.1)
WALLS = """
[constructions.drawn]
kind = "impedance"
mass_kg_m2 = 12.0
resistance_pa_s_m = 2500
stiffness_pa_m = 9.0e5
[constructions.lining]
kind = "impedance"
mass_kg_m2 = 14.0
resistance_pa_s_m = 1500
stiffness_pa_m = 7.0e5
"""
PANE = """
[[regions]]
wall = "left"
from_m = [{0:.2f}, 0.3]
to_m = [{1:.2f}, 1.9]
construction = "glass pane 6 mm"
"""
SLOPE = """
[[slopes]]
name = "roof"
along = "y"
from_m = [{0:.2f}, {1:.2f}]
to_m = [{2:.2f}, {3:.2f}]
construction = "plasterboard on studs, filled"
"""
BLOCK = """
[[blocks]]
name = "{0}"
from_m = [{1:.2f}, {2:.2f}, 0.0]
to_m = [{3:.2f}, {4:.2f}, {5:.2f}]
construction = "brick"
"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredRoom:
    """A set without faults.

    Parameters
    ----------
    project : as drawn, with the seats.
    hz : (n_freq,) of the files [Hz].
    clean : (n_freq, n_seat, n_sub) each sub's own response in it, and no noise [1/m].
    noise : likewise, to be added.
    own : (n_freq, n_sub) what each sub does, with its gain, polarity and delay.
    subs : name -> position [m].
    drawn_alike : whether blocks and slopes are drawn as they are.
    """

    project: Project
    hz: Floats
    clean: Complexes
    noise: Complexes
    own: Complexes
    subs: dict[str, tuple[float, float, float]]
    drawn_alike: bool

    @property
    def transfer(self) -> Complexes:
        """What the files hold."""
        return np.asarray(self.clean + self.noise)


def measured_room(model: str, seed: int, *, noise: float | None = None, hz: Floats | None = None) -> MeasuredRoom:
    """One set: the seed draws room, places, subs and, where not given, points of the files and noise (0.25 to 3 %)."""
    rng = np.random.default_rng([MODELS.index(model), seed])
    if model == "images":
        size = rng.uniform([3.6, 3.0, 2.2], [9.0, 6.5, 3.4])
    else:
        size = (
            rng.uniform([3.6, 3.0, 2.3], [6.0, 4.6, 2.8])
            if model == "panes"
            else rng.uniform([3.6, 3.0, 2.3], [4.6, 3.6, 2.5])
        )
    size = np.round(size, 2)
    stated, subs = _places(rng, size)
    seats = stated + rng.normal(0.0, PLACED_M, stated.shape)
    points = (np.arange(18.0, 112.0, 0.5), np.arange(18.0, 112.0, 1.0), log_grid(18.0, 112.0, 48))[seed % 3]
    hz = points if hz is None else hz
    alike = model != "elements" or seed % 2 == 0
    drawn_by = rng.uniform(size=10)
    wall = {name: str(rng.choice(["drawn", "lining", "brick"])) for name in ("front", "rear", "left", "right")}
    if model == "images":
        reflection = rng.uniform(0.5, 0.97) * rng.uniform(0.9, 1.0, (3, 2))
        turn = np.exp(-2j * np.pi * np.outer(hz, np.arange(round(RATE_HZ * LENGTH_S)) / RATE_HZ))
        clean = np.stack(
            [
                turn
                @ np.transpose(
                    [image_impulse(size, reflection, sub, seat, rate_hz=RATE_HZ, duration_s=LENGTH_S) for seat in seats]
                )
                for sub in subs
            ],
            axis=2,
        )
    else:
        true = parse_project(
            _text(size, stated, wall, _extra(model, drawn_by, size), float(rng.uniform(0.01, 0.04))), source="true"
        )
        clean = transfer_function(
            true.room, true.surfaces(), frequency_hz=hz, seat_m=seats, source_m=subs, precision=ROUGH
        )
    own = np.stack([_own(rng, hz) for _ in subs], axis=1)
    clean = clean * own[:, None, :]
    share = float(noise if noise is not None else 10.0 ** rng.uniform(np.log10(0.0025), np.log10(0.03)))
    level = share * np.sqrt(np.mean(np.abs(clean) ** 2, axis=(0, 1)) / 2.0)
    drawn_size = size * (1.0 + rng.uniform(-0.02, 0.02, 3))
    drawn_size = np.round(np.maximum(drawn_size, np.concatenate([seats, subs]).max(axis=0) + 0.05), 2)
    extra = _extra(model, drawn_by, drawn_size) if model == "elements" and alike else ""
    drawn = _text(drawn_size, stated, dict.fromkeys(wall, "drawn"), extra, 0.02)
    return MeasuredRoom(
        project=parse_project(drawn, source="room.toml"),
        hz=hz,
        clean=clean,
        noise=level * (rng.normal(size=clean.shape) + 1j * rng.normal(size=clean.shape)),
        own=own,
        subs={f"s{number}": (float(x), float(y), float(z)) for number, (x, y, z) in enumerate(subs, start=1)},
        drawn_alike=alike,
    )


def _places(rng: np.random.Generator, size: Floats) -> tuple[Floats, Floats]:
    """Seats in two rows and two or three subs at the front and at the rear, clear of blocks and slopes."""
    front, rear = int(rng.integers(2, 4)), int(rng.integers(2, 5))
    seats = [
        [share * size[0], y, z]
        for count, share, z in ((front, rng.uniform(0.45, 0.55), 1.1), (rear, rng.uniform(0.68, 0.78), 1.2))
        for y in np.linspace(0.25, 0.62, count) * size[1]
    ]
    subs = [[0.3, rng.uniform(0.3, 0.45) * size[1], 0.3], [0.35, rng.uniform(0.55, 0.7) * size[1], 0.3]]
    subs += [[size[0] - 0.3, rng.uniform(0.2, 0.5) * size[1], 0.3]] * int(rng.integers(0, 2))
    return np.round(seats, 3), np.round(subs, 3)


def _extra(model: str, drawn: Floats, size: Floats) -> str:
    """Panes, or blocks and a slope, by ten numbers from 0 to 1."""
    x, y, z = size
    if model == "panes":
        begin = 0.5 + drawn[0] * (0.4 * x - 0.5)
        return PANE.format(begin, begin + 0.8 + 0.8 * drawn[1])
    if model == "images":
        return ""
    text = BLOCK.format("corner", 0.0, y - 0.4 - 0.4 * drawn[2], 0.8 + 0.6 * drawn[3], y, z)
    if drawn[4] < 0.5:
        text += BLOCK.format("low", x - 0.4 - 0.3 * drawn[5], 0.8 * y, x, y, 0.6 + 0.6 * drawn[6])
    if drawn[7] < 0.5:
        text += SLOPE.format(0.7 * y, z, y, z - 0.4 - 0.4 * drawn[8])
    return text


def _text(size: Floats, seats: Floats, wall: dict[str, str], extra: str, loss: float) -> str:
    """A project; seats by rows of one depth."""
    text = (
        f'format = 1\nname = "seeded"\n[room]\nlength_m = {size[0]:.3f}\nwidth_m = {size[1]:.3f}\n'
        f"height_m = {size[2]:.3f}\nloss_factor = {loss:.4f}\n[walls]\n"
    )
    text += "".join(f'{name} = "{kind}"\n' for name, kind in wall.items()) + WALLS + extra
    for number, x in enumerate(sorted(set(seats[:, 0])), start=1):
        row = seats[seats[:, 0] == x]
        text += f'[[rows]]\nname = "row {number}"\nx_m = {x}\ny_m = {row[:, 1].tolist()}\near_height_m = {row[0, 2]}\n'
    text += '[[zones]]\nname = "front"\nfrom_m = [0.3, 1.0, 0.3]\nto_m = [0.3, 2.0, 0.3]\n'
    return text + "[search]\nband_hz = [20, 110]\npoints_per_octave = 24\n"


def _own(rng: np.random.Generator, hz: Floats) -> Complexes:
    """What a sub does by itself: closed or vented box, perhaps a low pass, gain, polarity, delay."""
    s = 1j * hz / rng.uniform(20.0, 38.0)
    value = s**2 / (s**2 + rng.uniform(0.9, 1.6) * s + 1.0)
    if rng.uniform() < 0.4:
        value = value * s**2 / (s**2 + rng.uniform(0.4, 0.9) * s + 1.0)
    if rng.uniform() < 0.5:
        p = 1j * hz / rng.uniform(70.0, 140.0)
        value = value / (p**2 + 1.41 * p + 1.0) ** 2
    gain = 10.0 ** (rng.uniform(-4.0, 4.0) / 20.0) * (1.0 if rng.uniform() < 0.8 else -1.0)
    return np.asarray(gain * value * np.exp(-2j * np.pi * hz * rng.uniform(0.0, 0.012)))
