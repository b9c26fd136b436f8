"""What was done to a set of measurements, in sentences: shown wherever the set is used."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from roommodes.measured.data import GRID_NOTE, MeasuredSeats
from roommodes.measured.files import Impulse, Spectrum
from roommodes.measured.manifest import ManifestTables, clusters
from roommodes.project.project import Project
from roommodes.responses.impulse_response import left_at_end_db

FADE_SHARE = 0.25  # of the window's length
STILL_RINGS_DB = -30.0


def measured_notes(
    tables: ManifestTables,
    project: Project,
    *,
    raw: Mapping[tuple[int, int], Spectrum | Impulse],
    hz: NDArray[np.float64],
    end_s: float | None,
    seats: MeasuredSeats,
) -> tuple[str, ...]:
    """Sentences on reading, window, smoothing, chain and gaps; `end_s` is where impulse responses were cut."""
    impulses = [found for found in raw.values() if isinstance(found, Impulse)]
    spectra = len(raw) - len(impulses)
    notes = [f"{GRID_NOTE}{len(hz)} frequencies from {hz[0]:g} to {hz[-1]:g} Hz."]
    if spectra:
        notes.append(
            f"{spectra} transfer functions were interpolated by a cubic spline over log frequency, each with its "
            "arrival taken out first."
        )
    if impulses:
        cut = "whole"
        if end_s is not None:
            window = tables.processing.window_s or 0.0
            fade = FADE_SHARE * window
            cut = f"cut at {end_s:.3g} s, {window:g} s after the latest arrival, the last {fade:.3g} s faded"
        notes.append(f"{len(impulses)} impulse responses, {cut}; their spectra are straight sums at each frequency.")
        if end_s is None:
            rings = max(left_at_end_db(one.sample) for one in impulses)
            if rings > STILL_RINGS_DB:
                notes.append(
                    f"At least one still rings or holds noise at its end ({rings:z.0f} dB); a window_s would fade it."
                )
    octave = tables.processing.smoothing_octave
    notes.append(f"Smoothed over {octave:g} octave." if octave else "Not smoothed.")
    chained = [s.name for s in tables.subs if s.gain_db or s.delay_ms or s.polarity < 0 or s.filters]
    if chained:
        done = "stay in the responses" if tables.reference.chain == "left in" else "were divided out"
        notes.append(f"Gain, delay, polarity and filters in the chain of {', '.join(chained)} {done}.")
    notes += _turned(tables, len(raw))
    if tables.microphone.calibration:
        notes.append("The microphone's calibration was divided out.")
    notes += _lost(tables)
    if several := clusters(seats.name):
        left = "" if seats.known.all() else " `fit` takes those alone whose place is known (offset_m)."
        notes.append(
            f"Several microphones about {', '.join(several)}: each counts by itself, and they share the seat's weight; "
            f"where one figure stands for the seat it is their average in energy.{left}"
        )
    missing = [name for index, name in enumerate(project.seats.name) if index not in set(seats.seat.tolist())]
    if missing:
        notes.append(f"Not measured: {', '.join(missing)}.")
    return tuple(notes)


def _turned(tables: ManifestTables, n_response: int) -> list[str]:
    """On single responses with sub and microphone exchanged."""
    if not (turned := len(tables.turned())):
        return []
    sub, microphone = ("place", "seat") if tables.exchanged else ("seat", "sub's place")
    return [
        f"Of {turned} of {n_response} responses the sub stood at the {sub} and the microphone at the {microphone}; "
        "by reciprocity they are the same."
    ]


def _lost(tables: ManifestTables) -> list[str]:
    """On what cannot be compared between responses."""
    lost = [
        word
        for word, kept in (
            ("level", tables.reference.common_level),
            ("polarity", tables.reference.common_polarity),
            ("time", tables.reference.common_time),
        )
        if not kept
    ]
    return [f"By the manifest {' and '.join(lost)} cannot be compared between responses."] if lost else []
