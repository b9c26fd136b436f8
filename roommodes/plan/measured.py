"""The measurements that a plan was searched on, as the plan file keeps them.

| group | axes | what |
| --- | --- | --- |
| /measured | file, main | manifest, notes, fingerprints of the files; responses of main loudspeakers, if any; |
| | frequency, seat, candidate | deviations of responses that were estimated, if any |
| | left_out/band, way | what the estimate is worth (`storage.left_out`), if anything was estimated |
| | wide_hz, seat, candidate or main | the responses over all that the files tell, and how long a response that is |

`/transfer` of such a file holds the measured responses themselves, multiplied by `scale_db`.
"""

from dataclasses import dataclass
from math import log10
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import FileUnusable
from roommodes.responses.wide_band import WideBand
from roommodes.storage.fields import Field, add_field, add_scale, add_text, read_attribute, read_field, read_text
from roommodes.storage.left_out import LeftOutTable, read_left_out, write_left_out
from roommodes.subwoofer.boxed_driver import REFERENCE_PA
from roommodes.subwoofer.limits import MeasuredDrive

LEVELS = ("relative", "pascal", "per metre")
FILE_FIELDS = (
    Field(path="file_name", kind="U", axes=("file",), unit="1", long_name="file as the manifest names it"),
    Field(path="file_sha256", kind="U", axes=("file",), unit="1", long_name="SHA-256 of the file"),
)
MAIN_FIELDS = (
    Field(path="main_name", kind="U", axes=("main",), unit="1", long_name="main loudspeaker"),
    Field(
        path="main_transfer",
        kind="c",
        axes=("frequency_hz", "seat", "main"),
        unit="1/m",
        long_name="response of the main loudspeaker, in the same scale as /transfer",
    ),
)
DRIVE = Field(
    path="drive_v",
    kind="f",
    axes=("candidate",),
    unit="V",
    long_name="rms voltage at the terminals of each sub at a gain of 0 dB, where they differ",
)
DEVIATION = Field(
    path="deviation",
    kind="f",
    axes=("frequency_hz", "seat", "candidate"),
    unit="1/m",
    long_name="one standard deviation of /transfer where it was estimated, 0 where it was measured; in the same scale",
)
WIDE_HZ = Field(path="wide_hz", kind="f", axes=("wide_hz",), unit="Hz", long_name="frequency")
WIDE = Field(
    path="wide_transfer",
    kind="c",
    axes=("wide_hz", "seat", "source"),
    unit="1/m",
    long_name="candidates, then main loudspeakers, in the same scale as /transfer, over all that their files tell",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Estimated:
    """How sure the responses are that were not measured.

    Parameters
    ----------
    deviation : (n_freq, n_seat, n_candidate) one standard deviation of what was estimated, 0 of what was measured, in
        the scale of the responses.
    left_out : what the estimate is worth, told by the measured places; None in older files.
    """

    deviation: Floats
    left_out: LeftOutTable | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredRecord:
    """The measurements behind a plan.

    Parameters
    ----------
    name : what their owner calls them.
    manifest_toml : the manifest's text.
    notes : what was done to them, in sentences.
    level : what the files' levels refer to.
    scale_db : by how much the responses were raised; with it one sub's mean level at the seats is 0 dB, but for
        `level` "per metre" [dB].
    files : (n_file,) what was read: name and SHA-256 of each.
    main_name : (n_main,) main loudspeakers.
    main_transfer : (n_freq, n_seat, n_main), None where no main was measured.
    drive_v : (n_candidate,) rms voltage at each sub's terminals for `level` "pascal"; empty where not known [V].
    exchanged : measured by reciprocity: the candidates are places where subs may stand, not subs that stand.
    estimated : how sure those responses are that were estimated; None where all was measured.
    wide : candidates, then main loudspeakers, over all that their files tell, in the scale of the responses; None where
        some was estimated, and in older files.
    """

    name: str
    manifest_toml: str
    notes: tuple[str, ...]
    level: str
    scale_db: float
    files: tuple[tuple[str, str], ...]
    main_name: tuple[str, ...] = ()
    main_transfer: Complexes | None = None
    drive_v: tuple[float, ...] = ()
    exchanged: bool = False
    estimated: Estimated | None = None
    wide: WideBand | None = None

    @property
    def deviation(self) -> Floats | None:
        """(n_freq, n_seat, n_candidate) of `estimated`; None where all was measured."""
        return None if self.estimated is None else self.estimated.deviation

    @property
    def file_name(self) -> tuple[str, ...]:
        """(n_file,) files as the manifest names them."""
        return tuple(name for name, _ in self.files)

    @property
    def file_sha256(self) -> tuple[str, ...]:
        """(n_file,) SHA-256 of each."""
        return tuple(fingerprint for _, fingerprint in self.files)

    @property
    def absolute(self) -> bool:
        """Whether the responses are in 1/m, so that levels follow from a sub's limits."""
        return self.level == "per metre"

    @property
    def drive(self) -> MeasuredDrive | None:
        """What levels count from, where sound pressure and voltage are known."""
        if self.level != "pascal" or not self.drive_v:
            return None
        each = self.drive_v if len(set(self.drive_v)) > 1 else ()
        zero_db = -20.0 * log10(REFERENCE_PA) - self.scale_db
        return MeasuredDrive(volts=max(self.drive_v), zero_db=zero_db, each_v=each)


def write_measured(file: h5py.File, record: MeasuredRecord | None) -> None:
    """Write the group, if the plan was searched on measurements."""
    if record is None:
        return
    group = file.create_group("measured")
    group.attrs["name"], group.attrs["level"] = record.name, record.level
    group.attrs["scale_db"] = record.scale_db
    if len(set(record.drive_v)) == 1:
        group.attrs["drive_v"] = record.drive_v[0]
    elif record.drive_v:
        add_field(group, DRIVE, np.array(record.drive_v), scales=[group, file])
    if record.exchanged:
        group.attrs["exchanged"] = True
    if record.estimated is not None:
        add_field(group, DEVIATION, record.estimated.deviation, scales=[group, file])
        write_left_out(group, record.estimated.left_out)
    if record.wide is not None:
        group.attrs["told_s"] = record.wide.told_s
        add_scale(group, "wide_hz", record.wide.frequency_hz, unit="Hz")
        add_scale(group, "source", np.arange(record.wide.transfer.shape[2]))
        add_field(group, WIDE, record.wide.transfer, scales=[group, file])
    group.attrs["notes"] = "\n".join(record.notes)
    add_text(group, "manifest_toml", record.manifest_toml, long_name="text of the manifest")
    add_scale(group, "file", np.arange(len(record.file_name)))
    for entry in FILE_FIELDS:
        add_field(group, entry, list(getattr(record, entry.path)), scales=[group])
    if record.main_transfer is not None:
        add_scale(group, "main", np.arange(len(record.main_name)))
        values: dict[str, Any] = {"main_name": list(record.main_name), "main_transfer": record.main_transfer}
        for entry in MAIN_FIELDS:
            add_field(group, entry, values[entry.path], scales=[group, file])


def read_measured(path: Path, file: h5py.File, sizes: dict[str, int]) -> MeasuredRecord | None:
    """Read the group, if there is one.

    Raises
    ------
    FileUnusable : it is damaged.
    """
    group = file.get("measured")
    if not isinstance(group, h5py.Group):
        return None
    own = dict(sizes)
    names, fingerprints = (read_field(path, group, entry, own) for entry in FILE_FIELDS)
    mains = [read_field(path, group, entry, own) for entry in MAIN_FIELDS] if "main_name" in group else [[], None]
    level = read_attribute(path, group, "level", str)
    scale_db = read_attribute(path, group, "scale_db", float)
    drive_v: tuple[float, ...] = ()
    if "drive_v" in group.attrs:
        drive_v = (read_attribute(path, group, "drive_v", float),) * sizes["candidate"]
    elif DRIVE.path in group:
        drive_v = tuple(read_field(path, group, DRIVE, own).tolist())
    finite = all(np.isfinite(volts) and volts > 0.0 for volts in drive_v)
    deviation = read_field(path, group, DEVIATION, own) if DEVIATION.path in group else None
    wide = _read_wide(path, group, own)
    arrays = (mains[1], deviation, None if wide is None else wide.transfer)
    finite = finite and all(values is None or np.isfinite(values).all() for values in arrays)
    if level not in LEVELS or not (finite and np.isfinite(scale_db)):
        raise FileUnusable(f"{path}: is damaged: /measured holds no measurements; write the plan anew")
    return MeasuredRecord(
        name=read_attribute(path, group, "name", str),
        manifest_toml=read_text(path, group, "manifest_toml"),
        notes=tuple(read_attribute(path, group, "notes", str).splitlines()),
        level=level,
        scale_db=scale_db,
        files=tuple(zip(names, fingerprints, strict=True)),
        main_name=tuple(mains[0]),
        main_transfer=mains[1],
        drive_v=drive_v,
        exchanged=bool(group.attrs.get("exchanged", False)),
        estimated=None if deviation is None else Estimated(deviation=deviation, left_out=read_left_out(path, group)),
        wide=wide,
    )


def _read_wide(path: Path, group: h5py.Group, sizes: dict[str, int]) -> WideBand | None:
    """The responses over all that their files tell; None in older files."""
    if WIDE.path not in group:
        return None
    transfer = read_field(path, group, WIDE, sizes)
    hz = read_field(path, group, WIDE_HZ, sizes)
    told = read_attribute(path, group, "told_s", float)
    if not (len(hz) > 3 and np.isfinite(hz).all() and hz[0] > 0.0 and np.all(np.diff(hz) > 0.0) and told > 0.0):
        raise FileUnusable(f"{path}: is damaged: /measured/wide_hz holds no rising frequencies; write the plan anew")
    return WideBand(frequency_hz=hz, transfer=transfer, told_s=told)
