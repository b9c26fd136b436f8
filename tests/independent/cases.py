"""The case format "room reference case 1" as the independent solver reads it: laws, surfaces, plate strengths.

Kept apart from the project's own reader and laws on purpose, so that a slip there cannot hide here.
Time factor e^{+j omega t}; beta = rho c / Z, outward normal.
"""

from dataclasses import dataclass
from math import pi, sqrt, tan
from typing import Any

import numpy as np
from scipy.special import j1, struve

from roommodes.arrays import Complexes, Floats

WALL_NAMES = ("x0", "x1", "y0", "y1", "z0", "z1")
IN_PLANE = ((1, 2), (0, 2), (0, 1))  # normal axis -> the wall's two axes u, v


def admittance(law: dict[str, Any], frequency_hz: float, c: float, rho: float) -> complex:
    """Specific admittance beta of a locally reacting law at one frequency."""
    w = 2.0 * pi * frequency_hz
    match law["type"]:
        case "constant":
            beta = complex(law["beta_re"], law["beta_im"])
        case "mass":
            beta = rho * c / (law["r"] + 1j * w * law["m"] + law.get("outside", 0.0))
        case "resonant":
            beta = rho * c / (law["R"] + 1j * (w * law["m"] - law["s"] / w))
        case "opening":
            beta = 1.0 / (law["a"] + 1j * law["b"] * frequency_hz / law["f0"])
        case "piston":
            z = 2.0 * w / c * sqrt(law["area"] / pi)
            beta = complex(1.0 / (1.0 - 2.0 * j1(z) / z + 2j * struve(1, z) / z))
        case "linear":
            at_zero, slope = complex(law["b0_re"], law["b0_im"]), complex(law["b1_re"], law["b1_im"])
            beta = at_zero + slope * frequency_hz / law["f0"]
        case "layer":
            beta = 1.0 / (law["a"] - 1j / tan(w * law["d"] / c))
        case other:
            raise ValueError(f"unknown law {other!r}")
    return beta


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """One rectangle of one wall: a locally reacting law or a pane; a later patch replaces what is under it."""

    wall: str
    u: tuple[float, float]
    v: tuple[float, float]
    law: dict[str, Any] | None  # None: rigid under a pane
    pane: dict[str, Any] | None = None


def patches(case: dict[str, Any]) -> list[Patch]:
    """Whole-wall laws first, then regions, then panes: the order of replacement."""
    found = []
    for wall, law in case["walls"].items():
        along, up = IN_PLANE["xyz".index(wall[0])]
        if law:
            found.append(Patch(wall=wall, u=(0.0, case["room_m"][along]), v=(0.0, case["room_m"][up]), law=law))
    for region in case["regions"]:
        span = {"u": (region["u0"], region["u1"]), "v": (region["v0"], region["v1"])}
        found.append(Patch(wall=region["wall"], law=region["law"], **span))
    for pane in case["panes"]:
        span = {"u": (pane["u0"], pane["u1"]), "v": (pane["v0"], pane["v1"])}
        found.append(Patch(wall=pane["wall"], law=None, pane=pane, **span))
    return found


def plate_frequencies(pane: dict[str, Any], *, highest_hz: float = 3000.0) -> tuple[Floats, Floats]:
    """Angular resonances omega_jk (j, k from 1) [rad/s] and a mask of those up to `highest_hz`."""
    a, b = pane["u1"] - pane["u0"], pane["v1"] - pane["v0"]
    bending = pane["E"] * pane["h"] ** 3 / (12.0 * (1.0 - pane["nu"] ** 2))
    root = np.sqrt(bending / (pane["rho_g"] * pane["h"]))
    limit = np.sqrt(2.0 * pi * highest_hz / root) / pi
    j, k = np.arange(1, int(limit * a) + 1), np.arange(1, int(limit * b) + 1)
    omega = root * ((j[:, None] * pi / a) ** 2 + (k[None, :] * pi / b) ** 2)
    return omega, (omega <= 2.0 * pi * highest_hz).astype(float)


def plate_strengths(pane: dict[str, Any], frequency_hz: float) -> Complexes:
    """Y_jk = j w / (A/4 (m (w_jk^2 (1 + j eta) - w^2) + j w r_out)); zero for modes above 3 kHz."""
    w = 2.0 * pi * frequency_hz
    omega, taken = plate_frequencies(pane)
    area = (pane["u1"] - pane["u0"]) * (pane["v1"] - pane["v0"])
    mass = pane["rho_g"] * pane["h"]
    stiff = mass * (omega**2 * (1.0 + 1j * pane["eta_p"]) - w**2) + 1j * w * pane["r_out"]
    return taken * (1j * w) / (0.25 * area * stiff)
