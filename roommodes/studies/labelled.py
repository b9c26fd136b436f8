"""The results of a study as an xarray dataset."""

from typing import TYPE_CHECKING, Any

import numpy as np

from roommodes.responses.labelled import dataset

if TYPE_CHECKING:
    import xarray


def study_dataset(results: Any, fields: Any, room_fields: Any) -> "xarray.Dataset":
    """All figures by room and strategy; what is known of the rooms stands beside them as coordinates of `room`.

    Parameters
    ----------
    results : of a study.
    fields, room_fields : of its arrays and of its rooms' columns, with axes and units.
    """
    names = {"frequency_hz": "frequency"}
    variables: dict[str, Any] = {
        one.path: (
            tuple(names.get(axis, axis) for axis in one.axes),
            results.arrays[one.path],
            {"units": one.unit, "long_name": one.long_name},
        )
        for one in fields
        if one.path in results.arrays
    }
    if results.objective is not None:
        variables["objective"] = (("room", "strategy"), results.objective, {"long_name": "objective of one's own"})
    coordinates: dict[str, Any] = {
        "room": (("room",), np.arange(1, results.n_room + 1), {}),
        "strategy": (("strategy",), list(results.strategies), {}),
        "subs": (("strategy",), results.subs, {}),
        "frequency": (("frequency",), results.frequency_hz, {"units": "Hz"}),
        "axis": (("axis",), ["x", "y", "z"], {}),
        **{
            one.path: (("room",), list(results.rooms[one.path]), {"units": one.unit, "long_name": one.long_name})
            for one in room_fields
        },
        **({"replicate": (("room",), results.rooms["replicate"], {})} if "replicate" in results.rooms else {}),
        **{
            name: (("room",), values, {"units": results.known.units.get(name) or "1"})
            for name, values in results.known.properties.items()
        },
        **{name: (("room",), list(words), {}) for name, words in results.known.groupings.items()},
    }
    about = {"seed": results.seed, "software_version": results.software_version, "study_sha256": results.study_sha256}
    return dataset(variables, coordinates, about)
