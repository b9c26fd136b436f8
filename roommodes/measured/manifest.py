"""The manifest of a set of measurements: which file holds which subwoofer at which seat, and what is in the chain.

`measured.load_manifest` reads it together with the files that it names. Axes and corners: see `rooms`.
"""

from collections.abc import Sequence
from importlib.resources import files
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, ValidationError, model_validator

from roommodes.errors import FileUnusable, ProjectInvalid
from roommodes.project.reading import SCHEMA_DRAFT, in_file_order, lines_of, parse_toml, reworded
from roommodes.project.shape_tables import Point
from roommodes.project.tables import Delay, Gain, Hertz
from roommodes.project.valid_parts import Found
from roommodes.toml.lines import Lines
from roommodes.toml.values import AnyLength, Name, Range, Table, apart, rising, several, shown, worded

MANIFEST_FORMAT = 1

Checked = Annotated[tuple[Literal["polarity", "level", "time", "phase sign", "noise", "seats"], ...], AnyLength]
CHECKED = "What a person has checked by hand, {}, so that it is not doubted."
FilterKind = Literal[
    "low pass",
    "high pass",
    "first-order low pass",
    "first-order high pass",
    "peaking",
    "all-pass",
    "low shelf",
    "high shelf",
]
Column = Annotated[int, Range(low=1, high=1000)]
ABOUT = ", microphone "
Microphone = Annotated[int, Range(low=1, high=64)]
Offset = Annotated[float, Range(low=-1.0, high=1.0, unit="m")]
Which = Annotated[int, Range(low=1, high=4096)]


def _pattern(text: str) -> str:
    if "{sub}" not in text or "{seat}" not in text:
        raise worded(f"got {shown(text)}; allowed: a name with both {{sub}} and {{seat}} in it.")
    return text


class ReferenceTable(Table):
    """What the levels, signs and times in the files refer to."""

    level: Literal["relative", "pascal", "per metre"] = Field(
        default="relative",
        description="relative: one unknown scale for all files; pascal: sound pressure, in tables dB re 20 uPa; "
        "per metre: as the model has it, the free field of a sub is 0 dB at 1 m.",
        examples=["relative"],
    )
    full_scale_pa: Annotated[float, Range(low=1e-6, high=1e6, unit="Pa", above_low=True)] | None = Field(
        default=None, description="Sound pressure of a WAV file's full scale, for level = pascal [Pa].", examples=[20.0]
    )
    drive_v: Annotated[float, Range(low=1e-3, high=1e3, unit="V")] | None = Field(
        default=None,
        description="For level = pascal: rms voltage at the terminals of each sub as measured, at a gain of 0 dB "
        "in the chain and where no filter acts; of subs that say none of their own. With it levels in dB SPL and "
        "headroom follow [V].",
        examples=[2.83],
    )
    noise_percent: Annotated[float, Range(low=0.0, high=50.0, unit="%", above_low=True)] | None = Field(
        default=None,
        description="Noise in the responses, over the rms of each sub's responses: of two measurements of one response "
        "the rms of their difference over 1.4. Left out: as the files themselves tell it, if they do [%].",
        examples=[1.0],
    )
    phase_sign: Literal["usual", "opposite"] = Field(
        default="usual",
        description="usual: a later arrival lowers the phase, e^{+j omega t}; opposite: it raises it. Of tables and of "
        "SOFA transfer functions.",
        examples=["usual"],
    )
    common_level: bool = Field(
        default=True, description="false: every file was scaled by itself, so levels cannot be compared."
    )
    common_polarity: bool = Field(default=True, description="false: the sign of every file is arbitrary.")
    common_time: bool = Field(
        default=True, description="false: every file has a time zero of its own, so arrivals cannot be compared."
    )
    checked: Checked = Field(default=(), description=CHECKED.format("of every sub"), examples=[["polarity"]])
    chain: Literal["divided out", "left in"] = Field(
        default="divided out",
        description="What [[subs]] say of the chain. divided out: new settings replace what stood in the "
        "processor; left in: it stays in them, and new settings add to it.",
        examples=["left in"],
    )


class GridTable(Table):
    """The grid of `fit` and `field`; left out, that of the project's [search], which a search keeps in any case."""

    band_hz: (
        Annotated[tuple[Hertz, Hertz], several(2, "[low, high] in Hz"), AfterValidator(rising), AfterValidator(apart)]
        | None
    ) = Field(default=None, description="Lowest and highest frequency [Hz].", examples=[[20, 120]])
    points_per_octave: Annotated[int, Range(low=1, high=192)] | None = Field(
        default=None, description="Points per octave of the logarithmic grid.", examples=[24]
    )


