"""Which sub, seat and place each response of a manifest belongs to, held against the project."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from roommodes.arrays import Floats
from roommodes.errors import Fault
from roommodes.measured.data import MeasuredSeats, MeasuredSet, MeasuredSubs
from roommodes.measured.manifest import ManifestTables, point_name
from roommodes.project.project import Project
from roommodes.project.reading import key_text, nearest
from roommodes.project.shape_checks import not_in_air
from roommodes.ranges import number
from roommodes.toml.lines import Lines
from roommodes.toml.values import shown

SAME_PLACE_M = 0.05  # a place or sub so near to a seat or candidate of the project is that one
NOT_MEASURED = "Not measured: "  # a note that is wrong once sub and microphone are exchanged
KEYS_OF = {  # kind of file -> keys of a response that only it has
    "table": frozenset({"columns", "form"}),
    ".wav": frozenset({"channel"}),
    ".sofa": frozenset({"measurement", "receiver", "emitter"}),
}


class Places:
    """A manifest's names against the project; `faults` gathers what does not fit."""

    def __init__(self, tables: ManifestTables, lines: Lines, project: Project) -> None:
        self.tables = tables
        self.lines = lines
        self.project = project
        self.faults: list[Fault] = []
        self.sub_names = [sub.name for sub in tables.subs]

    def fault(self, path: tuple[str | int, ...], message: str) -> None:
        """Keep a fault of the manifest."""
        self.faults.append(Fault(where=key_text(path), message=message, line=self.lines.of(path)))

    def subs(self) -> MeasuredSubs:
        """The subs, each with the candidate that it stands on."""
        position = np.array([sub.position_m or (np.nan,) * 3 for sub in self.tables.subs], dtype=np.float64)
        self._inside(position, "subs")
        candidates = self.project.candidates.position_m.reshape(-1, 3)
        nearest_one = [_nearest(place, candidates) for place in position]
        return MeasuredSubs(
            name=tuple(self.sub_names),
            position_m=position,
            candidate=np.array(nearest_one, dtype=np.intp),
            together=tuple(sub.together for sub in self.tables.subs),
        )

    def seats(self) -> MeasuredSeats:
        """Seats and places that a response names."""
        known = self.project.seats
        places = np.array([place.position_m for place in self.tables.places], dtype=np.float64).reshape(-1, 3)
        self._inside(places, "places")
        used_seats = {response.seat for response in self.tables.responses}
        used_places = {response.place for response in self.tables.responses}
        seat = [index for index, name in enumerate(known.name) if name in used_seats]
        place = [index for index, one in enumerate(self.tables.places) if one.name in used_places]
        matched = [_nearest(places[index], known.position_m) for index in place]
        for index, match in zip(place, matched, strict=True):
            if match in seat:
                self.fault(
                    ("places", index), f"it is seat {known.name[match]}, which other responses name; use the seat."
                )
        where = [(known.name[i], known.position_m[i], i) for i in seat]
        where += [(self.tables.places[i].name, places[i], match) for i, match in zip(place, matched, strict=True)]
        return self._about(where)

    def _about(self, where: Sequence[tuple[str, Floats, int]]) -> MeasuredSeats:
        """The microphones about each name at a position, which is the seat of that index."""
        name, position, seat, known = [], [], [], []
        for one, middle, index in where:
            own = [response for response in self.tables.responses if response.where == one]
            for microphone in sorted({response.microphone for response in own}):
                offsets = {response.offset_m for response in own if response.microphone == microphone} - {None}
                if len(offsets) > 1:
                    first = next(i for i, response in enumerate(self.tables.responses) if response in own)
                    self.fault(
                        ("responses", first, "offset_m"),
                        f"microphone {microphone} at {one} has several: a microphone stands at one place for all subs. "
                        "Give one, or microphone the microphones anew.",
                    )
                offset = next(iter(offsets), None)
                name.append(point_name(one, microphone))
                position.append(middle + np.array(offset or (0.0, 0.0, 0.0)))
                seat.append(index)
                known.append(microphone == 1 or offset is not None)
        return MeasuredSeats(
            name=tuple(name),
            position_m=np.array(position).reshape(-1, 3),
            seat=np.array(seat, dtype=np.intp),
            known=np.array(known, dtype=np.bool_),
        )

    def _inside(self, position_m: Floats, key: str) -> None:
        size = np.array(self.project.room.size_m)
        for index, place in enumerate(position_m):
            outside = np.flatnonzero((place < -1e-9) | (place > size + 1e-9))
            if len(outside):
                axis = int(outside[0])
                self.fault(
                    (key, index, "position_m"),
                    f"{'xyz'[axis]} is {number(place[axis])} m; allowed: 0 to {number(size[axis])} m. Move it inside.",
                )
            elif np.isfinite(place).all() and (text := not_in_air(self.project.room, place.tolist())):  # else not told
                self.fault((key, index, "position_m"), f"it is {text}. Move it into the air.")

    def _file_faults(self, index: int) -> None:
        """Keys of a response that do not belong to its kind of file, columns named twice, a file read as two things."""
        one = self.tables.responses[index]
        suffix = Path(one.file).suffix.lower()
        kind = suffix if suffix in KEYS_OF else "table"
        for of, keys in KEYS_OF.items():
            for key in sorted(keys & one.model_fields_set) if of != kind else ():
                what = "text tables" if of == "table" else f"{of} files"
                self.fault(("responses", index, key), f"this is for {what}; {shown(one.file)} is none. Take it out.")
        if len(set(one.columns)) < len(one.columns):
            self.fault(
                ("responses", index, "columns"),
                f"got {list(one.columns)}; allowed: three different columns. Name each once.",
            )
        if one.file == self.tables.microphone.calibration:
            self.fault(
                ("responses", index, "file"), f"{shown(one.file)} is the microphone's calibration; name the response."
            )

    def _turned_faults(self) -> None:
        """Single responses with sub and microphone exchanged, of what cannot stand at a seat or is no point source."""
        mains = () if self.project.mains is None else self.project.mains.measured
        together = [sub.name for sub in self.tables.subs if sub.together]
        for index in self.tables.turned():
            name = self.tables.responses[index].sub
            if name in together:
                why = f"{name} is all subs at once, which cannot stand at one seat"
            elif name in mains:
                why = f"main loudspeaker {name} radiates to its front, so reciprocity does not hold"
            else:
                continue
            self.fault(("responses", index, "exchanged"), f"got true. {why}. Measure it with the microphone there.")

    def placed(self, seats: MeasuredSeats) -> dict[tuple[int, int], int]:
        """(seat, sub) -> index of its response; duplicates, unknown names and gaps are faults."""
        placed: dict[tuple[int, int], int] = {}
        source_of: dict[tuple[Any, ...], int] = {}
        known = self.project.seats.name
        self._turned_faults()
        for index, one in enumerate(self.tables.responses):
            where = ("responses", index)
            sub = self.sub_names.index(one.sub) if one.sub in self.sub_names else None
            if sub is None:
                near = nearest(one.sub, self.sub_names)
                self.fault(
                    (*where, "sub"), f"no sub is called {shown(one.sub)}.{near} Known: {', '.join(self.sub_names)}."
                )
            if one.point not in seats.name:
                names = known if one.seat else tuple(place.name for place in self.tables.places)
                what = "seat of the project" if one.seat else "place"
                listed = ", ".join(names) or "none"
                self.fault(
                    (*where, "seat" if one.seat else "place"),
                    f"no {what} is called {shown(one.where)}.{nearest(one.where, names)} Known: {listed}.",
                )
                continue
            self._file_faults(index)
            unscaled = self.tables.reference.level == "pascal" and self.tables.reference.full_scale_pa is None
            if unscaled and Path(one.file).suffix.lower() == ".wav":
                self.fault((*where, "file"), "a WAV file needs full_scale_pa in [reference] for level = pascal.")
            content = (one.file, one.columns, one.channel, one.measurement, one.receiver, one.emitter)
            if content in source_of:
                self.fault(
                    (*where, "file"),
                    f"responses[{source_of[content]}] takes the same data from {shown(one.file)}; each has its own.",
                )
            source_of.setdefault(content, index)
            if sub is None:
                continue
            key = (seats.name.index(one.point), sub)
            if key in placed:
                self.fault(
                    where, f"sub {one.sub} at {one.point} is given by responses[{placed[key]}] too; give it once."
                )
            placed.setdefault(key, index)
        for seat, name in enumerate(seats.name):
            for sub, sub_name in enumerate(self.sub_names):
                if (seat, sub) not in placed:
                    self.fault(
                        ("subs", sub),
                        f"there is no response of sub {sub_name} at {name}; measure it, or leave {name} out.",
                    )
        return placed


