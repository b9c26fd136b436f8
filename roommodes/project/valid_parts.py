"""The tables of a project file that are valid by themselves, for the checks between tables."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from roommodes.acoustics.room import WALLS, Room
from roommodes.project.mains import MainsTable
from roommodes.project.processor import ProcessorTable
from roommodes.project.shape_tables import BlockTable, KeepOutTable, RowTable, ScreenTable, SlopeTable
from roommodes.project.tables import LayoutTable, RegionTable, RoomTable, SearchTable, WallsTable, ZoneTable
from roommodes.project.tolerance_tables import ToleranceTable
from roommodes.ranges import metres
from roommodes.subwoofer.supply import ElectricalTable
from roommodes.subwoofer.tables import NamedAmplifierTable, SubwooferTable
from roommodes.subwoofer.target import TargetTable
from roommodes.toml.lines import Path

LISTED = ("blocks", "slopes", "regions", "rows", "zones", "keep_outs", "constructions", "amplifiers", "subwoofers")
SLACK_M = 1e-9  # what rounding may add to a length


@dataclass(frozen=True, slots=True)
class Found:
    """A fault by its key path; `project.reading` adds the line."""

    path: Path
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildingParts:
    """The valid parts of what is built: the room, its walls, and what stands in it.

    Parameters
    ----------
    room, walls : None where the file's table is not valid.
    blocks, slopes, regions : valid entries by their index in the file.
    constructions : valid ones by name; `named` holds all names that the file gives, valid or not.
    used : every construction's name that a wall, region, block or slope asks for, with its key path.
    """

    room: RoomTable | None
    walls: WallsTable | None
    blocks: Mapping[int, BlockTable]
    slopes: Mapping[int, SlopeTable]
    regions: Mapping[int, RegionTable]
    constructions: Mapping[str, Any]
    named: frozenset[str]
    used: tuple[tuple[Path, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceParts:
    """The valid parts of where people sit and subs may stand; entries by their index in the file."""

    rows: Mapping[int, RowTable]
    screen: ScreenTable | None
    zones: Mapping[int, ZoneTable]
    keep_outs: Mapping[int, KeepOutTable]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainParts:
    """The valid parts of the chain from processor to subs and mains, and the level that it must reach.

    Parameters
    ----------
    subwoofer, mains, processor, target, electrical : None where the file's table is missing or not valid.
    subwoofer_keys : what the file's [subwoofer] gives, valid or not.
    kinds : of [[subwoofers]], valid entries by their index in the file, with what the file's entry gives.
    amplifiers : valid entries by their index in the file.
    """

    subwoofer: SubwooferTable | None
    subwoofer_keys: frozenset[str]
    kinds: Mapping[int, "KindPart"]
    amplifiers: Mapping[int, NamedAmplifierTable]
    mains: MainsTable | None
    processor: ProcessorTable | None
    target: TargetTable | None
    electrical: ElectricalTable | None

    @property
    def subs(self) -> tuple["KindPart", ...]:
        """What may stand at a position, as far as it is valid: [[subwoofers]], or [subwoofer] alone."""
        if self.kinds:
            return tuple(self.kinds.values())
        if self.subwoofer is None:
            return ()
        return (KindPart(path=("subwoofer",), table=self.subwoofer, keys=self.subwoofer_keys),)


@dataclass(frozen=True, slots=True, kw_only=True)
class KindPart:
    """A valid table of a subwoofer: where it is in the file, and the keys given there, valid or not."""

    path: Path
    table: SubwooferTable
    keys: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """The valid parts of a project; None or missing where the file's part is not valid.

    Parameters
    ----------
    building, places, chain : by subject.
    search, layout, tolerance : the tables of these names.
    whole : tables of which every entry is valid.
    given : tables that the file has.
    """

    building: BuildingParts
    places: PlaceParts
    chain: ChainParts
    search: SearchTable | None
    layout: LayoutTable | None
    tolerance: ToleranceTable | None
    whole: frozenset[str]
    given: frozenset[str]

    @classmethod
    def of(cls, valid: Mapping[str, Any], tree: Mapping[str, Any]) -> "Parts":
        """From the valid parts by key (lists as dictionaries by index) and the file's tree."""
        whole = set()
        entries: dict[str, dict[Any, Any]] = {}
        for key in LISTED:
            found = valid.get(key)
            entries[key] = found if isinstance(found, dict) else {}
            raw = tree.get(key, ())
            if isinstance(raw, list | tuple | dict) and len(raw) == len(entries[key]):
                whole.add(key)
        named, raw_sub = tree.get("constructions"), tree.get("subwoofer")
        return cls(
            building=BuildingParts(
                room=valid.get("room"),
                walls=valid.get("walls"),
                blocks=entries["blocks"],
                slopes=entries["slopes"],
                regions=entries["regions"],
                constructions=entries["constructions"],
                named=frozenset(named if isinstance(named, dict) else ()),
                used=tuple(_used_constructions(tree)),
            ),
            places=PlaceParts(
                rows=entries["rows"],
                screen=valid.get("screen"),
                zones=entries["zones"],
                keep_outs=entries["keep_outs"],
            ),
            chain=ChainParts(
                subwoofer=valid.get("subwoofer"),
                subwoofer_keys=frozenset(raw_sub if isinstance(raw_sub, dict) else ()),
                kinds={
                    index: KindPart(path=("subwoofers", index), table=table, keys=frozenset(tree["subwoofers"][index]))
                    for index, table in entries["subwoofers"].items()
                },
                amplifiers=entries["amplifiers"],
                mains=valid.get("mains"),
                processor=valid.get("processor"),
                target=valid.get("target"),
                electrical=valid.get("electrical"),
            ),
            search=valid.get("search"),
            layout=valid.get("layout"),
            tolerance=valid.get("tolerance"),
            whole=frozenset(whole),
            given=frozenset(tree),
        )


def _used_constructions(tree: Mapping[str, Any]) -> Iterator[tuple[Path, str]]:
    walls, regions = tree.get("walls"), tree.get("regions")
    if isinstance(walls, dict):
        for wall in WALLS:
            yield from ((("walls", wall), name) for name in _names_in(walls.get(wall)))
    for key, entries in (("regions", regions), ("blocks", tree.get("blocks")), ("slopes", tree.get("slopes"))):
        for index, entry in enumerate(entries if isinstance(entries, list) else ()):
            if not isinstance(entry, dict):
                continue
            yield from (((key, index, "construction"), name) for name in _names_in(entry.get("construction")))
            faces = entry.get("faces")
            for face, made in faces.items() if isinstance(faces, dict) else ():
                yield from (((key, index, "faces", face), name) for name in _names_in(made))


def _names_in(construction: Any) -> list[str]:
    """The names in a file's value for a construction, one or a list of layers, valid or not."""
    names = construction if isinstance(construction, list) else [construction]
    return [name for name in names if isinstance(name, str)]


def outside(point: Sequence[float], room: Room) -> str:
    """Where a point leaves the room: ``x = 7.00 m; the room ends at 6.10 m``; empty if it is inside."""
    for axis, value, end in zip("xyz", point, room.size_m, strict=True):
        if value > end + SLACK_M:
            return f"{axis} = {metres(value)}; the room ends at {metres(end)}"
    return ""