class ProcessingTable(Table):
    """What is done to the files beside bringing them to one grid."""

    window_s: Annotated[float, Range(low=0.05, high=20.0, unit="s")] | None = Field(
        default=None,
        description="Impulse responses are cut so long after the latest arrival of the whole set; the last quarter "
        "fades as a half cosine. Left out: the whole file [s].",
        examples=[1.2],
    )
    smoothing_octave: Annotated[float, Range(low=0.0, high=1.0, unit="octave")] = Field(
        default=0.0,
        description="Complex smoothing over so many octaves (cosine-shaped weights over log frequency, the arrival "
        "taken out first and put back); 0: none. It blurs modes: leave it at 0 for a fit.",
        examples=[0.0],
    )


class MicrophoneTable(Table):
    """The measuring microphone."""

    calibration: Name | None = Field(
        default=None,
        description="File of the microphone's response: frequency, dB, and degrees if known. It is divided out.",
        examples=["microphone.txt"],
    )


class FilterTable(Table):
    """A section in the chain, of second order if its kind does not say first (W3C Audio EQ Cookbook)."""

    kind: FilterKind = Field(description="What it does.", examples=["low pass"])
    frequency_hz: Annotated[float, Range(low=1.0, high=20000.0, unit="Hz")] = Field(
        description="Corner or centre [Hz].", examples=[120.0]
    )
    q: Annotated[float, Range(low=0.1, high=30.0)] = Field(
        default=0.7071067811865476, description="Q, for low pass, high pass, peaking and all-pass.", examples=[0.7071]
    )
    gain_db: Gain = Field(default=0.0, description="Gain of a peak or shelf [dB].", examples=[-4.0])
    slope: Annotated[float, Range(low=0.0, high=1.0, above_low=True)] = Field(
        default=1.0, description="Shelf slope S.", examples=[1.0]
    )
    rate_hz: Annotated[float, Range(low=8000.0, high=768000.0, unit="Hz")] = Field(
        default=48000.0, description="Sample rate of the processor [Hz].", examples=[48000]
    )


class MeasuredSubTable(Table):
    """A subwoofer that was measured, and what was in its chain meanwhile."""

    name: Name = Field(description="What the responses call it.", examples=["left"])
    position_m: Point | None = Field(
        default=None, description="Acoustic centre, [x, y, z] [m]; needed for `fit`.", examples=[[0.3, 0.5, 0.3]]
    )
    gain_db: Gain = Field(default=0.0, description="Gain that was dialled in [dB].", examples=[-6.0])
    delay_ms: Delay = Field(default=0.0, description="Delay that was dialled in [ms].", examples=[4.2])
    polarity: Literal[1, -1] = Field(default=1, description="Polarity that was dialled in: 1 or -1.", examples=[-1])
    drive_v: Annotated[float, Range(low=1e-3, high=1e3, unit="V")] | None = Field(
        default=None,
        description="Its own rms voltage at the terminals, where amplifiers differ, see drive_v in [reference] [V].",
        examples=[4.0],
    )
    together: bool = Field(
        default=False,
        description="true: these responses are of all subs playing at once, as the plan dialled them in; for `verify`.",
    )
    checked: Checked = Field(default=(), description=CHECKED.format("of this sub"), examples=[["polarity"]])
    filters: Annotated[tuple[FilterTable, ...], AnyLength] = Field(
        default=(), description="Filters that were switched on for this sub."
    )


class PlaceTable(Table):
    """A microphone's place that is no seat of the project, as in a bare room."""

    name: Name = Field(description="What the responses call it.", examples=["place 1"])
    position_m: Point = Field(description="[x, y, z] [m].", examples=[[2.0, 1.1, 1.2]])


def point_name(where: str, microphone: int) -> str:
    """Name of a seat or place, and which microphone about it where that is not the first."""
    return where if microphone == 1 else f"{where}{ABOUT}{microphone}"


def clusters(names: Sequence[str]) -> dict[str, tuple[int, ...]]:
    """Which points belong to each name that has several microphones: name -> indices of `names`."""
    found: dict[str, list[int]] = {}
    for index, name in enumerate(names):
        first, about, _ = name.rpartition(ABOUT)
        found.setdefault(first if about and first in names else name, []).append(index)
    return {name: tuple(points) for name, points in found.items() if len(points) > 1}


