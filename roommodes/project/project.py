"""The project: one room with its walls, seats, zones and wishes, ready for the model and the search.

`project.tables` holds the file's keys; `project.reading.load_project` reads and checks a file. Axes and corners: see
`rooms`.
"""

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.built_modes import BuiltMode, built_modes
from roommodes.acoustics.checks.surfaces import law_fault, the_wall
from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.room import WALLS, Room, Surface
from roommodes.errors import Fault, ProjectInvalid
from roommodes.filters.processor import Processor
from roommodes.places.boxes import Box, TurnedBox
from roommodes.places.kinds import lay_out_kinds
from roommodes.places.layout import Layout
from roommodes.places.seats import Listening, Seats, listening_at
from roommodes.places.zones import Cabinet, Candidates, Ears, Ground, Zone, ZoneYield
from roommodes.project.changes import changed_text, laws_in
from roommodes.project.constructions import (
    Construction,
    InCode,
    layers_in,
    layers_words,
    library,
    reacts,
)
from roommodes.project.mains import MainsTable
from roommodes.project.processor import TuningTable, processor_of, wished_of
from roommodes.project.room import (
    ears_of,
    face_surface,
    height_of,
    keep_out_box,
    room_of,
    solid_faces,
    surface_of,
    under_m,
    zone_box,
)
from roommodes.project.shape_tables import RowTable, ScreenTable
from roommodes.project.tables import ProjectTables, SearchTable
from roommodes.running import Running
from roommodes.subwoofer.channels import Channel
from roommodes.subwoofer.kinds import limits_known, over_first, relative_response
from roommodes.subwoofer.limits import Limits, MeasuredDrive, limits_of
from roommodes.subwoofer.tables import ChannelTable, NamedAmplifierTable, SubwooferTable
from roommodes.subwoofer.target import TargetTable


