"""Seat responses in open formats: AES69 (SOFA) and WAV."""

import importlib
import io
import tempfile
from math import floor
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cli.terminal.output import clean, counted
from cli.words.chosen_plan import MEASURED_UNIT, ChosenPlan
from cli.words.tuned import tuning_of
from roommodes.acoustics.transfer import HIGHEST_HZ, LOWEST_HZ
from roommodes.arrays import Floats
from roommodes.errors import FileUnusable
from roommodes.plan.file import Results
from roommodes.responses.impulse_response import impulse_grid, impulse_response
from roommodes.responses.metrics import drive_weights, seat_pressure
from roommodes.running import Running
from solvers.crossover.responses import plan_filters
from solvers.listening.over_time import measured_responses, told_s
from solvers.project_transfer import project_transfer

LEAD_S = 0.4  # the low fade of a band from 20 Hz begins to be heard so long before
SOFA_MISSING = (
    "SOFA files need the package sofar, which is not installed; install roommodes with its extra: "
    "pip install 'roommodes[sofa]'"
)


def sofa_bytes(plan: ChosenPlan) -> bytes:
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
    index = results.plans[plan.count].candidate_index[plan.rank]
    transfer = results.transfer[:, :, index]  # (frequency, seat, sub)
    ordered = transfer.transpose(1, 0, 2)[None]  # M, R, N, E
    sofa = sofar.Sofa("GeneralTF-E")
    sofa.GLOBAL_Title = clean(plan.project.name, 120)
    sofa.GLOBAL_ApplicationName = "roommodes"
    sofa.GLOBAL_ApplicationVersion = results.software_version
    sofa.GLOBAL_DateCreated = results.created_utc.replace("T", " ").removesuffix("Z")
    sofa.GLOBAL_DateModified = sofa.GLOBAL_DateCreated
    sofa.GLOBAL_RoomType = "shoebox"
    sofa.GLOBAL_Comment = (
        f"{_origin(results)}, e^{{+j omega t}}. Gain, delay, polarity and filters are not in it. Positions in m from "
        "the corner of front wall, left wall and floor; x to the rear, y to the right as seen facing the screen, z up."
    )
    sofa.GLOBAL_History = f"project SHA-256 {plan.project.sha256}, seed {results.seed}"
    room = plan.project.room()
    sofa.add_variable("RoomCornerA", np.zeros((1, 3)), "double", "IC")
    sofa.add_variable("RoomCornerB", np.array([room.size_m]), "double", "IC")
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
        pressure if record.absolute else f"measured response, {record.scale_db:+.2f} dB applied to all, no known unit"
    )
    return f"Measured ({clean(record.name, 60)}), resampled. Data: {what}"


def wav_length_s(plan: ChosenPlan, *, seconds: float, rate_hz: float) -> float:
    """Length of the WAV file, a whole number of samples; measured responses as long as their grid tells [s]."""
    if plan.results.measured is None:
        return round(seconds * rate_hz) / rate_hz
    return floor(min(seconds, told_s(plan.results)) * rate_hz) / rate_hz


def wav_words(plan: ChosenPlan, length_s: float, *, alone: bool) -> str:
    """What the WAV file holds; `alone`: one sub undriven."""
    words = (
        f"{counted(len(plan.results.seats), 'channel')}, one per seat in the project's order; time zero is {LEAD_S:g} "
        f"s into the file, {length_s:.2f} s long"
    )
    if not alone:
        words += ", driven as planned" + (", with the plan's filters" if tuning_of(plan) else "")
    if plan.level_unit != MEASURED_UNIT:
        words += ". Convolved with a signal as it is at 1 m in free field each gives the sound at the seat"
    return words


def seat_impulses(
    plan: ChosenPlan,
    *,
    sub: int | None,
    rate_hz: float,
    duration_s: float,
    running: Running,
) -> Floats:
    """Impulse response at every seat, from the plan as driven or from one sub alone: (n_sample, n_seat)."""
    chosen = np.arange(plan.count) if sub is None else np.array([sub - 1])
    if plan.results.measured is None:
        hz, weight, transfer = _modelled(plan, chosen, rate_hz, duration_s, running)
    else:
        index = plan.results.plans[plan.count].candidate_index[plan.rank][chosen]
        hz, weight, transfer = measured_responses(plan.results, index, duration_s)
    if sub is None:
        gain = np.array(plan.gain_db) - max(plan.gain_db)
        delay = np.array(plan.delay_s) - min(plan.delay_s)
        drives = drive_weights(hz, gain_db=gain, delay_s=delay, polarity=plan.polarity)
        drives = drives * plan_filters(plan.results.tuning, hz, subs=plan.count, rank=plan.rank)
        pressure = seat_pressure(transfer, drives)
    else:
        pressure = transfer[:, :, 0]
    return impulse_response(hz, pressure * weight[:, None], rate_hz=rate_hz, duration_s=duration_s, lead_s=LEAD_S)


def _modelled(
    plan: ChosenPlan,
    chosen: NDArray[np.intp],
    rate_hz: float,
    duration_s: float,
    running: Running,
) -> tuple[Floats, Floats, NDArray[np.complex128]]:
    """Frequencies, their weights, and the model's responses of some of the plan's subs."""
    low, high = plan.project.search.band_hz
    hz, weight = impulse_grid(
        band_hz=(low, high), duration_s=duration_s, lowest_hz=LOWEST_HZ, highest_hz=min(HIGHEST_HZ, 0.49 * rate_hz)
    )

    transfer = project_transfer(
        plan.project,
        frequency_hz=hz,
        seat_m=plan.results.seats.position_m,
        source_m=plan.positions_m[chosen],
        running=running.under("responses", words="interrupted; nothing was written"),
    )
    return hz, weight, transfer


def wav_bytes(impulse: Floats, rate_hz: int) -> bytes:
    """One channel per seat, 32-bit floating point: (n_sample, n_seat)."""
    from scipy.io import wavfile  # noqa: PLC0415 (slow to load; only for WAV)

    buffer = io.BytesIO()
    wavfile.write(buffer, rate_hz, impulse.astype(np.float32))
    return buffer.getvalue()
