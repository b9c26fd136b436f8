"""The [subwoofer] and [[subwoofers]] tables of the project file: what stands at each position, key by key.

What holds between keys (a port that fits into its box) is checked in `project.subwoofer_checks`.
"""

from typing import Annotated, Literal

from pydantic import Field

from roommodes.acoustics.curve import Curve
from roommodes.toml.values import AnyLength, CurveOf, Name, Range, Table, several

Extent = Annotated[float, Range(low=0.0, high=3.0, unit="m", above_low=True)]
Place = Annotated[float, Range(low=0.0, high=60.0, unit="m")]
Offset = Annotated[float, Range(low=-2.0, high=2.0, unit="m")]
Level = Range(low=40.0, high=160.0, unit="dB")
Clearance = Annotated[float, Range(low=0.0, high=3.0, unit="m")]
Face = Literal["front", "rear", "left", "right", "top", "bottom"]
Quality = Annotated[float, Range(low=0.05, high=50.0)]
Ohm = Annotated[float, Range(low=0.1, high=1000.0, unit="ohm")]
Wiring = Literal["parallel", "series"]
SubNumber = Annotated[int, Range(low=1, high=64)]
Watt = Annotated[float, Range(low=0.0, high=100000.0, unit="W", above_low=True)]


class DriverTable(Table):
    """The driver by its small-signal parameters and limits, and the box behind it.

    Two alike in one box, wired in parallel, are one with twice the area, vas_m3 and power_w, and half re_ohm.
    """

    fs_hz: Annotated[float, Range(low=5.0, high=200.0, unit="Hz")] = Field(
        description="Resonance in free air [Hz].", examples=[24]
    )
    qes: Quality = Field(description="Electrical quality at resonance.", examples=[0.45])
    qms: Quality = Field(description="Mechanical quality at resonance.", examples=[5.0])
    vas_m3: Annotated[float, Range(low=0.0005, high=5.0, unit="m3")] = Field(
        description="Compliance as a volume of air [m3]; 120 litres are 0.12.", examples=[0.12]
    )
    cone_area_m2: Annotated[float, Range(low=0.001, high=1.0, unit="m2")] = Field(
        description="Area of the cone [m2]; 800 cm2 are 0.08.", examples=[0.08]
    )
    re_ohm: Ohm = Field(description="Resistance of the voice coil [ohm].", examples=[3.4])
    xmax_m: Annotated[float, Range(low=0.0, high=0.1, unit="m", above_low=True)] = Field(
        description="Travel one way within which it is clean, peak [m]; 14 mm are 0.014.", examples=[0.014]
    )
    power_w: Watt = Field(
        description="Heat that the voice coil stands: rms current squared times re_ohm [W].", examples=[500]
    )
    inductance_h: Annotated[float, Range(low=0.0, high=0.1, unit="H")] = Field(
        default=0.0, description="Inductance of the voice coil [H]; 2 mH are 0.002.", examples=[0.002]
    )
    box_m3: Annotated[float, Range(low=0.001, high=20.0, unit="m3")] = Field(
        description="Volume of air that acts behind it [m3], without driver and port; filling adds to it.",
        examples=[0.055],
    )


class PortTable(Table):
    """The port that makes the box a vented one, by its length or the tuning that it gives."""

    area_m2: Annotated[float, Range(low=0.0, high=2.0, unit="m2", above_low=True)] = Field(
        description="Cross-section of all ports together [m2]; a pipe of 150 mm has 0.0177.", examples=[0.0177]
    )
    length_m: Annotated[float, Range(low=0.0, high=5.0, unit="m")] | None = Field(
        default=None, description="Length without end corrections [m].", examples=[0.35]
    )
    tuning_hz: Annotated[float, Range(low=5.0, high=200.0, unit="Hz")] | None = Field(
        default=None, description="Resonance of port and box, in place of the length [Hz].", examples=[22]
    )
    velocity_m_s: Annotated[float, Range(low=1.0, high=100.0, unit="m/s")] = Field(
        default=17.0,
        description="Peak velocity of the air up to which it is clean [m/s] (default: common practice, no source).",
        examples=[17],
    )
    ql: Annotated[float, Range(low=1.0, high=100.0)] = Field(
        default=7.0, description="Quality of the box with its losses (default: Small 1973, from memory).", examples=[7]
    )


class ChannelTable(Table):
    """What every channel of an amplifier gives, and what is needed to say how warm it gets."""

    voltage_v: Annotated[float, Range(low=0.0, high=1000.0, unit="V", above_low=True)] | None = Field(
        default=None, description="Highest clean voltage of a channel, rms of a sine [V].", examples=[60]
    )
    current_a: Annotated[float, Range(low=0.0, high=1000.0, unit="A", above_low=True)] | None = Field(
        default=None, description="Highest current of a channel, rms of a sine [A].", examples=[15]
    )
    power_w: Watt | None = Field(
        default=None,
        description="Rated power of a sine into load_ohm, of a channel; voltage and current follow from it [W].",
        examples=[600],
    )
    load_ohm: Ohm | None = Field(
        default=None, description="Load for which power_w is rated [ohm]; it limits the current too.", examples=[4]
    )
    wiring: Wiring = Field(default="parallel", description="How several subs hang on one channel.", examples=["series"])
    efficiency: Annotated[float, Range(low=0.05, high=0.99)] = Field(
        default=0.8,
        description="Power out over power in, without idle_w (default: switching type, common practice, no source).",
        examples=[0.5],
    )
    idle_w: Annotated[float, Range(low=0.0, high=2000.0, unit="W")] = Field(
        default=15.0,
        description="Power taken without a signal [W] (default: common practice, no source).",
        examples=[30],
    )
    closed_in_m: Annotated[tuple[Extent, Extent, Extent], several(3, "[depth, width, height] in m")] | None = Field(
        default=None,
        description="Inner size of the closed cupboard that one amplifier heats [m]; left out, it stands free.",
        examples=[[0.5, 0.5, 0.4]],
    )

    at_m: Annotated[tuple[Place, Place, Place], several(3, "[x, y, z] in m")] | None = Field(
        default=None,
        description="Where it stands, for lengths of cables [m]; left out, the amplifier of each sub is in its "
        "cabinet.",
        examples=[[0.3, 4.2, 0.4]],
    )


