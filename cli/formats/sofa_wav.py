"""Seat responses in open formats: AES69 (SOFA) and WAV."""

import importlib
import io
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from cli.terminal.output import clean, counted
from cli.words.room import shape_words
from roommodes.arrays import Floats
from roommodes.errors import FileUnusable
from roommodes.plan.plan import MEASURED_UNIT, Plan, Results

SOFA_MISSING = (
    "SOFA files need the package sofar, which is not installed; install roommodes with its extra: "
    "pip install 'roommodes[sofa]'"
)


def sofa_bytes(plan: Plan) -> bytes:
    """The plan's subs at every seat as AES69 GeneralTF-E: receivers are seats, emitters are subs, undriven.

    Raises
    ------
    FileUnusable : sofar is not installed.
    """
    try:
        sofar: Any = importlib.import_module("sofar")
    except ImportError:
        raise FileUnusable(SOFA_MISSING) from None
    results = plan.results
    ordered = plan.transfer.transpose(1, 0, 2)[None]  # M, R, N, E
    sofa = sofar.Sofa("GeneralTF-E")
    sofa.GLOBAL_Title = clean(plan.project.name, 120)
    sofa.GLOBAL_ApplicationName = "roommodes"
    sofa.GLOBAL_ApplicationVersion = results.software_version
    sofa.GLOBAL_DateCreated = results.created_utc.replace("T", " ").removesuffix("Z")
    sofa.GLOBAL_DateModified = sofa.GLOBAL_DateCreated
    sofa.GLOBAL_RoomType = "shoebox" if plan.project.room.is_box else "reverberant"  # AES69 knows no other shapes
    sofa.GLOBAL_Comment = (
        f"{_origin(results)}, e^{{+j omega t}}. Gain, delay, polarity and filters are not in it. Positions in m from "
        "the corner of front wall, left wall and floor; x to the rear, y to the right as seen facing the screen, z up."
    )
    sofa.GLOBAL_History = f"project SHA-256 {plan.project.sha256}, seed {results.seed}"
    room = plan.project.room
    if room.is_box:
        sofa.add_variable("RoomCornerA", np.zeros((1, 3)), "double", "IC")
        sofa.add_variable("RoomCornerB", np.array([room.size_m]), "double", "IC")
    else:
        sofa.add_attribute("GLOBAL_RoomDescription", shape_words(room))
    sofa.ListenerPosition = np.zeros((1, 3))
    sofa.SourcePosition = np.zeros((1, 3))
    sofa.ReceiverPosition = results.seats.position_m
    sofa.EmitterPosition = plan.positions_m
    sofa.N = results.frequency_hz
    sofa.Data_Real = ordered.real
    sofa.Data_Imag = ordered.imag
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "responses.sofa"
        sofar.write_sofa(str(path), sofa)
        return path.read_bytes()


def _origin(results: Results) -> str:
    """Where the data come from, and what they are."""
    record, pressure = results.measured, "pressure at the seat over j omega rho q / (4 pi) of the sub [1/m]"
    if record is None:
        return f"Computed, not measured. Data: {pressure}; free field: e^{{-jkr}}/r"
    what = (
        pressure if record.absolute else f"measured response, {record.scale_db:+z.2f} dB applied to all, no known unit"
    )
    return f"Measured ({clean(record.name, 60)}), resampled. Data: {what}"


def wav_words(plan: Plan, length_s: float, *, latency_s: float, alone: bool) -> str:
    """What the WAV file holds; `alone`: one sub undriven."""
    words = (
        f"{counted(len(plan.seats), 'channel')}, one per seat in the project's order, {length_s:.2f} s long from "
        f"time zero on; faded out beyond the band by a causal filter, which delays mid band by {1e3 * latency_s:.0f} ms"
    )
    if not alone:
        words += ", driven as planned" + (", with the plan's filters" if plan.tuning else "")
        if plan.crossover:
            words += ", through the crossover's low-pass and without the mains"
    if plan.results.level_unit != MEASURED_UNIT:
        words += ". Convolved with a signal as it is at 1 m in free field each gives the sound at the seat"
    return words


def wav_bytes(impulse: Floats, rate_hz: int) -> bytes:
    """One channel per seat, 32-bit floating point: (n_sample, n_seat)."""
    from scipy.io import wavfile  # noqa: PLC0415 (slow to load; only for WAV)

    buffer = io.BytesIO()
    wavfile.write(buffer, rate_hz, impulse.astype(np.float32))
    return buffer.getvalue()
