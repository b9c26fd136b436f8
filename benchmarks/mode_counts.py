"""How many modes a room has, counted without looking for them, in seeded rooms of light construction.

Two checks, each on a hundred rooms whose walls are drawn at random (leaves on springs, limp leaves, plain admittances):

count: the number of poles in a region of complex frequency by the argument principle, on the determinant of 1 + Y Z
over all boundary modes: how often it turns about zero along the region's edge, and the rigid room's and the walls' own
poles added. No pole is looked for. It must be the number that the search found there. The region leaves out what is
damped as much as a wall by itself: there poles lie without end. Rooms without panes, whose many plate modes hardly meet
the air.

shown: rational fits (scipy's AAA) of single responses between points at random, window by window. A pole that half of
the responses show, with a share of 0.15 or more, must be among the modes listed; and the listed modes alone, with a
cubic for what lies elsewhere, must leave at most 2 % of the responses in every window. Every third room has a pane.

    python -m benchmarks.mode_counts [--rooms N] [--first SEED] [--json]
"""

import argparse
import json
import sys
import time
import warnings
from dataclasses import dataclass
from itertools import pairwise
from math import log, pi

import numpy as np
from scipy.interpolate import AAA

from roommodes.acoustics.built_modes import FOR_READING, KEPT_REACH, SHORTEST_S, built_modes
from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.plates.panes import Pane
from roommodes.acoustics.poles import Strip
from roommodes.acoustics.ports import Ports
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.resonances import Resonances
from roommodes.acoustics.rigid_modes import rigid_modes
from roommodes.acoustics.room import WALLS, Room, Surface
from roommodes.acoustics.room_boundary import Boundary, boundary_of
from roommodes.acoustics.strengths import LocalStrength, Matrices
from roommodes.acoustics.transfer import bulk_k2, transfer_function
from roommodes.acoustics.wall_laws import ConstantAdmittance, MassSpring
from roommodes.arrays import Complexes, Floats
from roommodes.running import Running

LOW_HZ, HIGH_HZ = 12.0, 95.0
MARGIN = 6.0  # the region begins so far below the real axis: what rings for ever lies on it [rad/s]
OWN = 0.6  # and ends at this part of the damping of any wall by itself
TURN = 1.0  # most change of the determinant's logarithm from one point of the edge to the next
POINTS = 8  # sources times seats of the second check
WINDOW_HZ, CORE_HZ = 9.0, 2.5
NEAR = 0.1  # of a pole's damping: two that are one
SHOWN, LISTED = 0.15, 0.02


def seeded_walls(seed: int, *, pane: bool, lightly_damped: bool) -> tuple[Room, tuple[Surface, ...]]:
    """A room with walls at random.

    Parameters
    ----------
    seed : of everything.
    pane : with a pane on one wall.
    lightly_damped : leaves with any resistance; else such that no wall by itself rings longer than a room mode may.
    """
    random = np.random.default_rng(seed)
    room = Room(
        length_m=random.uniform(3.5, 7.5),
        width_m=random.uniform(2.8, 5.5),
        height_m=random.uniform(2.2, 3.0),
        loss_factor=random.uniform(0.002, 0.02),
    )
    surfaces = []
    lowest = 2.5 if lightly_damped else 3.3
    for wall in WALLS:
        kind = random.integers(5)
        law: WallLaw
        mass, resistance = random.uniform(6.0, 25.0), 10.0 ** random.uniform(lowest, 3.8)
        if kind == 0:
            continue
        if kind < 3:
            stiffness = 10.0 ** random.uniform(5.3, 6.6)
            law = MassSpring(mass_kg_m2=mass, resistance_pa_s_m=resistance, stiffness_pa_m=stiffness)
        elif kind == 3:
            law = ConstantAdmittance(beta_re=10.0 ** random.uniform(-2.3, -0.7), beta_im=random.uniform(-0.2, 0.2))
        else:
            law = MassSpring(mass_kg_m2=mass, resistance_pa_s_m=resistance, radiates=True)
        surfaces.append(Surface(wall=wall, from_m=(0.0, 0.0), to_m=room.wall_size_m(wall), law=law))
    if pane:
        length, height = room.wall_size_m("left")
        glass = Pane(
            thickness_m=float(random.choice([0.004, 0.006, 0.010])),
            youngs_modulus_pa=70e9,
            poisson=0.22,
            density_kg_m3=2500.0,
            loss_factor=random.uniform(0.01, 0.06),
        )
        corner = (random.uniform(0.5, 0.9) * length, height - 0.4)
        surfaces.append(Surface(wall="left", from_m=(0.15 * length, 0.3), to_m=corner, law=glass))
    return room, tuple(surfaces)


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """Poles in a region: counted and found; the longest damping in it [rad/s]."""

    counted: float
    found: int
    deepest: float


