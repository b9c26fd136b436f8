"""The reduced equations of a band as arrays that may be kept between runs, and what they depend on."""

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from solvers.tolerance.inputs import Inputs, construction_names
from solvers.tolerance.level import Level

NUMBERS = {"k2": complex}


def depends_on(inputs: Inputs) -> tuple[object, ...]:
    """All of a project and its points that the reduced equations hang on, beside frequencies, seed and precision."""
    project, tables = inputs.project, inputs.project.tables
    known = project.constructions()
    used = sorted({name for layers in construction_names(project) for name in layers})
    return (
        project.room,
        project.surfaces(),
        repr((tables.room, tables.walls, tables.regions, tables.blocks, tables.slopes, tables.tolerance)),
        tuple((name, repr(known[name].table)) for name in used),
        inputs.properties,
        tuple((name, part.start, part.stop) for name, part in inputs.groups.items()),
        (inputs.ear_m, inputs.ear_seat, inputs.cabinet_m, inputs.n_slot),
    )


def packed(levels: tuple[Level, ...]) -> dict[str, NDArray[Any]]:
    """Every array under its name and the place of its frequency."""
    return {
        f"{index} {one.name}": np.asarray(getattr(level, one.name))
        for index, level in enumerate(levels)
        for one in fields(Level)
    }


def unpacked(arrays: Mapping[str, NDArray[Any]]) -> tuple[Level, ...]:
    """The same the other way."""
    count = len(arrays) // len(fields(Level))
    found = []
    for index in range(count):
        values = {one.name: arrays[f"{index} {one.name}"] for one in fields(Level)}
        numbers: dict[str, Any] = {name: kind(values[name]) for name, kind in NUMBERS.items()}
        found.append(Level(**{**values, **numbers}))
    return tuple(found)
