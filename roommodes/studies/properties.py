"""Properties of the rooms of a study: what was drawn, what follows from it, and the columns of their owner's table.

Names are those of the columns in tables and files: `<construction> <parameter>` for a parameter that spreads.
"""

from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType

from roommodes.arrays import Floats
from roommodes.studies.results import StudyResults
from roommodes.studies.room_table import TableRow
from roommodes.studies.spread import constructions_of, todays_keys
from roommodes.studies.tables import StudyTables

SIZES = ("volume_m3", "length_over_width", "height_m", "decay_s")  # they follow from a room's own columns
FOLLOWS_FROM_BUILD = ("decay_s", "glass_m2")  # so they explain nothing beside it
LABELS = MappingProxyType(
    {
        "volume_m3": "volume [m3]",
        "length_over_width": "length over width",
        "height_m": "height [m]",
        "decay_s": "decay time [s]",
        "temperature_c": "temperature [deg C]",
        "loss_factor": "loss factor",
        "glass_m2": "glass [m2]",
    }
)


def property_units(tables: StudyTables, rows: Sequence[TableRow]) -> dict[str, str]:
    """What is known of every room beside its sizes, by name: units, in the order of the columns.

    For each parameter that spreads, its factor and, where it is one number, its value; then the table's own numbers.
    """
    own = rows[0].own_numbers if rows else {}
    return {**_drawn_units(tables), **dict.fromkeys(own, "1")}


def _drawn_units(tables: StudyTables) -> dict[str, str]:
    units = {"temperature_c": "deg C", "loss_factor": "1", "glass_m2": "m2"}
    known = constructions_of(tables)
    for name, factors in tables.spread.items():
        for key in factors:
            units[f"{name} {key} factor"] = "1"
            if isinstance(known[name].parameters.get(todays_keys(known[name], key)[0]), int | float):
                units[f"{name} {key}"] = "1"
    return units


def explaining(tables: StudyTables, rows: Sequence[TableRow]) -> Iterator[str]:
    """Names of all properties of the rooms that differences may be explained by; words group, numbers count."""
    yield from ("build", "seating", *SIZES)
    yield from _drawn_units(tables)
    if rows:
        yield from (*rows[0].own_numbers, *rows[0].own_words)


def numbers_of(results: StudyResults) -> dict[str, Floats]:
    """The numbers by which rooms differ, by name: (n_room,) each, NaN where not known."""
    rooms = results.rooms
    sizes = {name: rooms[name] for name in ("volume_m3", "height_m", "decay_s")}
    return {**sizes, "length_over_width": rooms["length_m"] / rooms["width_m"], **results.known.properties}


def words_of(results: StudyResults) -> Mapping[str, Sequence[str]]:
    """The groups by which rooms differ, by name: (n_room,) each."""
    return {"build": results.rooms["build"], "seating": results.rooms["seating"], **results.known.groupings}


def label(name: str) -> str:
    """A property as a table says it."""
    return LABELS.get(name, name)
