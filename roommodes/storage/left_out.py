"""What an estimate or a fit is worth, as files keep it: errors at places left out, by third octave and way.

| dataset | axes | what |
| --- | --- | --- |
| left_out/way | way | what predicted the places, the one that is judged first |
| left_out/band_hz | band_hz | nominal centres of third octaves; 0 for the whole band, last [Hz] |
| left_out/left | band_hz, way | rms of the complex error over that of the responses |
| left_out/median_db, rms_db | band_hz, way | of the level error [dB] |
| left_out/within | band_hz, way | share of the errors below one stated deviation; NaN where none is stated |
"""

from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np

from roommodes.arrays import Floats
from roommodes.storage.fields import Field, add_field, add_scale, read_field

GROUP = "left_out"
_AXES = ("band_hz", "way")
FIELDS = (
    Field(path="way", kind="U", axes=("way",), unit="1", long_name="what predicted the places"),
    Field(path="band_hz", kind="f", axes=("band_hz",), unit="Hz", long_name="third octave; 0 for the whole band"),
    Field(path="left", kind="f", axes=_AXES, unit="1", long_name="rms of the complex error over that of the responses"),
    Field(path="median_db", kind="f", axes=_AXES, unit="dB", long_name="median size of the level error"),
    Field(path="rms_db", kind="f", axes=_AXES, unit="dB", long_name="rms of the level error"),
    Field(path="within", kind="f", axes=_AXES, unit="1", long_name="share of the errors below one stated deviation"),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeftOutTable:
    """Errors at places left out.

    Parameters
    ----------
    way : (n_way,) what predicted them, the one that is judged first.
    band_hz : (n_band,) nominal centres of third octaves, then 0 for the whole band [Hz].
    left, median_db, rms_db, within : (n_band, n_way), see above.
    """

    way: tuple[str, ...]
    band_hz: Floats
    left: Floats
    median_db: Floats
    rms_db: Floats
    within: Floats

    @property
    def states_deviations(self) -> bool:
        """Whether the first way says how sure it is."""
        return bool(np.isfinite(self.within[:, 0]).all())


def write_left_out(place: h5py.Group, table: LeftOutTable | None) -> None:
    """Write the group into another or into the file, if there is a table."""
    if table is None:
        return
    group = place.create_group(GROUP)
    add_scale(group, "band_hz", table.band_hz, unit="Hz")
    add_scale(group, "way", list(table.way))
    for entry in FIELDS[2:]:
        add_field(group, entry, getattr(table, entry.path), scales=[group])


def read_left_out(path: Path, place: h5py.Group) -> LeftOutTable | None:
    """Read the group; None in files without one.

    Raises
    ------
    FileUnusable : it is damaged.
    """
    group = place.get(GROUP)
    if not isinstance(group, h5py.Group):
        return None
    sizes: dict[str, int] = {}
    values = {entry.path: read_field(path, group, entry, sizes) for entry in FIELDS}
    return LeftOutTable(**values | {"way": tuple(values["way"])})