class ResponseTable(Table):
    """One measured response: a sub at a seat or place, and the file that holds it."""

    sub: Name = Field(description="Name of the sub.", examples=["left"])
    seat: Name | None = Field(
        default=None, description="Seat: the row's name and its number from 1.", examples=["front 1"]
    )
    place: Name | None = Field(default=None, description="Name of one of [[places]].", examples=["place 1"])
    microphone: Microphone = Field(
        default=1, description="Which of several microphones about one seat, from 1.", examples=[2]
    )
    offset_m: Annotated[tuple[Offset, Offset, Offset], several(3, "[x, y, z] in m")] | None = Field(
        default=None,
        description="Where that microphone stood off the seat, [x, y, z] [m]; left out, the first stood at it and the "
        "others nobody knows where, so that `fit` leaves them out.",
        examples=[[0.0, 0.15, 0.0]],
    )
    exchanged: bool | None = Field(
        default=None,
        description="true: for this response that sub stood at the seat or place, the microphone where the sub stands "
        "otherwise (reciprocity). false, where exchanged = true holds for all: they stood the usual way round.",
        examples=[True],
    )
    file: Annotated[str, Field(min_length=1, max_length=1000)] = Field(
        description="Text table (.txt, .csv, ...), .wav or .sofa; relative to the manifest.",
        examples=["left-front1.txt"],
    )
    columns: Annotated[tuple[Column, Column, Column], several(3, "[frequency, level, phase], from 1")] = Field(
        default=(1, 2, 3), description="Columns of a table.", examples=[[1, 2, 3]]
    )
    form: Literal["level and phase", "magnitude and phase", "real and imaginary"] = Field(
        default="level and phase",
        description="What the two columns are: dB and degrees, linear magnitude and degrees, or real and imaginary "
        "part.",
    )
    channel: Which | None = Field(
        default=None, description="WAV: channel from 1; needed where there are several.", examples=[1]
    )
    measurement: Which = Field(default=1, description="SOFA: measurement, from 1.", examples=[1])
    receiver: Which | None = Field(
        default=None, description="SOFA: receiver, from 1; needed where there are several.", examples=[1]
    )
    emitter: Which | None = Field(
        default=None, description="SOFA: emitter, from 1; needed where there are several.", examples=[1]
    )

    @model_validator(mode="after")
    def _one_place(self) -> "ResponseTable":
        if (self.seat is None) == (self.place is None):
            got = "neither" if self.seat is None else "both"
            raise worded(f"got {got} of seat and place; allowed: one of them. Give the seat, or one of [[places]].")
        return self

    @property
    def where(self) -> str:
        """Name of the seat or place."""
        return self.seat or self.place or ""

    @property
    def point(self) -> str:
        """Name of the seat or place, and which microphone about it where that is not the first."""
        return point_name(self.where, self.microphone)


class ManifestTables(Table):
    """A set of measurements for a project of roommodes."""

    format: Literal[1] = Field(description="Version of this file format.", examples=[1])
    name: Name = Field(description="What you call the set.", examples=["first day on site"])
    reference: ReferenceTable = Field(default=ReferenceTable(), description="What levels, signs and times refer to.")
    exchanged: bool = Field(
        default=False,
        description="true, for all responses: the sub stood at the seats, and the microphone went round the places "
        "where subs may stand; [[subs]] bear the seats' names, [[places]] are those of subs (reciprocity). For single "
        "responses see [[responses]].",
    )
    grid: GridTable = Field(default=GridTable(), description="The common grid.")
    processing: ProcessingTable = Field(default=ProcessingTable(), description="Window and smoothing.")
    microphone: MicrophoneTable = Field(default=MicrophoneTable(), description="The measuring microphone.")
    subs: Annotated[tuple[MeasuredSubTable, ...], AnyLength] = Field(description="The subs, at least one.")
    places: Annotated[tuple[PlaceTable, ...], AnyLength] = Field(
        default=(), description="Microphone places that are no seats."
    )
    file_pattern: Annotated[str, Field(min_length=1, max_length=1000), AfterValidator(_pattern)] | None = Field(
        default=None,
        description="Names of the files of every sub at every seat of the project and every place, with {sub} and "
        "{seat} in them, and {microphone} where there are several; responses that are named by themselves go before.",
        examples=["{sub}-{seat}.wav"],
    )
    microphones: Microphone = Field(
        default=1, description="How many microphones stood about each seat, for file_pattern.", examples=[3]
    )

    @model_validator(mode="after")
    def _told_apart(self) -> "ManifestTables":
        if self.microphones > 1 and self.file_pattern is not None and "{microphone}" not in self.file_pattern:
            raise worded(
                f"file_pattern has no {{microphone}}, and there are {self.microphones} of them. Put it into the name."
            )
        return self

    responses: Annotated[tuple[ResponseTable, ...], AnyLength] = Field(
        default=(), description="The responses; at least one, or file_pattern."
    )

    def turned(self) -> tuple[int, ...]:
        """Which responses had source and microphone the other way round than the rest, from 0."""
        said = ((index, one.exchanged) for index, one in enumerate(self.responses))
        return tuple(index for index, exchanged in said if exchanged not in (None, self.exchanged))

    def drive_v(self, sub: int) -> float | None:
        """Rms voltage of one sub, from 0, at a gain of 0 dB in the settings that are found [V]; None where not known.

        A gain that stays in the responses is in it.
        """
        one = self.subs[sub]
        stated = one.drive_v or self.reference.drive_v
        if stated is None or self.reference.level != "pascal":
            return None
        return stated * (10.0 ** (one.gain_db / 20.0) if self.reference.chain == "left in" else 1.0)

    def checked(self, sub: int) -> frozenset[str]:
        """What a person has checked of one sub, from 0, or of all."""
        return frozenset({*self.reference.checked, *self.subs[sub].checked})


