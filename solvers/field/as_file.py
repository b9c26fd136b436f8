"""An estimate as its file holds it."""

import numpy as np

from roommodes.estimates.field_file import FieldFile, Further, Placed, Texts
from roommodes.storage.stamp import Made
from solvers.field.estimate import Estimate
from solvers.field.next_place import NextPlaces


def as_file(found: Estimate, following: NextPlaces | None = None) -> FieldFile:
    """The contents of a field file; `following` are the places to measure at next.

    Raises
    ------
    ProjectInvalid : the project has a construction in code, which no file holds.
    """
    project, measured = found.project, found.measured
    project.require_file("a field file")
    return FieldFile(
        frequency_hz=found.frequency_hz,
        places=Placed(name=found.place_name, position_m=found.place_m),
        subs=Placed(name=measured.subs.name, position_m=measured.subs.position_m),
        pressure=found.pressure,
        deviation=found.deviation,
        microphones=Placed(name=measured.seats.name, position_m=measured.seats.position_m),
        measured=measured.transfer,
        further=None if following is None else _further(following),
        level=measured.level,
        texts=Texts(project_toml=project.toml_text, manifest_toml=measured.manifest_text),
        made=Made.now(0),
        left_out=found.left_out.table(),
    )


def _further(following: NextPlaces) -> Further:
    return Further(
        place_m=np.array([one.position_m for one in following.places]),
        deviation=np.array([one.deviation for one in following.places]),
        deviation_before=following.deviation,
    )
