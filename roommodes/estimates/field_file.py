"""The field file: what a field is estimated to be at places that were not measured, in one HDF5 file.

| dataset | axes | what |
| --- | --- | --- |
| /frequency_hz | frequency_hz | [Hz] |
| /places/name, /places/position_m | place (, axis) | where |
| /subs/name, /subs/position_m | sub (, axis) | whose field |
| /pressure | frequency_hz, place, sub | complex128, e^{+j omega t}, in the measurements' own scale |
| /deviation | the same | one standard deviation of the complex value |
| /measured/... | frequency_hz, microphone, sub | the responses that it was estimated from |
| /measure_next/position_m, deviation | next (, axis) | where to measure next, what that leaves; may be missing |
| /left_out/... | band, way | errors at places left out, see `storage.left_out`; may be missing |
| /project_toml, /manifest_toml | | the texts of both |
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import FileUnusable
from roommodes.storage.fields import Field, add_field, add_scale, add_text, read_attribute, read_field, read_text
from roommodes.storage.guard import read_guarded
from roommodes.storage.left_out import LeftOutTable, read_left_out, write_left_out
from roommodes.storage.seal import sealed
from roommodes.storage.stamp import Made

FORMAT = "roommodes field"
FORMAT_VERSION = 1
LEVELS = ("relative", "pascal", "per metre")
_EACH = ("frequency_hz", "place", "sub")
FIELDS = (
    Field(path="frequency_hz", kind="f", axes=("frequency_hz",), unit="Hz", long_name="frequency"),
    Field(path="places/name", kind="U", axes=("place",), unit="1", long_name="name of the place"),
    Field(path="places/position_m", kind="f", axes=("place", "axis"), unit="m", long_name="place"),
    Field(path="subs/name", kind="U", axes=("sub",), unit="1", long_name="name of the sub"),
    Field(path="subs/position_m", kind="f", axes=("sub", "axis"), unit="m", long_name="sub"),
    Field(path="pressure", kind="c", axes=_EACH, unit="1", long_name="response in the measurements' own scale"),
    Field(path="deviation", kind="f", axes=_EACH, unit="1", long_name="standard deviation of the complex response"),
    Field(path="measured/name", kind="U", axes=("microphone",), unit="1", long_name="name of the measured place"),
    Field(path="measured/position_m", kind="f", axes=("microphone", "axis"), unit="m", long_name="measured place"),
    Field(
        path="measured/pressure",
        kind="c",
        axes=("frequency_hz", "microphone", "sub"),
        unit="1",
        long_name="measured response in its own scale",
    ),
    Field(
        path="measure_next/position_m",
        kind="f",
        axes=("next", "axis"),
        unit="m",
        long_name="where to measure next, one after the other",
        optional=True,
    ),
    Field(
        path="measure_next/deviation",
        kind="f",
        axes=("next",),
        unit="1",
        long_name="deviation at the seats over the rms of the responses, measured there and at those before",
        optional=True,
    ),
)
BEFORE = "deviation_before"  # attribute of /measure_next


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Further:
    """Where to measure next.

    Parameters
    ----------
    place_m : (n, 3) one after the other [m].
    deviation : (n,) what is left at the seats with each and those before it: one standard deviation over the rms.
    deviation_before : the same without them.
    """

    place_m: Floats
    deviation: Floats
    deviation_before: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """Names (n,) and positions (n, 3) [m]."""

    name: tuple[str, ...]
    position_m: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Texts:
    """The files that a field was made from, as they were read."""

    project_toml: str
    manifest_toml: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldFile:
    """A field file's contents.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    places, subs : where, n_place, and whose field, n_sub.
    pressure : (n_freq, n_place, n_sub) complex128.
    deviation : (n_freq, n_place, n_sub).
    microphones : n_microphone places that were measured.
    measured : (n_freq, n_microphone, n_sub) responses there.
    further : where to measure next; None where nobody asked.
    level : what the scale is: ``relative``, ``pascal`` or ``per metre``.
    texts : of project and manifest.
    made : when, and by which version.
    left_out : every measured place predicted from the others; None in older files.
    """

    frequency_hz: Floats
    places: Placed
    subs: Placed
    pressure: Complexes
    deviation: Floats
    microphones: Placed
    measured: Complexes
    further: Further | None
    level: str
    texts: Texts
    made: Made
    left_out: LeftOutTable | None = None


def field_image(found: FieldFile) -> bytes:
    """The bytes of a field file."""
    with h5py.File("image", "w", driver="core", backing_store=False, libver=("v110", "v110")) as file:
        file.attrs["format"] = FORMAT
        file.attrs["format_version"] = FORMAT_VERSION
        file.attrs["level"] = found.level
        found.made.write(file)
        add_text(file, "project_toml", found.texts.project_toml, long_name="text of the project file")
        add_text(file, "manifest_toml", found.texts.manifest_toml, long_name="text of the manifest")
        add_scale(file, "frequency_hz", found.frequency_hz, unit="Hz")
        for axis, placed in (("place", found.places), ("sub", found.subs), ("microphone", found.microphones)):
            add_scale(file, axis, np.arange(len(placed.name)))
        add_scale(file, "axis", ["x", "y", "z"])
        values: dict[str, Any] = {
            "places/name": list(found.places.name),
            "places/position_m": found.places.position_m,
            "subs/name": list(found.subs.name),
            "subs/position_m": found.subs.position_m,
            "pressure": found.pressure,
            "deviation": found.deviation,
            "measured/name": list(found.microphones.name),
            "measured/position_m": found.microphones.position_m,
            "measured/pressure": found.measured,
        }
        if (further := found.further) is not None:
            add_scale(file, "next", np.arange(len(further.deviation)))
            values |= {"measure_next/position_m": further.place_m, "measure_next/deviation": further.deviation}
        for entry in FIELDS:
            if entry.path in values:
                add_field(file, entry, values[entry.path], scales=[file])
        write_left_out(file, found.left_out)
        if further is not None:
            file["measure_next"].attrs[BEFORE] = further.deviation_before
        file.flush()
        return sealed(bytes(file.id.get_file_image()))


def read_field_file(path: Path) -> FieldFile:
    """Read a field file, of whatever origin.

    Raises
    ------
    FileUnusable : not a field file, of a newer format, damaged, or holding what is refused (`storage.guard`).
    """
    return read_guarded(path, lambda file: _contents(path, file), kind="field", made_by="roommodes field")


def _contents(path: Path, file: h5py.File) -> FieldFile:
    if file.attrs.get("format") != FORMAT:
        raise FileUnusable(f"{path}: is an HDF5 file, but not a {FORMAT}; give a file that roommodes field wrote")
    if (version := read_attribute(path, file, "format_version", int)) != FORMAT_VERSION:
        raise FileUnusable(
            f"{path}: has format version {version}; this program reads {FORMAT_VERSION}; update roommodes to read it"
        )
    sizes: dict[str, int] = {"axis": 3}
    values = {entry.path: read_field(path, file, entry, sizes) for entry in FIELDS}
    level = read_attribute(path, file, "level", str)
    numbers = [value for value in values.values() if value is not None and not isinstance(value, list)]
    hz = values["frequency_hz"]
    if level not in LEVELS or not all(np.isfinite(value).all() for value in numbers):
        raise FileUnusable(f"{path}: is damaged: a level or a number is none; write the field anew")
    if hz[0] <= 0.0 or (np.diff(hz) <= 0.0).any() or (values["deviation"] < 0.0).any():
        raise FileUnusable(f"{path}: is damaged: frequencies do not rise, or a deviation is negative")
    return FieldFile(
        frequency_hz=hz,
        places=_placed(values, "places"),
        subs=_placed(values, "subs"),
        pressure=values["pressure"],
        deviation=values["deviation"],
        microphones=_placed(values, "measured"),
        measured=values["measured/pressure"],
        further=_further(path, file, values),
        level=level,
        texts=Texts(
            project_toml=read_text(path, file, "project_toml"),
            manifest_toml=read_text(path, file, "manifest_toml"),
        ),
        made=Made.read(path, file),
        left_out=read_left_out(path, file),
    )


def _placed(values: dict[str, Any], group: str) -> Placed:
    return Placed(name=tuple(values[f"{group}/name"]), position_m=values[f"{group}/position_m"])


def _further(path: Path, file: h5py.File, values: dict[str, Any]) -> Further | None:
    place, deviation = values["measure_next/position_m"], values["measure_next/deviation"]
    if place is None or deviation is None:
        return None
    before = read_attribute(path, file["measure_next"], BEFORE, float)
    return Further(place_m=place, deviation=deviation, deviation_before=before)
