"""Responses from AES69 (SOFA) files, through the package sofar, which comes with an extra.

Transfer functions (data types TF, TF-E) and impulse responses (FIR, FIR-E); receivers are taken as microphones,
emitters as subs. Only data are read: positions and names come from the manifest and the project.
"""

import importlib
import warnings
from pathlib import Path
from typing import Any

import numpy as np

from roommodes.errors import FileUnusable
from roommodes.measured.files import Impulse, Spectrum, faulty
from roommodes.measured.text_table import FEWEST_POINTS, LARGEST
from roommodes.measured.wav import checked_impulse

SOFA_MISSING = (
    "SOFA files need the package sofar, which is not installed; install roommodes with its extra: "
    "pip install 'roommodes[sofa]'"
)


def open_sofa(path: Path) -> Any:
    """The SOFA object of a file; opened once, it gives any number of responses.

    Raises
    ------
    FileUnusable : sofar is not installed.
    FileFaulty : it is no SOFA file, damaged, or of a data type that is not read.
    """
    try:
        sofar: Any = importlib.import_module("sofar")
    except ImportError:
        raise FileUnusable(SOFA_MISSING) from None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sofa = sofar.read_sofa(str(path), verify=False, verbose=False)
            kind = str(sofa.GLOBAL_DataType)
    except Exception as error:  # sofar and netCDF raise many kinds for files that are none of theirs
        reason = " ".join(str(error).split())[:120].rstrip(".") or type(error).__name__
        raise faulty(f"it cannot be read as a SOFA file: damaged, cut short or of another kind ({reason}).") from None
    if kind not in {"TF", "TF-E", "FIR", "FIR-E"}:
        raise faulty(f"its data type is {kind[:40]}; allowed: TF, TF-E, FIR and FIR-E.")
    return sofa


def read_sofa(sofa: Any, *, measurement: int, receiver: int | None, emitter: int | None) -> Spectrum | Impulse:
    """One response of an opened file; `measurement`, `receiver` and `emitter` count from 1.

    Raises
    ------
    FileFaulty : there is no such response, or it holds no usable numbers.
    """
    kind = str(sofa.GLOBAL_DataType)
    try:
        if kind.startswith("TF"):
            data = np.asarray(sofa.Data_Real, dtype=np.float64) + 1j * np.asarray(sofa.Data_Imag, dtype=np.float64)
        else:
            data = np.asarray(sofa.Data_IR, dtype=np.complex128)
    except (AttributeError, TypeError, ValueError):
        raise faulty("its data are missing or no numbers; export the measurement again.") from None
    if kind.endswith("-E"):
        data = data[..., None] if data.ndim == 3 else data
    else:
        data = data[..., None, None] if data.ndim == 2 else data[..., None]
    if data.ndim != 4 or 0 in data.shape:
        raise faulty(f"its data have the shape {data.shape}; allowed: measurement, receiver, sample, emitter.")
    index = [
        _index("measurement", measurement, data.shape[0]),
        _index("receiver", receiver, data.shape[1]),
        _index("emitter", emitter, data.shape[3]),
    ]
    chosen = data[index[0], index[1], :, index[2]]
    if not np.isfinite(chosen).all():
        raise faulty("a value is not a finite number; export the measurement again.")
    if kind.startswith("TF"):
        return _spectrum(_numbers(sofa, "N"), chosen)
    rate = float(_numbers(sofa, "Data_SamplingRate")[0])
    if not 100.0 <= rate <= 1e6:
        raise faulty(f"it says a sample rate of {rate:g} Hz; allowed: 100 to 1000000 Hz.")
    lead = _delay(sofa, index)
    return checked_impulse(np.concatenate([np.zeros(round(lead)), chosen.real]), rate, whole=False)


def _spectrum(hz: np.ndarray[Any, np.dtype[np.float64]], value: np.ndarray[Any, np.dtype[np.complex128]]) -> Spectrum:
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


def _delay(sofa: Any, index: list[int]) -> float:
    """Samples of silence that the file leaves out before a response."""
    if not hasattr(sofa, "Data_Delay"):
        return 0.0
    shape = np.shape(sofa.Data_Delay)
    delay = np.atleast_2d(_numbers(sofa, "Data_Delay").reshape(shape))
    delay = delay[..., None] if delay.ndim == 2 else delay
    place = tuple(min(i, size - 1) for i, size in zip(index, delay.shape, strict=False))
    value = float(delay[place])
    if not 0.0 <= value <= 1e7:
        raise faulty(f"it says a delay of {value:g} samples; allowed: 0 or more.")
    return value


def _numbers(sofa: Any, name: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    """A variable's numbers in a row, at least one."""
    try:
        found = np.asarray(getattr(sofa, name), dtype=np.float64).ravel()
    except (AttributeError, TypeError, ValueError):
        found = np.empty(0)
    if not len(found):
        raise faulty(f"its {name.replace('_', '.')} is missing or no number; export the measurement again.")
    return found


def _index(what: str, number: int | None, count: int) -> int:
    if number is None and count > 1:
        raise faulty(f"it has {count} {what}s; say which with `{what}`, from 1.")
    if number is not None and number > count:
        raise faulty(f"got {what} {number}; it has {count}, counted from 1.")
    return (number or 1) - 1
