"""Responses from AES69 (SOFA) files, which are netCDF-4, so HDF5: read as such, by the guard of all HDF5 input.

Transfer functions (data types TF, TF-E) and impulse responses (FIR, FIR-E); receivers are taken as microphones,
emitters as subs. Only data are read: positions and names come from the manifest and the project.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import h5py
import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import FileUnusable
from roommodes.measured.files import Impulse, Spectrum, faulty
from roommodes.measured.text_table import FEWEST_POINTS, LARGEST
from roommodes.measured.wav import checked_impulse
from roommodes.storage.guard import read_guarded_bytes

NAME = "SOFA file"
LONGEST_LEAD = 1e7  # samples
VARIABLES = ("Data.Real", "Data.Imag", "N", "Data.IR", "Data.SamplingRate", "Data.Delay")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sofa:
    """What a SOFA file holds of responses: its data type, and its variables by name, real numbers each."""

    kind: str
    variables: Mapping[str, Floats]


def open_sofa(data: bytes) -> Sofa:
    """The contents of a file; opened once, it gives any number of responses.

    Raises
    ------
    FileFaulty : it is no SOFA file, damaged, of a data type that is not read, or holds what no such file needs.
    """
    try:
        sofa = read_guarded_bytes(data, _contents, name=NAME, kind="SOFA")
    except FileUnusable as unusable:
        reason = str(unusable).removeprefix(f"{NAME}: ")
        raise faulty(f"it cannot be read as a SOFA file: {reason[:200].rstrip('.')}.") from None
    if sofa.kind not in {"TF", "TF-E", "FIR", "FIR-E"}:
        raise faulty(f"its data type is {sofa.kind[:40] or 'missing'}; allowed: TF, TF-E, FIR and FIR-E.")
    return sofa


def _contents(file: h5py.File) -> Sofa:
    if _attribute(file, "Conventions") != "SOFA":
        raise FileUnusable(f"{NAME}: it is HDF5 or netCDF, but of another kind")
    found = {}
    for name in VARIABLES:
        dataset = file.get(name)
        if isinstance(dataset, h5py.Dataset) and dataset.dtype.kind in "fiu" and not _is_bare_axis(dataset):
            found[name] = np.asarray(dataset[()], dtype=np.float64)
    return Sofa(kind=_attribute(file, "DataType"), variables=found)


def _is_bare_axis(dataset: Any) -> bool:
    """Whether a dataset only stands for an axis, without values of a variable (netCDF-4's words for that)."""
    return _attribute(dataset, "NAME").startswith("This is a netCDF dimension but not a netCDF variable")


def _attribute(item: Any, name: str) -> str:
    """An attribute that is one text, in any of the ways in which netCDF writes texts; else empty."""
    value: Any = np.ravel(item.attrs.get(name, ""))
    text = value[0] if len(value) == 1 else ""
    return text.decode("utf-8", errors="replace") if isinstance(text, bytes) else str(text)


def read_sofa(sofa: Sofa, *, measurement: int, receiver: int | None, emitter: int | None) -> Spectrum | Impulse:
    """One response of an opened file; `measurement`, `receiver` and `emitter` count from 1.

    Raises
    ------
    FileFaulty : there is no such response, or it holds no usable numbers.
    """
    names = ("Data.Real", "Data.Imag") if sofa.kind.startswith("TF") else ("Data.IR",)
    parts = [_by_emitter(sofa.variables.get(name), sofa.kind) for name in names]
    shape = parts[0].shape
    if any(part.shape != shape for part in parts):
        raise faulty("its real and imaginary parts differ in shape; export the measurement again.")
    index = [
        _index("measurement", measurement, shape[0]),
        _index("receiver", receiver, shape[1]),
        _index("emitter", emitter, shape[3]),
    ]
    real, *imaginary = (part[index[0], index[1], :, index[2]] for part in parts)
    chosen = real + 1j * imaginary[0] if imaginary else real.astype(np.complex128)
    if not np.isfinite(chosen).all():
        raise faulty("a value is not a finite number; export the measurement again.")
    if sofa.kind.startswith("TF"):
        return _spectrum(_numbers(sofa, "N"), chosen)
    rate = float(_numbers(sofa, "Data.SamplingRate")[0])
    if not 100.0 <= rate <= 1e6:
        raise faulty(f"it says a sample rate of {rate:g} Hz; allowed: 100 to 1000000 Hz.")
    lead = _delay(sofa, index)
    return checked_impulse(np.concatenate([np.zeros(round(lead)), chosen.real]), rate, whole=False)


def _by_emitter(values: Floats | None, kind: str) -> Floats:
    """Data as (measurement, receiver, sample, emitter): the types without emitters have one."""
    if values is None:
        raise faulty("its data are missing or no numbers; export the measurement again.")
    data = values if kind.endswith("-E") and values.ndim == 4 else values[..., None]
    if data.ndim != 4 or 0 in data.shape:
        raise faulty(f"its data have the shape {values.shape}; allowed: measurement, receiver, sample, emitter.")
    return data


def _spectrum(hz: Floats, value: Complexes) -> Spectrum:
    if len(hz) != len(value):
        raise faulty(f"it has {len(hz)} frequencies for {len(value)} values; export the measurement again.")
    if len(hz) < FEWEST_POINTS:
        raise faulty(f"it has {len(hz)} points; allowed: {FEWEST_POINTS} or more. Export with more points.")
    if not (np.isfinite(hz).all() and np.all(np.diff(hz) > 0.0) and hz[0] >= 0.0):
        raise faulty("its frequencies do not rise from point to point, from 0 or above; export the measurement again.")
    size = float(np.abs(value).max())
    if not size > 0.0:
        raise faulty("every value is 0: nothing was recorded.")
    if size > LARGEST:
        raise faulty(f"its largest value is {size:.3g}; allowed: up to {LARGEST:g}. Export it again.")
    return Spectrum(hz=hz, value=value)


def _delay(sofa: Sofa, index: list[int]) -> float:
    """Samples of silence that the file leaves out before a response."""
    if "Data.Delay" not in sofa.variables:
        return 0.0
    delay = np.atleast_2d(sofa.variables["Data.Delay"])
    if not delay.size:
        return 0.0
    delay = delay[..., None] if delay.ndim == 2 else delay
    value = float(delay[tuple(min(i, size - 1) for i, size in zip(index, delay.shape, strict=False))].ravel()[0])
    if not 0.0 <= value <= LONGEST_LEAD:
        raise faulty(f"it says a delay of {value:g} samples; allowed: 0 to {LONGEST_LEAD:g}.")
    return value


def _numbers(sofa: Sofa, name: str) -> Floats:
    """A variable's numbers in a row, at least one."""
    found = sofa.variables.get(name, np.empty(0)).ravel()
    if not len(found):
        raise faulty(f"its {name} is missing or no number; export the measurement again.")
    return found


def _index(what: str, number: int | None, count: int) -> int:
    if number is None and count > 1:
        raise faulty(f"it has {count} {what}s; say which with `{what}`, from 1.")
    if number is not None and number > count:
        raise faulty(f"got {what} {number}; it has {count}, counted from 1.")
    return (number or 1) - 1