@dataclass(frozen=True, kw_only=True)
class Project:
    """A valid project. Get one from `project.reading.load_project`.

    Parameters
    ----------
    tables : the file's contents.
    toml_text : the file as it was read.
    source : its path as it was given.
    in_code : constructions given in code, by name; the text has a placeholder for each.
    drive : what levels count from, in the project of a plan on sound pressure measured at a known voltage.
    """

    tables: ProjectTables
    toml_text: str
    source: str
    in_code: Mapping[str, WallLaw] = field(default_factory=dict, compare=False)
    drive: MeasuredDrive | None = field(default=None, compare=False)

    def with_(self, **changes: Any) -> "Project":
        """A copy with changed values, checked as a file would be.

        ``project.with_(length_m=6.2)`` changes a key of [room]; ``project.with_(walls={"left": "brick"})`` keys of
        another table, those that are not named staying as they are; ``project.with_(rows=[...])`` a whole list.
        A construction may be any object with ``admittance(omega, air)``, see `WallLaw`:
        ``project.with_(constructions={"felt": MyFelt()}, walls={"rear": "felt"})``.

        Parameters
        ----------
        changes : keys of [room], or tables, lists and keys of the file as its schema names them.

        Raises
        ------
        ProjectInvalid : with every fault of the changed project, or of a law given in code that would make sound.
        """
        from roommodes.project.reading import parse_project  # noqa: PLC0415 (it makes projects)

        given = laws_in(changes)
        text = changed_text(self.toml_text, changes, source=self.source)
        changed = replace(parse_project(text, source=self.source), in_code={**self.in_code, **given})
        found = ((f"constructions.{name}", law_fault(law, changed.room.air)) for name, law in given.items())
        if faults := [Fault(where=where, message=message) for where, message in found if message]:
            raise ProjectInvalid(self.source, faults)
        return changed

    def modes(self, *, max_hz: float = 120.0, running: Running | None = None) -> tuple[BuiltMode, ...]:
        """The room's modes as built up to a frequency, with decay time, share and moved null planes; see `BuiltMode`.

        Raises
        ------
        OutsideModel : the model cannot take this room.
        """
        return built_modes(self.room, self.surfaces(), max_hz=max_hz, running=running or Running())

    def require_file(self, what: str) -> None:
        """ProjectInvalid where a construction is given in code, which no file holds; `what` needs a file."""
        if self.in_code:
            names = ", ".join(self.in_code)
            message = f"{names}: given in code, which a file cannot hold; {what} needs constructions of the file"
            raise ProjectInvalid(self.source, [Fault(where="constructions", message=message)])

    @property
    def name(self) -> str:
        """What its owner calls it."""
        return self.tables.name

    @property
    def sha256(self) -> str:
        """Fingerprint of the text, 64 hexadecimal digits."""
        return hashlib.sha256(self.toml_text.encode("utf-8")).hexdigest()

    @property
    def search(self) -> SearchTable:
        """The [search] table: counts, band and what the search may do."""
        return self.tables.search

    @property
    def kinds(self) -> tuple[SubwooferTable, ...]:
        """The kinds of subwoofer that may stand at a position: [[subwoofers]], or [subwoofer] alone."""
        return self.tables.subwoofers or (self.tables.subwoofer,)

    @property
    def tuning(self) -> TuningTable:
        """The [tuning] table: the band of filters."""
        return self.tables.tuning

    @property
    def subwoofer(self) -> SubwooferTable:
        """What stands at each position; of several kinds the first, whose level at 1 m is 0 dB."""
        return self.kinds[0]

    def require_one_kind(self, what: str) -> None:
        """ProjectInvalid where there are several kinds of subwoofer, which `what` cannot take."""
        if len(self.kinds) > 1:
            message = f"there are {len(self.kinds)} kinds of subwoofer; {what} takes one. Keep one of them for it."
            raise ProjectInvalid(self.source, [Fault(where="subwoofers", message=message)])

    @property
    def mains(self) -> MainsTable | None:
        """The main loudspeakers and their crossover, if the project has any."""
        return self.tables.mains

    @cached_property
    def processor(self) -> Processor:
        """The processor's ranges and steps: what [search] asks for, within what [processor] has."""
        table = self.tables.processor
        return processor_of(table, wished_of(self.search, table))

    @property
    def target(self) -> TargetTable:
        """The [target] table: how loud it is to be at the seats."""
        return self.tables.target

    @property
    def screen(self) -> ScreenTable | None:
        """The screen, if there is one."""
        return self.tables.screen

    @property
    def rows(self) -> tuple[RowTable, ...]:
        """The rows of seats."""
        return self.tables.rows

    @property
    def zones(self) -> tuple[Zone, ...]:
        """Where subwoofers may stand."""
        return self._zones_of(self.kinds[0])

    @property
    def keep_outs(self) -> tuple[Box, ...]:
        """Where nothing may stand."""
        return tuple(map(keep_out_box, self.tables.keep_outs))

    @property
    def mains_bodies(self) -> tuple[TurnedBox, ...]:
        """Cabinets of the main loudspeakers, where their size is known."""
        return () if self.mains is None else self.mains.bodies

    @property
    def obstacles(self) -> tuple[Box, ...]:
        """Where no subwoofer may stand: keep-outs and cabinets of the mains."""
        return (*self.keep_outs, *self.mains_bodies)

    @property
    def layout(self) -> Layout | None:
        """Existing or wished positions and drives."""
        table = self.tables.layout
        return None if table is None else table.layout([kind.name for kind in self.kinds])

    @property
    def amplifiers(self) -> tuple[NamedAmplifierTable, ...]:
        """The amplifiers with their channels; none where each sub has its own, or nothing is said of them."""
        return self.tables.amplifiers

    @property
    def amplifier(self) -> ChannelTable | None:
        """The amplifier of a sub by itself: the first of several, or that of each sub; None where it is not known."""
        return self.amplifiers[0] if self.amplifiers else self.subwoofer.amplifier

    def sub_limits(
        self, frequency_hz: NDArray[np.float64], channel: Channel | None = None, kind: int = 0
    ) -> Limits | None:
        """The limits of one sub: (n_freq,) [Hz]; None where nothing is said of how loud every kind plays.

        At 1 m in free field; with a measured `drive` over a level of 0 dB, see `subwoofer.limits`; of a further kind
        less what it gives more than the first, see `subwoofer.kinds`. `channel` is what it hangs on; left out, it is
        alone on a channel of its amplifier.
        """
        sub = self.kinds[kind]
        table = self.amplifiers[0] if self.amplifiers else sub.amplifier
        alone = Channel(number=1, amplifier="", output=1, subs=(0,), table=table)
        limits = limits_of(sub, frequency_hz, self.room.air, channel or alone, self.drive)
        if limits is None or len(self.kinds) == 1:
            return limits
        relative = self.kind_response(frequency_hz)[:, kind]
        return over_first(limits, relative) if limits_known(self.kinds) else None

    def kind_response(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Response of each kind of subwoofer over that of the first: (n_freq,) [Hz] -> (n_freq, n_kind)."""
        return relative_response(self.kinds, frequency_hz, self.room.air)

    def raised_db(self, candidate_index: NDArray[np.intp]) -> tuple[float, ...]:
        """By how much measured subs' voltages at 0 dB lie above that of `drive`: (n_sub,) -> (n_sub,) [dB].

        Empty where all have one.
        """
        return () if self.drive is None else self.drive.raised_db(candidate_index)

    def highest_level_db(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64] | None:
        """Highest clean level at 1 m in free field of one sub, alone on its channel: (n_freq,) [dB re 20 uPa, rms].

        None where the project does not say how loud a sub plays.
        """
        limits = self.sub_limits(frequency_hz)
        return None if limits is None else limits.highest_db

    def fixed_at(self, position_m: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether a sub must stand at each position: (n, 3) [m] -> (n,)."""
        names = {table.name for table in self.tables.zones if table.fixed}
        fixed = [zone.low for zones in self.zones_by_kind() for zone in zones if zone.name in names]
        if not fixed:
            return np.zeros(len(position_m), dtype=np.bool_)
        gap = np.abs(position_m[:, None] - np.array(fixed)[None]).max(axis=2)
        return np.asarray(gap.min(axis=1) < 1e-6)

    @cached_property
    def room(self) -> Room:
        """The room with its air."""
        tables = self.tables
        ears = ears_of(tables.rows, tables.blocks)
        return room_of(tables.room, tables.blocks, tables.slopes, inside_m=ears[0] if ears else None)

    def row_height_m(self, row: RowTable) -> float:
        """Height of the ears of a row above the floor [m]."""
        return row.ear_height_m + height_of(self.tables.blocks, row.on)

    def constructions(self) -> dict[str, Construction]:
        """The library with the project's own constructions over it, by name."""
        own = {name: Construction(name=name, table=table) for name, table in self.tables.constructions.items()}
        given = {
            name: InCode(name=name, table=own[name].table, given=law)
            for name, law in self.in_code.items()
            if name in own
        }
        return {**library(), **own, **given}

    def surfaces(self) -> tuple[Surface, ...]:
        """What is not rigid: whole walls in the order of `room.WALLS`, faces of blocks and slopes, then regions."""
        room, known = self.room, self.constructions()
        whole = [
            surface_of(
                [known[name] for name in layers_in(construction)],
                wall,
                (0.0, 0.0),
                room.wall_size_m(wall),
                name=f"{layers_words(construction)}, {the_wall(wall)}",
            )
            for wall in WALLS
            if reacts(known, construction := getattr(self.tables.walls, wall))
        ]
        parts = [
            surface_of(
                [known[name] for name in layers_in(region.construction)],
                region.wall,
                region.from_m,
                region.to_m,
                name=f"{layers_words(region.construction)}, {the_wall(region.wall)} (regions[{index}])",
            )
            for index, region in enumerate(self.tables.regions)
        ]
        return (*whole, *self._faces_of_solids(), *parts)

    def _faces_of_solids(self) -> Iterator[Surface]:
        """The faces of blocks and slopes that air touches and that are not rigid."""
        known = self.constructions()
        made_of = solid_faces(self.tables.blocks, self.tables.slopes)
        for face, made in made_of.items():
            touched = self.room.shape.face(face) if reacts(known, made) else ()
            if touched:
                layers = [known[name] for name in layers_in(made)]
                yield face_surface(self.room, face, layers, name=f"{layers_words(made)}, {the_wall(face)}")

    @cached_property
    def seats(self) -> Seats:
        """All seats, row by row."""
        rows = self.tables.rows
        seats = [(index, row, number) for index, row in enumerate(rows) for number in range(len(row.y_m))]
        return Seats(
            position_m=np.array(ears_of(rows, self.tables.blocks)),
            name=tuple(f"{row.name} {number + 1}" for _, row, number in seats),
            weight=np.array([row.weight for _, row, _ in seats], dtype=np.float64),
            row=np.array([index for index, _, _ in seats], dtype=np.intp),
        )

    def listening(self) -> Listening:
        """Every point that is listened at: the seats, then the further points of those that are clouds."""
        return listening_at(self.seats, [row.cloud_m for row in self.tables.rows])

    @cached_property
    def candidates(self) -> Candidates:
        """All feasible positions of a subwoofer; none if the project has no zones."""
        return self._laid_out()[0]

    def zone_yields(self) -> tuple[ZoneYield, ...]:
        """How many candidates each zone gives, and what became of the rest."""
        return self._laid_out()[1]

    def zones_by_kind(self) -> tuple[tuple[Zone, ...], ...]:
        """For each kind of subwoofer the zones in which it may stand."""
        tables = self.tables.zones
        return tuple(
            tuple(
                zone
                for zone, table in zip(self._zones_of(kind), tables, strict=True)
                if table.kinds is None or kind.name in table.kinds
            )
            for kind in self.kinds
        )

    def _zones_of(self, kind: SubwooferTable) -> tuple[Zone, ...]:
        """All zones, at the heights that a kind has there."""
        blocks, under = self.tables.blocks, under_m(kind)
        return tuple(zone_box(table, height_of(blocks, table.on), under) for table in self.tables.zones)

    def grounds(self) -> tuple[Ground, ...]:
        """What decides where each kind of subwoofer may stand."""
        return tuple(self.ground(kind) for kind in range(len(self.kinds)))

    def ground(self, kind: int = 0) -> Ground:
        """What decides where a sub of a kind may stand."""
        return Ground(
            keep_outs=self.obstacles,
            room_m=self.room.size_m,
            shape=None if self.room.is_box else self.room.shape,
            cabinet=cabinet_of(self.kinds[kind]),
            ears=Ears(position_m=self.seats.position_m, distance_m=self.search.seat_distance_m),
            round_m=self.search.round_m,
            mirror=self.search.mirror,
        )

    def _laid_out(self) -> tuple[Candidates, tuple[ZoneYield, ...]]:
        return lay_out_kinds(self.zones_by_kind(), self.grounds(), [kind.name for kind in self.kinds])


def cabinet_of(table: SubwooferTable) -> Cabinet | None:
    """The cabinet, if its size is known."""
    if table.cabinet_m is None:
        return None
    depth, width, height = table.cabinet_m
    faces = {table.driver_face, table.port_face or table.driver_face}
    return Cabinet(
        depth_m=depth,
        width_m=width,
        height_m=height,
        clearance_m=table.port_clearance_m,
        ventilation_m=table.ventilation_clearance_m,
        free_faces=tuple(sorted(faces)),
        centre_m=table.acoustic_centre_m,
    )