def exchanged_set(measured: MeasuredSet, project: Project) -> MeasuredSet:
    """The same responses with subs and microphones in each other's place.

    By reciprocity of a room without flow a point source and an omnidirectional microphone exchanged give the same
    response. At these frequencies a sub and a measuring microphone are such.

    Parameters
    ----------
    measured : as its files have it: subs at the seats, microphones where subs may stand.
    project : whose seats and candidates these are.
    """
    known = project.seats
    seat = [
        known.name.index(name) if name in known.name else _nearest(place, known.position_m)
        for name, place in zip(measured.subs.name, measured.subs.position_m, strict=True)
    ]
    names = [known.name[at] if at >= 0 else own for at, own in zip(seat, measured.subs.name, strict=True)]
    places = np.array(
        [
            known.position_m[at] if at >= 0 and not np.isfinite(place).all() else place
            for at, place in zip(seat, measured.subs.position_m, strict=True)
        ]
    )
    candidates = project.candidates.position_m.reshape(-1, 3)
    n_candidate = len(measured.seats)
    noise = np.sqrt(np.mean(measured.noise**2, axis=1, keepdims=True))
    notes = [note for note in measured.notes if not note.startswith(NOT_MEASURED)]
    notes.append("Source and microphone are exchanged (reciprocity): the places are those of subs.")
    notes += [
        f"At {known.name[at]} the sub's centre was {away:.2f} m from the seat's ears; the plan counts the place where "
        "it was."
        for at, place in zip(seat, places, strict=True)
        if at >= 0 and (away := float(np.linalg.norm(place - known.position_m[at]))) > SAME_PLACE_M
    ]
    return replace(
        measured,
        transfer=measured.transfer.transpose(0, 2, 1).copy(),
        further=None
        if measured.further is None
        else measured.further.arranged(lambda one: one.transpose(0, 2, 1).copy()),
        noise=np.repeat(noise, n_candidate, axis=1),
        scale=replace(measured.scale, drive_v=measured.scale.drive_v[:1]),
        subs=MeasuredSubs(
            name=measured.seats.name,
            position_m=measured.seats.position_m.copy(),
            candidate=np.array([_nearest(place, candidates) for place in measured.seats.position_m], dtype=np.intp),
            together=(False,) * n_candidate,
            exchanged=True,
        ),
        seats=MeasuredSeats(
            name=tuple(names),
            position_m=places,
            seat=np.array(seat, dtype=np.intp),
            known=np.isfinite(places).all(axis=1),
        ),
        notes=tuple(notes),
    )


def _nearest(place: Floats, known_m: Floats) -> int:
    """Index of the known position within `SAME_PLACE_M`; -1 where there is none."""
    if not len(known_m) or not np.isfinite(place).all():
        return -1
    away = np.sqrt(((known_m - place) ** 2).sum(axis=1))
    return int(away.argmin()) if away.min() <= SAME_PLACE_M else -1