def count(room: Room, surfaces: tuple[Surface, ...]) -> Count:
    """The argument principle against the search; no panes among the surfaces."""
    top_hz = HIGH_HZ + 20.0
    nowhere = np.empty((0, 3))
    hz = np.geomspace(5.0, top_hz, 16)
    precision = Precision(cut=3.0, extra_order=4, edge_wavenumber=40.0, plane_wavenumber=150.0)
    boundary = boundary_of(room, surfaces, frequency_hz=hz, seat_m=nowhere, source_m=nowhere, precision=precision)
    ports = Ports(
        room,
        boundary.families,
        seat_m=nowhere,
        source_m=nowhere,
        max_wavenumber=2.0 * pi * top_hz / room.air.speed_of_sound_m_s,
        precision=precision,
    )
    own = _own_poles(room, boundary)
    deepest = min([log(1e3) / 0.1, *(OWN * w.imag for w, _ in own if 0.0 < w.real < 2.0 * pi * 1.3 * HIGH_HZ)])
    low, high = 2.0 * pi * LOW_HZ, 2.0 * pi * HIGH_HZ

    def inside(omega: complex) -> bool:
        return low < omega.real < high and -MARGIN < omega.imag < deepest

    rigid = np.sqrt(ports.k2_modes.ravel()) * room.air.speed_of_sound_m_s / (1.0 - 0.5j * room.loss_factor)
    turns = _turns(room, ports, boundary, (complex(low, -MARGIN), complex(high, deepest)))
    counted = turns + sum(inside(w) for w in rigid.tolist()) + sum(size for w, size in own if inside(w))
    kept = rigid_modes(room, KEPT_REACH * HIGH_HZ, with_pressure_mode=True)
    problem = Resonances(room, surfaces, kept, top_hz, FOR_READING)
    found = problem.poles(Strip(low=low, high=high, deepest=log(1e3) / SHORTEST_S), Running()).poles
    return Count(counted=counted, found=sum(inside(w) for w in found.omega.tolist()), deepest=deepest)


def _own_poles(room: Room, boundary: Boundary) -> list[tuple[complex, int]]:
    """Where each leaf by itself resonates, and as how many boundary modes."""
    found = []
    for strength in boundary.strengths:
        if isinstance(strength, LocalStrength) and isinstance(strength.law, MassSpring):
            law = strength.law
            outside = room.air.impedance_pa_s_m if law.radiates else 0.0
            roots = np.roots([-law.mass_kg_m2, 1j * (law.resistance_pa_s_m + outside), law.stiffness_pa_m])
            found += [(complex(root), strength.size) for root in roots]
    return found


