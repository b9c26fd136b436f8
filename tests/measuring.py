"""Measurement files made from a model's own responses, for the tests of importing and fitting."""

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.io import wavfile

from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.impulse_response import impulse_grid, impulse_response

ROOM = """
format = 1
name = "test room"
[room]
length_m = 5.2
width_m = 3.9
height_m = 2.4
loss_factor = 0.03
[walls]
rear = "lining"
[constructions."lining"]
kind = "impedance"
mass_kg_m2 = 14.0
resistance_pa_s_m = 1500
stiffness_pa_m = 9.0e5
[[rows]]
name = "front"
x_m = 2.6
y_m = [1.2, 1.95, 2.7]
ear_height_m = 1.1
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 3.6, 0.3]
[search]
band_hz = [20, 100]
points_per_octave = 12
"""
SUBS = {"left": (0.3, 0.3, 0.3), "right": (0.3, 3.6, 0.3)}
SEATS = ("front 1", "front 2", "front 3")
LEAD_S = 0.4
TABLE_HZ = np.arange(15.0, 120.5, 0.5)


def room_project(text: str = ROOM) -> Project:
    """The test room."""
    return parse_project(text, source="room.toml")


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A model's responses: (n_freq, n_seat, n_sub) at (n_freq,) Hz."""

    hz: Floats
    transfer: Complexes


def modelled(
    project: Project, hz: Floats, subs: Mapping[str, Sequence[float]], places: Sequence[Sequence[float]] = ()
) -> Measured:
    """Responses at the project's seats and at further places."""
    seats = [*project.seats.position_m.tolist(), *places]
    transfer = transfer_function(
        project.room, project.surfaces(), frequency_hz=hz, seat_m=seats, source_m=list(subs.values())
    )
    return Measured(hz=hz, transfer=transfer)


def table_text(hz: Floats, value: Complexes, *, head: str = "", mark: str = "\t", comma: bool = False) -> str:
    """A text table: Hz, dB, degrees."""
    level, phase = 20.0 * np.log10(np.abs(value)), np.rad2deg(np.angle(value))
    rows = [mark.join(f"{x:.4f}" for x in row) for row in zip(hz, level, phase, strict=True)]
    text = "\n".join(rows) + "\n"
    return head + (text.replace(".", ",") if comma else text)


def manifest_text(
    *, files: Mapping[tuple[str, str], str], subs: Mapping[str, Sequence[float]], extra: str = "", more: str = ""
) -> str:
    """A manifest: `files` by (sub, seat), `more` is added to each response; `extra` stands above the lists."""
    text = f'format = 1\nname = "test set"\n{extra}\n'
    for name, position in subs.items():
        text += f'[[subs]]\nname = "{name}"\nposition_m = {list(position)}\n'
    for (sub, seat), file in files.items():
        text += f'[[responses]]\nsub = "{sub}"\nseat = "{seat}"\nfile = "{file}"\n{more}'
    return text


def write_set(folder: Path, measured: Measured, *, extra: str = "") -> Path:
    """A whole set as tab-separated tables in a folder; returns the manifest's path."""
    files = {}
    for s, seat in enumerate(SEATS):
        for c, sub in enumerate(SUBS):
            files[sub, seat] = f"{sub}-{s + 1}.txt"
            text = table_text(measured.hz, measured.transfer[:, s, c], head="* test data\nHz\tdB\tdeg\n")
            (folder / files[sub, seat]).write_text(text, encoding="utf-8")
    path = folder / "set.toml"
    path.write_text(manifest_text(files=files, subs=SUBS, extra=extra), encoding="utf-8")
    return path


def impulses(project: Project, *, rate_hz: int, duration_s: float = 4.0) -> Floats:
    """The model's impulse responses over 20 to 100 Hz, time zero after `LEAD_S`: (n_sample, n_seat, n_sub)."""
    hz, weight = impulse_grid(band_hz=(20.0, 100.0), duration_s=duration_s, lowest_hz=5.0, highest_hz=400.0)
    transfer = modelled(project, hz, SUBS).transfer * weight[:, None, None]
    return impulse_response(hz, transfer, rate_hz=rate_hz, duration_s=duration_s, lead_s=LEAD_S)


def wav(sample: NDArray[np.generic], rate_hz: int) -> bytes:
    """A WAV file."""
    buffer = io.BytesIO()
    wavfile.write(buffer, rate_hz, sample)
    return buffer.getvalue()
