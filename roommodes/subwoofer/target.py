"""How loud it is to be at the seats: the [target] table, and how its channels add up.

The default is the cinema convention [1]: pink noise 20 dB below full scale is aligned to 85 dB(C) at the seats for
each main channel, so that full scale comes near 105 dB rms; the effects channel is replayed 10 dB louder, 115 dB.
People call these figures peaks: the loudest that a channel is asked for. They are taken here as the rms level of a
sine at full scale; read as its peak the same figure asks for 3.01 dB less.

References
----------
[1] SMPTE RP 200 and ST 202, from memory, the standards not seen.
"""

from math import log10, sqrt
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from roommodes.toml.values import Range, Table, apart, rising, several

CINEMA_SOURCE = "the cinema convention, after SMPTE RP 200 and ST 202"
CREST_DB = 20.0 * log10(sqrt(2.0))  # peak over rms of a sine

Sum = Literal["power", "coherent"]
Reading = Literal["rms", "peak"]
TargetLevel = Annotated[float, Range(low=40.0, high=150.0, unit="dB")]
TargetHertz = Annotated[float, Range(low=10.0, high=300.0, unit="Hz")]


class TargetTable(Table):
    """The level that every seat is to hear at most, for `headroom`. Left out: the cinema convention."""

    effects_level_db: TargetLevel = Field(
        default=115.0, description="Highest level of the effects channel at the seats [dB re 20 uPa].", examples=[115]
    )
    channel_level_db: TargetLevel = Field(
        default=105.0, description="Highest level of one main channel at the seats [dB re 20 uPa].", examples=[105]
    )
    channels: Annotated[int, Range(low=0, high=64, unit="channels")] = Field(
        default=0,
        description="Main channels whose bass the subs play as well, all at their highest level at once.",
        examples=[7],
    )
    sum: Sum = Field(
        default="power",
        description="How the channels add up: power for different signals, coherent where all play the same.",
        examples=["coherent"],
    )
    level_db: TargetLevel | None = Field(
        default=None,
        description="The level itself, in place of what the channels come to [dB re 20 uPa].",
        examples=[105],
    )
    reading: Reading = Field(
        default="rms",
        description="How these levels are meant: the rms of a sine, or its peak, 3.01 dB above it.",
        examples=["peak"],
    )
    band_hz: (
        Annotated[
            tuple[TargetHertz, TargetHertz],
            several(2, "[low, high] in Hz"),
            AfterValidator(rising),
            AfterValidator(apart),
        ]
        | None
    ) = Field(
        default=None,
        description="Band in which it is to be reached, [low, high] [Hz]; left out, that of the search.",
        examples=[[25, 100]],
    )
    margin_db: Annotated[float, Range(low=0.0, high=30.0, unit="dB")] = Field(
        default=0.0, description="What is to be left above it [dB].", examples=[3]
    )

    where: Literal["average", "every seat"] = Field(
        default="average",
        description="Where it is to be reached: by the average over the seats, or in every seat.",
        examples=["every seat"],
    )

    @property
    def stated_db(self) -> float:
        """What the channels come to, as it was stated, without the margin [dB]."""
        if self.level_db is not None:
            return self.level_db
        per_decade = 20.0 if self.sum == "coherent" else 10.0
        total = 10.0 ** (self.effects_level_db / per_decade) + self.channels * 10.0 ** (
            self.channel_level_db / per_decade
        )
        return per_decade * log10(total)

    @property
    def rms_db(self) -> float:
        """The level that must be reached, margin included [dB re 20 uPa, rms]."""
        return self.stated_db + self.margin_db - (CREST_DB if self.reading == "peak" else 0.0)

    @property
    def is_cinema(self) -> bool:
        """Whether the levels are those of the cinema convention."""
        plain = TargetTable()
        mine, theirs = (self.level_db, self.effects_level_db), (plain.level_db, plain.effects_level_db)
        return mine == theirs and self.channel_level_db == plain.channel_level_db
