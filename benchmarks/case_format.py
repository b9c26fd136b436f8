"""Reads reference cases (JSON, formats "room reference case 1" and "2") into the model's own terms.

Format 2 adds blocks and slopes, each with one law for all its faces.
"""

import json
from dataclasses import dataclass
from math import pi
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.air import Air
from roommodes.acoustics.plates.panes import Pane
from roommodes.acoustics.room import Room, Surface, Wall, whole_face
from roommodes.acoustics.wall_laws import Opening
from roommodes.arrays import Complexes
from roommodes.shapes.solids import Block, Slope

FORMATS = ("room reference case 1", "room reference case 2")
WALL_OF: dict[str, Wall] = {"x0": "front", "x1": "rear", "y0": "left", "y1": "right", "z0": "floor", "z1": "ceiling"}


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseAir(Air):
    """Air whose speed and density are given rather than derived."""

    given_speed_m_s: float
    given_density_kg_m3: float

    @property
    def speed_of_sound_m_s(self) -> float:
        return self.given_speed_m_s

    @property
    def density_kg_m3(self) -> float:
        return self.given_density_kg_m3


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseLaw:
    """A wall law as the case format words it (see each case's `laws`)."""

    terms: dict[str, Any]

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """beta = rho c / Z, (k,) -> (k,)."""
        law = self.terms
        rho_c = air.impedance_pa_s_m
        match law["type"]:
            case "constant":
                beta = np.full_like(omega, complex(law["beta_re"], law["beta_im"]))
            case "mass":
                beta = rho_c / (law["r"] + 1j * omega * law["m"] + law.get("outside", 0.0))
            case "resonant":
                beta = rho_c / (law["R"] + 1j * (omega * law["m"] - law["s"] / omega))
            case "opening":
                beta = 1.0 / (law["a"] + 1j * law["b"] * omega / (2.0 * pi * law["f0"]))
            case "piston":
                beta = Opening(area_m2=law["area"]).admittance(omega, air)
            case "linear":
                slope = complex(law["b1_re"], law["b1_im"]) * omega / (2.0 * pi * law["f0"])
                beta = complex(law["b0_re"], law["b0_im"]) + slope
            case "layer":
                beta = 1.0 / (law["a"] - 1j / np.tan(omega * law["d"] / air.speed_of_sound_m_s))
            case other:
                raise ValueError(
                    f"law type {other!r} is not known; known: constant, mass, resonant, opening, piston, linear, layer"
                )
        return beta


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenResistance:
    """The same resistance outside for every mode, in place of `ModeRadiation`."""

    resistance_pa_s_m: float
    size: int

    def impedance_pa_s_m(self, omega: Complexes, air: Air) -> Complexes:
        return np.full((len(omega), self.size), self.resistance_pa_s_m, dtype=np.complex128)


@dataclass(frozen=True, slots=True, kw_only=True)
class CasePane(Pane):
    """A pane whose outside resistance is given."""

    given_outside_pa_s_m: float

    def radiation_of(self, width_m: float, height_m: float, numbers: NDArray[np.intp]) -> Any:
        return GivenResistance(resistance_pa_s_m=self.given_outside_pa_s_m, size=len(numbers))

    def far_resistance_pa_s_m(self, air: Air) -> float:
        return self.given_outside_pa_s_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One reference case: the question and its independent answer."""

    name: str
    description: str
    room: Room
    surfaces: tuple[Surface, ...]
    frequency_hz: NDArray[np.float64]
    source_m: NDArray[np.float64]
    receiver_m: NDArray[np.float64]
    transfer: Complexes  # (n_freq, n_receiver, n_source)


def read_case(path: Path) -> Case:
    """Read one case.

    Raises
    ------
    ValueError : if it is not a case of the known format.
    OSError : if it cannot be read.
    """
    data = json.loads(path.read_text(encoding="utf-8"))
    if not isinstance(data, dict) or data.get("format") not in FORMATS:
        raise ValueError(f"{path}: format must be {' or '.join(map(repr, FORMATS))}")
    length, width, height = data["room_m"]
    air = CaseAir(given_speed_m_s=data["speed_of_sound_m_s"], given_density_kg_m3=data["air_density_kg_m3"])
    blocks = tuple(
        Block(name=entry["name"], low_m=tuple(entry["from_m"]), high_m=tuple(entry["to_m"]))
        for entry in data.get("blocks", [])
    )
    slopes = tuple(
        Slope(name=f"slope {number}", along=entry["axis"], from_m=tuple(entry["line"][0]), to_m=tuple(entry["line"][1]))
        for number, entry in enumerate(data.get("slopes", []), 1)
    )
    room = Room(
        length_m=length,
        width_m=width,
        height_m=height,
        air=air,
        loss_factor=data["loss_factor"],
        blocks=blocks,
        slopes=slopes,
    )
    surfaces: list[Surface] = [
        Surface(
            wall=WALL_OF[wall],
            from_m=(0.0, 0.0),
            to_m=room.wall_size_m(WALL_OF[wall]),
            law=CaseLaw(terms=law),
            name=wall,
        )
        for wall, law in data["walls"].items()
        if law
    ]
    surfaces += [_placed(entry, CaseLaw(terms=entry["law"])) for entry in data["regions"]]
    surfaces += [_placed(entry, _pane(entry)) for entry in data["panes"]]
    solids = [(block.face_names, entry["law"]) for block, entry in zip(blocks, data.get("blocks", []), strict=True)]
    solids += [
        ((slope.name, slope.step_name), entry["law"])
        for slope, entry in zip(slopes, data.get("slopes", []), strict=True)
    ]
    surfaces += [whole_face(room, name, CaseLaw(terms=law)) for names, law in solids if law for name in names]
    order = (2, 1, 0)  # stored as [source][receiver][frequency]
    transfer = np.asarray(data["H_re"]).transpose(order) + 1j * np.asarray(data["H_im"]).transpose(order)
    return Case(
        name=data["name"],
        description=data["description"],
        room=room,
        surfaces=tuple(surfaces),
        frequency_hz=np.asarray(data["frequencies_hz"], dtype=np.float64),
        source_m=np.asarray(data["sources_m"], dtype=np.float64),
        receiver_m=np.asarray(data["receivers_m"], dtype=np.float64),
        transfer=transfer,
    )


def _placed(entry: dict[str, Any], law: CaseLaw | CasePane) -> Surface:
    return Surface(
        wall=WALL_OF[entry["wall"]],
        from_m=(entry["u0"], entry["v0"]),
        to_m=(entry["u1"], entry["v1"]),
        law=law,
        name=entry.get("name", entry["wall"]),
    )


def _pane(entry: dict[str, Any]) -> CasePane:
    return CasePane(
        thickness_m=entry["h"],
        youngs_modulus_pa=entry["E"],
        poisson=entry["nu"],
        density_kg_m3=entry["rho_g"],
        loss_factor=entry["eta_p"],
        given_outside_pa_s_m=entry["r_out"],
    )
