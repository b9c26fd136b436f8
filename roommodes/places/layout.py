"""A layout: positions and drives of subs, and of which kind each is, every list filled in."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Positions and drives, every list filled in.

    Parameters
    ----------
    positions_m : (n_sub) of (x, y, z) [m].
    gain_db, delay_ms, polarity : (n_sub) each [dB], [ms], +1 or -1.
    kind : (n_sub) which of the project's kinds of subwoofer each is; left out, the first.
    """

    positions_m: tuple[tuple[float, float, float], ...]
    gain_db: tuple[float, ...]
    delay_ms: tuple[float, ...]
    polarity: tuple[int, ...]
    kind: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if not self.kind:
            object.__setattr__(self, "kind", (0,) * len(self.positions_m))


def filled_layout(
    positions_m: tuple[tuple[float, float, float], ...],
    *,
    gain_db: Sequence[float] | None,
    delay_ms: Sequence[float] | None,
    polarity: Sequence[int] | None,
    kind: Sequence[int] = (),
) -> Layout:
    """A layout with 0 dB, no delay and normal polarity where nothing is said; `kind` as for `Layout`."""
    count = len(positions_m)
    return Layout(
        positions_m=positions_m,
        gain_db=tuple(gain_db or (0.0,) * count),
        delay_ms=tuple(delay_ms or (0.0,) * count),
        polarity=tuple(polarity or (1,) * count),
        kind=tuple(kind),
    )
