"""Files of every kind that the program reads, mangled: each is read, or refused in words, within bounds of time.

HDF5 files get a new seal after they were mangled, so that it is the reading that is tried and not the seal.
"""

import io
import json
import random
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from ezdxf.filemanagement import new as new_drawing
from scipy.io import wavfile

from cli.formats.sofa_wav import sofa_bytes
from roommodes.errors import RoommodesError
from roommodes.measured.files import FileFaulty
from roommodes.measured.sofa import open_sofa, read_sofa
from roommodes.measured.text_table import read_calibration, read_table
from roommodes.measured.wav import read_wav
from roommodes.outlines.from_drawing import project_from_drawing
from roommodes.plan.file import read_results, results_image
from roommodes.plan.plan import Plan
from roommodes.project.layout_file import read_layout
from roommodes.storage.seal import sealed
from roommodes.studies.reading import parse_study
from roommodes.studies.records import read_record
from roommodes.studies.results import read_study, study_image
from solvers.study.compare import compare, comparison_columns
from solvers.study.job import run_job
from solvers.study.run import plan_study, study_in_process
from tests.studies.texts import tiny

LONGEST_S = 60.0
WORDS = (b"nan", b"-1", b"1e999", b'""', b"[", b"{", b"\x00", b"\xff\xff\xff\xff", b"9" * 400, b"\n0\nEOF\n", b"1e300")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of file: a sound one, how it is read, and what is done to it after it was mangled."""

    name: str
    data: bytes
    read: Callable[[Path], object]
    after: Callable[[bytes], bytes] = bytes


@dataclass(slots=True, kw_only=True)
class Counts:
    """What became of the files."""

    read: int = 0
    refused: int = 0
    otherwise: int = 0
    longest_s: float = 0.0


def hostile_files(dice: random.Random, count: int, plan: Plan) -> Counts:
    """Mangle and read so many files, of all kinds in turn."""
    counts = Counts()
    with tempfile.TemporaryDirectory() as name:
        kinds = _kinds(plan, Path(name))
        for kind in kinds:  # as they are they can be read
            path = Path(name) / kind.name
            path.write_bytes(kind.data)
            kind.read(path)
        for number in range(count):
            kind = kinds[number % len(kinds)]
            path = Path(name) / kind.name
            path.write_bytes(kind.after(_mangled(dice, kind.data)))
            began = time.perf_counter()
            try:
                kind.read(path)
                counts.read += 1
            except (RoommodesError, FileFaulty):
                counts.refused += 1
            except Exception as error:
                counts.otherwise += 1
                print(f"{kind.name}: {type(error).__name__}: {error}")
            took = time.perf_counter() - began
            counts.longest_s = max(counts.longest_s, took)
            if took > LONGEST_S:
                counts.otherwise += 1
                print(f"{kind.name}: took {took:.0f} s")
    return counts


def _mangled(dice: random.Random, data: bytes) -> bytes:
    for _ in range(dice.randint(1, 6)):
        at, piece = dice.randrange(len(data) + 1), dice.choice([*WORDS, dice.randbytes(dice.randint(1, 8))])
        kind = dice.randrange(5)
        if kind == 0:
            data = data[:at] + piece + data[at:]
        elif kind == 1:
            data = data[:at] + piece + data[at + len(piece) :]
        elif kind == 2:
            data = data[:at] + data[at + dice.randint(1, 200) :]
        elif kind == 3:
            data = data[:at] + data[max(0, at - 300) :]
        elif dice.random() < 0.1:
            data = data[:at]
    return data


def _kinds(plan: Plan, folder: Path) -> list[Kind]:
    study = plan_study(parse_study(tiny(2), source="study.toml"))
    results = study_in_process(study)
    job = study.jobs[0]
    whole = study_image(results, comparison_columns(results, compare(results)))

    def sofa(path: Path) -> None:
        read_sofa(open_sofa(path.read_bytes()), measurement=1, receiver=1, emitter=1)

    def outline(path: Path) -> None:
        project_from_drawing(path, layer=None, front=None, height_m=None)

    return [
        Kind(name="plan.h5", data=results_image(plan.results), read=read_results, after=sealed),
        Kind(name="study.h5", data=whole, read=read_study, after=sealed),
        Kind(
            name="job.h5",
            data=run_job(job.text, job.key),
            read=lambda path: read_record(path, job.key, study.expected),
            after=sealed,
        ),
        Kind(name="measured.sofa", data=sofa_bytes(plan), read=sofa),
        Kind(name="measured.wav", data=_wav(), read=lambda path: read_wav(path.read_bytes(), channel=1)),
        Kind(
            name="measured.txt",
            data=_table(),
            read=lambda path: read_table(path.read_bytes(), columns=(1, 2, 3), form="level and phase"),
        ),
        Kind(name="calibration.txt", data=_table(), read=lambda path: read_calibration(path.read_bytes())),
        Kind(name="layout.json", data=_layout(plan), read=lambda path: read_layout(path).own_project()),
        Kind(name="room.dxf", data=_drawing(folder / "sound.dxf"), read=outline),
    ]


def _wav() -> bytes:
    stream = io.BytesIO()
    wavfile.write(stream, 8000, np.random.default_rng(1).normal(size=8000).astype(np.float32))
    return stream.getvalue()


def _table() -> bytes:
    return "".join(f"{hz}\t{-0.1 * hz:.2f}\t{hz % 180}\n" for hz in range(10, 300)).encode()


def _layout(plan: Plan) -> bytes:
    layout = {"positions_m": plan.positions_m.tolist()}
    data = {"format": "roommodes layout", "format_version": 1, "layout": layout, "rows": []}
    return json.dumps({**data, "project_toml": plan.project.toml_text}).encode()


def _drawing(path: Path) -> bytes:
    document = new_drawing("R2010", units=4)
    document.modelspace().add_lwpolyline([(0, 0), (6100, 0), (6100, 4200), (0, 4200)], close=True)
    document.modelspace().add_line((100, 100), (900, 2000))
    document.saveas(path)
    return path.read_bytes()