class AmplifierTable(ChannelTable):
    """The amplifier of each sub, one channel; two subs with shared settings (`shared_drives`) hang on one of them."""


class NamedAmplifierTable(ChannelTable):
    """An amplifier with several channels, and what hangs on them."""

    name: Name = Field(description="What you call it.", examples=["rack"])
    channels: Annotated[int, Range(low=1, high=64, unit="channels")] = Field(
        default=1, description="How many channels it has for subwoofers.", examples=[2]
    )
    subs: Annotated[tuple[Annotated[tuple[SubNumber, ...], AnyLength], ...], AnyLength] | None = Field(
        default=None,
        description="Which subs hang on each channel, by their numbers in the plan, one list for each channel; left "
        "out, the channels are filled in order, two subs with shared settings on one.",
        examples=[[[1, 2], [3]]],
    )


class BurstTable(Table):
    """Highest clean level by third-octave, measured with tone bursts, and how it was measured."""

    level_db: Annotated[Curve, CurveOf(allowed=Level)] = Field(
        description="Highest clean level by nominal third-octave, without gaps [dB re 20 uPa].",
        examples=[{"20": 99.0, "25": 104.0, "31.5": 108.0, "40": 111.0, "50": 113.0, "63": 114.0}],
    )
    distance_m: Annotated[float, Range(low=0.1, high=100.0, unit="m")] = Field(
        description="Distance of the microphone [m].", examples=[2.0]
    )
    space: Literal["full", "half"] = Field(
        description='"half": on the ground outdoors, "full": free field.', examples=["half"]
    )
    reading: Literal["rms", "peak"] = Field(description="Whether rms or peak levels are given.", examples=["rms"])


class SubwooferTable(Table):
    """What stands at each position; with [[subwoofers]] one kind of several.

    Its limits come from a level or from bursts, from driver and box, or from both.
    """

    name: Name = Field(default="subwoofer", description="What you call it.", examples=["sealed 12 inch"])
    max_level_1m_db: Annotated[Curve, CurveOf(allowed=Level)] | None = Field(
        default=None,
        description="Highest clean level at 1 m in free field, rms, dB re 20 uPa: a number or a table by frequency "
        "in Hz. Convert other ways of stating it (2 m, peak, on the ground) first, or give them as bursts.",
        examples=[{"20": 96.0, "31.5": 104.0, "63": 110.0}],
    )
    bursts: BurstTable | None = Field(default=None, description="Measured highest levels, in place of that.")
    driver: DriverTable | None = Field(default=None, description="Driver and box, for limits, voltage and power.")
    port: PortTable | None = Field(default=None, description="The port of a vented box; left out, it is sealed.")
    amplifier: AmplifierTable | None = Field(
        default=None, description="The amplifier of each sub; else [[amplifiers]]."
    )
    cabinet_m: Annotated[tuple[Extent, Extent, Extent], several(3, "[depth, width, height] in m")] | None = Field(
        default=None,
        description="[depth, width, height] of the cabinet [m]; depth along the direction that it faces. It stands "
        "centred on its position unless acoustic_centre_m says otherwise, and may be turned by quarter turns. Left "
        "out, it is a point.",
        examples=[[0.45, 0.4, 0.42]],
    )
    acoustic_centre_m: Annotated[tuple[Offset, Offset, Offset], several(3, "[forward, right, up] in m")] = Field(
        default=(0.0, 0.0, 0.0),
        description="Where the acoustic centre is from the cabinet's middle, [forward, right, up] as seen from behind "
        "the cabinet [m]. Positions are those of the acoustic centre.",
        examples=[[0.2, 0, 0]],
    )
    driver_face: Face = Field(
        default="front", description="Face of the cabinet on which the driver is.", examples=["bottom"]
    )
    port_face: Face | None = Field(
        default=None, description="Face on which the port is; left out, that of the driver.", examples=["rear"]
    )
    port_clearance_m: Clearance = Field(
        default=0.0, description="Free space needed before driver or port [m].", examples=[0.1]
    )
    ventilation_clearance_m: Clearance = Field(
        default=0.0,
        description="Free space needed behind the cabinet, for air to its amplifier and vents [m].",
        examples=[0.08],
    )
    weight_kg: Annotated[float, Range(low=0.0, high=1000.0, unit="kg", above_low=True)] | None = Field(
        default=None, description="Weight of one sub [kg].", examples=[34]
    )
    price: Annotated[float, Range(low=0.0, high=1e7)] | None = Field(
        default=None,
        description="What one sub costs with its share of amplifier and processor, in any currency, for `compare`, "
        "search.budget and plans by cost.",
        examples=[1450],
    )