def manifest_schema() -> dict[str, Any]:
    """JSON Schema of the manifest, for completion and checks in editors."""
    return {"$schema": SCHEMA_DRAFT, **ManifestTables.model_json_schema(), "title": "roommodes manifest"}


def starter_manifest() -> bytes:
    """A commented manifest for the starter project, to be filled in."""
    return files("roommodes.measured").joinpath("starter.toml").read_bytes()


def parse_manifest(text: str, *, source: str) -> tuple[ManifestTables, Lines]:
    """Check a manifest's text by itself; the files that it names are not opened.

    Raises
    ------
    ProjectInvalid : with every fault that could be found.
    FileUnusable : its format is newer than this version knows.
    """
    tree = parse_toml(text, source)
    version = tree.get("format")
    if isinstance(version, int) and not isinstance(version, bool) and version > MANIFEST_FORMAT:
        raise FileUnusable(
            f"{source}: format is {shown(version)}; this version reads manifests of format {MANIFEST_FORMAT}. "
            "Install a newer roommodes."
        )
    lines = lines_of(text)
    try:
        tables = ManifestTables.model_validate(tree)
    except ValidationError as invalid:
        found = [reworded(error, ManifestTables) for error in invalid.errors(include_url=False)]
        raise ProjectInvalid(source, in_file_order(found, lines)) from None
    if found := _name_faults(tables):
        raise ProjectInvalid(source, in_file_order(found, lines))
    return tables, lines


def _name_faults(tables: ManifestTables) -> list[Found]:
    """What is wrong with lists and names by themselves."""
    found: list[Found] = []
    for key in ("subs", "responses"):
        if not getattr(tables, key) and not (key == "responses" and tables.file_pattern):
            found.append(Found((key,), f"the list is empty; give at least one [[{key}]]."))
    named = {"subs": [one.name for one in tables.subs], "places": [one.name for one in tables.places]}
    for key, names in named.items():
        for index, name in enumerate(names):
            if (first := names.index(name)) < index:
                found.append(Found((key, index, "name"), f"{shown(name)} is the name of {key}[{first}] too."))
    return [*found, *_exchanged_faults(tables)] if tables.exchanged else found


def _exchanged_faults(tables: ManifestTables) -> list[Found]:
    """What does not go with a sub that stood at the seats."""
    why = "With exchanged = true the sub stood at the seats and the microphone where subs may stand"
    found = [
        Found(("responses", index, "seat"), f"got {shown(one.seat)}. {why}: name one of [[places]].")
        for index, one in enumerate(tables.responses)
        if one.seat is not None
    ]
    found += [
        Found(("subs", index, "together"), f"got true. {why}: it played alone. Leave together out.")
        for index, one in enumerate(tables.subs)
        if one.together
    ]
    if tables.reference.chain == "left in":
        message = f'got "left in". {why}: its chain is no candidate\'s. Have it divided out.'
        found.append(Found(("reference", "chain"), message))
    found += [
        Found(("subs", index, "drive_v"), f"got {one.drive_v:g}. {why}: it had one voltage. Give it in [reference].")
        for index, one in enumerate(tables.subs)
        if one.drive_v is not None
    ]
    if tables.microphones > 1 or any(one.microphone > 1 for one in tables.responses):
        found.append(Found(("microphones",), f"there are several. {why}: give each place a name of its own."))
    return found
