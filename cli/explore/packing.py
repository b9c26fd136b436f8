"""Numbers packed for the page: whole multiples of a step, bytes of equal weight side by side, deflated, base64.

The smooth part of the field (`solvers.listening.anywhere`) is rounded to 2^-20 of what the loudest ear gets from a
place at a frequency, so that a seat in a null 50 dB below it still has its level to 0.002 dB. Whole numbers of either
sign are folded to even and odd ones first: small ones then have zeros in their higher bytes, which take no room.
"""

import base64
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats, Integers
from solvers.listening.anywhere import Anywhere, PlaneField, RowShift

FIELD_BITS, PLANE_BITS = 21, 14  # sign included


def packed_integers(values: Integers) -> dict[str, Any]:
    """Whole numbers of either sign, |value| < 2^31."""
    flat = np.asarray(values, dtype=np.int64).ravel()
    folded = ((flat << 1) ^ (flat >> 63)).astype(np.uint32)
    used = max(1, (int(folded.max(initial=0)).bit_length() + 7) // 8)
    planes = b"".join(
        ((folded >> np.uint32(8 * byte)) & np.uint32(255)).astype(np.uint8).tobytes() for byte in range(used)
    )
    return {"count": len(flat), "bytes": used, "data": _text(planes)}


def packed_floats(values: NDArray[np.float32]) -> str:
    """Numbers of four bytes, little-endian."""
    return _text(np.ascontiguousarray(values, dtype="<f4").tobytes())


def packed_field(found: Anywhere) -> dict[str, Any]:
    """The field at the drawn rows, and what is added where a row is shifted.

    `field` and `series` count real and imaginary parts first, then (term,) frequency, ear, place; `step` frequency,
    place [1/m].
    """
    step = _step(np.abs(found.smooth).max(axis=1), FIELD_BITS)
    return {
        "step": packed_floats(step),
        "field": packed_integers(_rounded(found.smooth, step[:, None, :])),
        "shifts": [_shift(one, step) for one in found.shifts],
    }


def packed_plane(field: PlaneField) -> dict[str, Any]:
    """The factors over the listening plane: at each frequency left (node, rank), then right (rank, place)."""
    numbers, steps = [], []
    for left, right in zip(field.left, field.right, strict=True):
        balance = np.sqrt(np.linalg.norm(right, axis=1))
        for factor in (left * balance, right / balance[:, None]):
            step = _step(np.abs(factor).max(keepdims=True).ravel(), PLANE_BITS)
            steps.append(step)
            numbers.append(_rounded(factor, step).ravel())
    plane = field.plane
    return {
        "x": plane.nodes_x_m.tolist(),
        "y": plane.nodes_y_m.tolist(),
        "z": plane.height_m,
        "rank": [left.shape[1] for left in field.left],
        "step": packed_floats(np.concatenate(steps)),
        "factors": packed_integers(np.concatenate(numbers)),
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """Bytes in the file for each number; usual ones as measured on nine rooms of 45 to 86 m3 up to 100 to 160 Hz.

    Parameters
    ----------
    field, series, plane : of the field (2.7 to 3.1), a row's series (1.1 to 1.2), the plane's factors (1.4 to 1.7).
    rank : mean of the plane's rank over the number of its nodes (0.07 where zones are lines, to 0.11).
    """

    field: float = 2.9
    series: float = 1.12
    plane: float = 1.6
    rank: float = 0.09


USUAL = Rates()


def rates_of(found: Anywhere) -> Rates:
    """The rates of a field as it packs, measured; usual ones for what it does not have."""
    packed = packed_field(found)
    rates = {"field": len(packed["field"]["data"]) / (2 * found.smooth.size)}
    if found.shifts:
        of_series = sum(len(shift["series"]["data"]) for shift in packed["shifts"])
        rates["series"] = of_series / sum(2 * shift.series.size for shift in found.shifts)
    if found.plane is not None:
        left, right = found.plane.left, found.plane.right
        numbers = sum(2 * (one.size + other.size) for one, other in zip(left, right, strict=True))
        rates["plane"] = len(packed_plane(found.plane)["factors"]["data"]) / numbers
        rates["rank"] = float(np.mean([one.shape[1] / one.shape[0] for one in left]))
    return Rates(**rates)


def expected_bytes(*, n_freq: int, n_ear: int, n_place: int, n_series: int, n_node: int, rates: Rates = USUAL) -> float:
    """About how large the packed numbers will be [bytes].

    Parameters
    ----------
    n_freq, n_ear, n_place : of the field.
    n_series : terms of all ears that may move together.
    n_node : of the listening plane; 0 without.
    rates : bytes for each number.
    """
    field = n_place * (n_ear * rates.field + n_series * rates.series)
    plane = (n_node + n_place) * rates.rank * n_node * rates.plane
    return 2.0 * n_freq * (field + plane)


def _shift(shift: RowShift, step: NDArray[np.float32]) -> dict[str, Any]:
    return {
        "row": shift.row,
        "low": shift.low_m,
        "high": shift.high_m,
        "ears": shift.ear.tolist(),
        "terms": len(shift.series),
        "series": packed_integers(_rounded(shift.series, step[None, :, None, :])),
    }


def _step(largest: Floats, bits: int) -> NDArray[np.float32]:
    """Steps as the page will know them, in four bytes."""
    return np.maximum(largest / 2.0 ** (bits - 1), np.finfo(np.float32).tiny).astype(np.float32)


def _rounded(values: Complexes, step: NDArray[np.float32]) -> Integers:
    """Real and imaginary parts, one after the other, in whole steps."""
    exact = step.astype(np.float64)
    return np.stack([np.rint(values.real / exact), np.rint(values.imag / exact)]).astype(np.int64)


def _text(data: bytes) -> str:
    return base64.b64encode(zlib.compress(data, 9)).decode("ascii")
