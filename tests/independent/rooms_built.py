"""Two small rooms in the case format, and the bridge from that format to the project's own types.

Only the public types are used (`rooms`, `air`); the laws come from `cases`, not from the project's library.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from benchmarks.case_format import CasePane
from roommodes.acoustics.air import Air
from roommodes.acoustics.room import Room, Surface, Wall
from roommodes.arrays import Complexes
from tests.independent.cases import admittance, patches

WALLS: dict[str, Wall] = {"x0": "front", "x1": "rear", "y0": "left", "y1": "right", "z0": "floor", "z1": "ceiling"}

AIR = Air()
HARD = {"type": "constant", "beta_re": 0.0, "beta_im": 0.0}
ABSORBER = {"type": "resonant", "R": 700.0, "m": 9.0, "s": 9.6e5}  # invented: 52 Hz
GLASS = {"type": "mass", "r": 300.0, "m": 15.0, "outside": AIR.impedance_pa_s_m}  # invented: 15 kg/m2
SMALL_ROOM: dict[str, Any] = {  # every dimension and strength invented
    "room_m": [2.6, 2.0, 2.2],
    "speed_of_sound_m_s": AIR.speed_of_sound_m_s,
    "air_density_kg_m3": AIR.density_kg_m3,
    "loss_factor": 0.01,
    "walls": {"x1": {"type": "constant", "beta_re": 0.08, "beta_im": 0.05}},
    "regions": [
        {"wall": "y0", "u0": 0.5, "u1": 2.1, "v0": 0.7, "v1": 1.9, "law": GLASS},
        {
            "wall": "z1",
            "u0": 0.0,
            "u1": 1.3,
            "v0": 0.0,
            "v1": 1.0,
            "law": {"type": "constant", "beta_re": 0.4, "beta_im": 0.1},
        },
    ],
    "panes": [],
    "sources_m": [[0.0, 0.0, 0.0], [0.7, 1.4, 0.4]],
    "receivers_m": [[1.4, 0.7, 1.1], [2.0, 1.4, 1.2], [1.3, 0.5, 1.4]],
    "frequencies_hz": [31.5, 50.0, 71.0],
}
PANE_ROOM: dict[str, Any] = {  # a region, a whole-wall law that a region replaces in part, and a pane
    **SMALL_ROOM,
    "room_m": [4.4, 3.2, 2.4],
    "loss_factor": 0.004,
    "walls": {"z1": {"type": "constant", "beta_re": 0.1, "beta_im": 0.04}},
    "regions": [
        {"wall": "z1", "u0": 1.0, "u1": 3.0, "v0": 0.8, "v1": 2.4, "law": HARD},
        {"wall": "x1", "u0": 0.6, "u1": 2.4, "v0": 0.4, "v1": 2.0, "law": ABSORBER},
    ],
    "panes": [
        {
            "wall": "y0", "u0": 1.0, "u1": 3.4, "v0": 0.4, "v1": 2.0, "h": 0.006, "E": 70e9, "nu": 0.22,
            "rho_g": 2500.0, "eta_p": 0.03, "r_out": AIR.impedance_pa_s_m,
        }
    ],
    "sources_m": [[0.3, 0.3, 0.25], [0.0, 1.6, 0.0], [2.2, 0.0, 1.0]],
    "receivers_m": [[2.6, 1.0, 1.15], [2.6, 2.2, 1.15], [3.6, 1.6, 1.25], [4.3, 3.1, 2.3]],
    "frequencies_hz": [22.0, 41.0, 63.0, 88.0, 125.0, 155.0],
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class LawOfCase:
    """A law of the case format, as the model wants it."""

    terms: dict[str, Any]

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """beta, (k,) -> (k,); real omega only."""
        c, rho = air.speed_of_sound_m_s, air.density_kg_m3
        return np.array([admittance(self.terms, w.real / (2.0 * np.pi), c, rho) for w in np.atleast_1d(omega)])


def model_room(case: dict[str, Any]) -> tuple[Room, tuple[Surface, ...]]:
    """The case as a Room and Surfaces; its air must be AIR, its panes have rho c outside, as the elements have."""
    length, width, height = case["room_m"]
    room = Room(length_m=length, width_m=width, height_m=height, air=AIR, loss_factor=case["loss_factor"])
    surfaces = []
    for patch in patches(case):
        law: LawOfCase | CasePane
        if patch.pane is None:
            assert patch.law is not None
            law = LawOfCase(terms=patch.law)
        else:
            law = CasePane(
                thickness_m=patch.pane["h"],
                youngs_modulus_pa=patch.pane["E"],
                poisson=patch.pane["nu"],
                density_kg_m3=patch.pane["rho_g"],
                loss_factor=patch.pane["eta_p"],
                given_outside_pa_s_m=AIR.density_kg_m3 * AIR.speed_of_sound_m_s,
            )
        corners = {"from_m": (patch.u[0], patch.v[0]), "to_m": (patch.u[1], patch.v[1])}
        surfaces.append(Surface(wall=WALLS[patch.wall], law=law, name=patch.wall, **corners))
    return room, tuple(surfaces)


def over_rms(found: Complexes, expected: Complexes) -> Any:
    """|found - expected| over the rms of |expected| over the receivers; axes source, receiver, frequency."""
    return np.abs(found - expected) / np.sqrt(np.mean(np.abs(expected) ** 2, axis=1, keepdims=True))