def _turns(room: Room, ports: Ports, boundary: Boundary, corners: tuple[complex, complex]) -> float:
    """How often det(1 + Y Z) turns about zero along a rectangle's edge."""

    def logarithm(omega: Complexes) -> Complexes:
        parts = []
        for start in range(0, len(omega), 8):
            some = omega[start : start + 8]
            matrix = Matrices(some).times(boundary.strengths, ports.at(bulk_k2(room, some)).boundary)
            index = np.arange(boundary.size)
            matrix[:, index, index] += 1.0
            sign, size = np.linalg.slogdet(matrix)
            parts.append(size + 1j * np.angle(sign))
        return np.concatenate(parts)

    (a, b), (c, d) = ((z.real, z.imag) for z in corners)
    edge = [complex(a, b), complex(c, b), complex(c, d), complex(a, d), complex(a, b)]
    sides = [
        np.linspace(first, last, max(4, int(abs(last - first) / 6.0)), endpoint=False) for first, last in pairwise(edge)
    ]
    omega = np.append(np.concatenate(sides), edge[0])
    value = logarithm(omega)
    while True:
        step = np.diff(value)
        turn = np.angle(np.exp(1j * step.imag))
        coarse = np.flatnonzero((np.abs(turn) > TURN) | (np.abs(step.real) > TURN))
        if not len(coarse):
            return float(turn.sum() / (2.0 * pi))
        middle = 0.5 * (omega[coarse] + omega[coarse + 1])
        omega, value = np.insert(omega, coarse + 1, middle), np.insert(value, coarse + 1, logarithm(middle))


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What the responses show: modes listed, poles of the responses that are not, the most that the listed leave."""

    listed: int
    missing: tuple[tuple[float, float, float], ...]  # Hz, s, share
    left: float


def shown(room: Room, surfaces: tuple[Surface, ...], seed: int) -> Shown:
    """Rational fits of single responses against the list of modes."""
    random = np.random.default_rng(seed)
    hz = np.arange(LOW_HZ, HIGH_HZ + WINDOW_HZ, 0.25)
    points = random.uniform(0.02, 0.98, (POINTS, 3)) * np.array(room.size_m)
    half = POINTS // 2
    transfer = transfer_function(room, surfaces, frequency_hz=hz, seat_m=points[:half], source_m=points[half:])
    response = transfer.reshape(len(hz), -1)
    modes = built_modes(room, surfaces, max_hz=float(hz[-1]) + 10.0)
    omega = np.array([2.0 * pi * m.frequency_hz + 1j * log(1e3) / m.decay_time_s for m in modes])
    centres = np.arange(LOW_HZ + WINDOW_HZ, HIGH_HZ - CORE_HZ, 2.0 * CORE_HZ)
    seen = [_poles_of(hz, response[:, one], centres) for one in range(response.shape[1])]
    level = np.sqrt(np.mean(np.abs(response) ** 2, axis=1))
    return Shown(
        listed=len(modes),
        missing=tuple(_missing(seen, omega, hz, level)),
        left=max(_left(hz, response, omega, float(centre)) for centre in centres),
    )


def _poles_of(hz: Floats, response: Complexes, centres: Floats) -> list[tuple[complex, float]]:
    """Poles of one response and the size of its part at each."""
    found = []
    for centre in centres:
        used = np.abs(hz - centre) <= WINDOW_HZ
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fit = AAA(2.0 * pi * hz[used], response[used], rtol=1e-5, max_terms=25, clean_up=False)
            poles, residues = fit.poles(), fit.residues()
        core = (np.abs(poles.real / (2.0 * pi) - centre) <= CORE_HZ) & (poles.imag > 0.0) & (poles.imag < 80.0)
        found += [(complex(p), float(abs(r)) / p.imag) for p, r in zip(poles[core], residues[core], strict=True)]
    return found


def _missing(
    seen: list[list[tuple[complex, float]]], listed: Complexes, hz: Floats, level: Floats
) -> list[tuple[float, float, float]]:
    """Poles that half of the responses show and the list does not have."""
    every = [(pole, part, number) for number, one in enumerate(seen) for pole, part in one]
    found, used = [], set[int]()
    for index, (pole, _, _) in enumerate(every):
        if index in used:
            continue
        same = [k for k, (other, _, _) in enumerate(every) if abs(other - pole) < 0.5 * NEAR * pole.imag]
        used |= set(same)
        part = float(np.sqrt(sum(every[k][1] ** 2 for k in same) / len(seen)))
        share = part / float(np.interp(pole.real / (2.0 * pi), hz, level))
        many = len({every[k][2] for k in same}) >= 0.5 * len(seen)
        if many and share >= SHOWN and np.abs(listed - pole).min(initial=np.inf) > NEAR * pole.imag:
            found.append((pole.real / (2.0 * pi), log(1e3) / pole.imag, share))
    return found


def _left(hz: Floats, response: Complexes, omega: Complexes, centre: float) -> float:
    """Share of the responses' rms about a frequency that the listed modes with a cubic leave."""
    used = np.abs(hz - centre) <= WINDOW_HZ
    x = (hz[used] - centre) / WINDOW_HZ
    near = omega[np.abs(omega.real / (2.0 * pi) - centre) <= 2.5 * WINDOW_HZ]
    columns = np.concatenate([1.0 / (2.0 * pi * hz[used, None] - near), x[:, None] ** np.arange(4)], axis=1)
    columns /= np.linalg.norm(columns, axis=0)
    answer = columns @ np.linalg.lstsq(columns, response[used], rcond=None)[0]
    return float(np.linalg.norm(response[used] - answer) / np.linalg.norm(response[used]))


def main() -> int:
    """Both checks on every room; 1 when any fails."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--rooms", type=int, default=100)
    options.add_argument("--first", type=int, default=1, help="seed of the first room")
    options.add_argument("--json", action="store_true")
    chosen = options.parse_args()
    rows = []
    for seed in range(chosen.first, chosen.first + chosen.rooms):
        started = time.process_time()
        counts = count(*seeded_walls(seed, pane=False, lightly_damped=False))
        seen = shown(*seeded_walls(seed, pane=seed % 3 == 0, lightly_damped=True), seed)
        right = round(counts.counted) == counts.found and abs(counts.counted - counts.found) < 1e-6
        rows.append(
            {
                "seed": seed,
                "counted": counts.counted,
                "found": counts.found,
                "listed": seen.listed,
                "missing": seen.missing,
                "left": seen.left,
                "passed": right and not seen.missing and seen.left <= LISTED,
                "cpu_s": time.process_time() - started,
            }
        )
        if not chosen.json:
            print(
                "seed {seed:3d}  counted {counted:5.2f} found {found:2d}  listed {listed:2d} missing {missing} "
                "left {left:.2%}  {cpu_s:.1f} s CPU  {0}".format(
                    "passed" if rows[-1]["passed"] else "FAILED", **rows[-1]
                ),
                flush=True,
            )
    passed = sum(bool(row["passed"]) for row in rows)
    if chosen.json:
        print(json.dumps(rows, indent=2))
    else:
        print(f"{passed} of {len(rows)} rooms passed; {sum(int(row['found']) for row in rows)} poles counted and found")
    return 0 if passed == len(rows) else 1


if __name__ == "__main__":
    sys.exit(main())
