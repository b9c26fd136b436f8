"""Predicted curves as text: all in one table (CSV), or one file of three columns for each curve in a ZIP archive."""

import csv
import io
import re
import zipfile

import numpy as np

from cli.terminal.output import clean, counted
from cli.words.settings import inert
from roommodes.arrays import Complexes
from roommodes.plan.plan import MEASURED_UNIT, MODEL_UNIT, Plan
from roommodes.responses.metrics import level_db
from solvers.listening.curves import ALL_SEATS, PlanCurves

LONG_AGO = (1980, 1, 1, 0, 0, 0)  # of every file inside: the same curves give the same bytes


def curves_words(curves: PlanCurves) -> str:
    """What the file holds."""
    parts = list(dict.fromkeys(one.part for one in curves.parts))
    low, high = curves.frequency_hz[[0, -1]]
    average = f" and the {ALL_SEATS} in energy" if len(curves.seats) > 1 else ""
    return (
        f"level and phase at {counted(len(curves.seats), 'seat')}{average} from {low:g} to {high:g} Hz; "
        f"{', '.join(map(clean, parts))}; "
        "before: identical settings, no filters, subs and mains by themselves without crossover, their sum through it "
        "with no delay; after: as planned"
    )


def curves_csv(curves: PlanCurves) -> bytes:
    """Frequency, then level and phase of every curve; comma, point, UTF-8, line ends as RFC 4180."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    heads, columns = ["frequency_hz"], [[f"{hz:.4f}" for hz in curves.frequency_hz]]
    for one in curves.parts:
        for index, seat in enumerate(curves.seats):
            name = f"{seat}, {one.part} {one.state}"
            heads += [inert(f"{name} [dB]"), inert(f"{name} [degrees]")]
            level, phase = _level_and_phase(one.pressure[:, index])
            columns += [level, phase]
        for name, average in curves.averages(one).items():
            heads.append(inert(f"{name}, {one.part} {one.state} [dB]"))
            columns.append([f"{value:.3f}" for value in average])
    writer.writerow(heads)
    writer.writerows(zip(*columns, strict=True))
    return buffer.getvalue().encode()


def curves_zip(plan: Plan, curves: PlanCurves) -> bytes:
    """One text file for each seat, part and state: frequency in Hz, level in dB, phase in degrees, blanks between."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", compression=zipfile.ZIP_DEFLATED) as archive:
        for name, text in _files(plan, curves):
            archive.writestr(zipfile.ZipInfo(name, date_time=LONG_AGO), text, compress_type=zipfile.ZIP_DEFLATED)
    return buffer.getvalue()


def _files(plan: Plan, curves: PlanCurves) -> list[tuple[str, str]]:
    found: dict[str, str] = {}
    unit = MODEL_UNIT if plan.results.absolute else MEASURED_UNIT
    for one in curves.parts:
        for index, seat in enumerate(curves.seats):
            level, phase = _level_and_phase(one.pressure[:, index])
            rows = zip((f"{hz:.4f}" for hz in curves.frequency_hz), level, phase, strict=True)
            head = f"# {clean(plan.project.name)}: {clean(seat)}, {clean(one.part)}, {one.state}; Hz, {unit}, degrees"
            text = "\n".join([head, *(" ".join(row) for row in rows), ""])
            found[_file_name(f"{seat} - {one.part} - {one.state}", found)] = text
        for seat, average in curves.averages(one).items():
            head = f"# {clean(plan.project.name)}: {clean(seat)} in energy, {clean(one.part)}, {one.state}; Hz, {unit}"
            lines = [f"{hz:.4f} {value:.3f}" for hz, value in zip(curves.frequency_hz, average, strict=True)]
            found[_file_name(f"{seat} - {one.part} - {one.state}", found)] = "\n".join([head, *lines, ""])
    return list(found.items())


def _file_name(words: str, taken: dict[str, str]) -> str:
    """A name that every system takes, and no other file has."""
    plain = re.sub(r"[^\w .()-]+", "_", words).strip(" .") or "curve"
    name, number = f"{plain}.txt", 2
    while name.lower() in (one.lower() for one in taken):
        name, number = f"{plain} ({number}).txt", number + 1
    return name


def _level_and_phase(pressure: Complexes) -> tuple[list[str], list[str]]:
    level, phase = level_db(pressure), np.degrees(np.angle(pressure))
    return [f"{one:.3f}" for one in level], [f"{one:.2f}" for one in phase]
