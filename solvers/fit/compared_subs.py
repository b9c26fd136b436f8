"""What each sub does by itself: polarity, latency, level and roll-off, told from its own response.

A sub's own response is what its responses at all places have in common, over what the fitted room lets expect. Subs are
compared with each other, since files have a scale and a time zero of their owner's: as they are, and freed of the shape
of box and crossover (`loudspeaker`) that their level shows. What the two comparisons do not agree on is not told: a
vented box turns the phase at its corner as a wrong polarity and some milliseconds would.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from roommodes.arrays import Complexes, Floats
from solvers.fit.loudspeaker import shape_table

LONGEST_S, STEP_S = 0.06, 0.1e-3  # latencies tried
ENOUGH = 0.7  # of two responses' phases that polarity and latency must make alike
OTHER_SIGN = 0.8  # the opposite polarity explains less than so much of that, or the polarity is not told
CORNERS, HIGHEST = 28, 3.0  # corners tried, and the highest over the lower end of the band
AGREE_S = 3e-3
TOLD, LEAST_DB = 1.5, 0.3  # times what the best box leaves, every box of another slope must leave; and at least
SMOOTH_DB, STEEPER_DB = 2.0, 0.7  # rms that a shape may leave, and what it must gain over none


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedSub:
    """What one sub does by itself.

    Parameters
    ----------
    name : of the sub.
    polarity : 1 or -1 against most others; 0 where the response does not tell it.
    late_s : against the middle of all, of two against the other; 0 where the polarity is not told [s].
    level_db : likewise [dB].
    falls_hz : where its level lies 6 dB below that of the middle of its band; None where that is not in the band, or no
        box and crossover explains the level [Hz].
    slope_db : 12 as a closed box, 24 as a vented one; 0 where the level does not tell which [dB per octave].
    """

    name: str
    polarity: int
    late_s: float
    level_db: float
    falls_hz: float | None
    slope_db: int


def compared_subs(frequency_hz: Floats, own: Complexes, names: Sequence[str]) -> tuple[ComparedSub, ...]:
    """What each sub does, one after the other.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    own : (n_freq, n_sub) complex128, finite.
    names : (n_sub,).
    """
    boxes = [_box(frequency_hz, own[:, sub]) for sub in range(len(names))]
    free = np.stack([own[:, sub] / box.response for sub, box in enumerate(boxes)], axis=1)
    pairs = [
        _agreed(_against(frequency_hz, own[:, sub], own[:, 0]), _against(frequency_hz, free[:, sub], free[:, 0]))
        for sub in range(len(names))
    ]
    told = [k for k, one in enumerate(pairs) if one.alike >= ENOUGH and one.polarity]
    told = told if len(told) > 1 else []  # one alone has nothing to be held against
    upright = -1 if sum(pairs[k].polarity for k in told) < 0 else 1
    late_s, level_db = [pairs[k].late_s for k in told], [pairs[k].level_db for k in range(len(names))]
    found = []
    for sub, name in enumerate(names):
        timed = late_s if len(told) > 2 else [pairs[k].late_s for k in told if k != sub]
        level = float(np.median(level_db if len(names) > 2 else [level_db[k] for k in range(len(names)) if k != sub]))
        found.append(
            ComparedSub(
                name=name,
                polarity=upright * pairs[sub].polarity if sub in told else 0,
                late_s=pairs[sub].late_s - float(np.median(timed)) if sub in told else 0.0,
                level_db=pairs[sub].level_db - level,
                falls_hz=boxes[sub].falls_hz,
                slope_db=boxes[sub].slope_db,
            )
        )
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    polarity: int
    late_s: float
    level_db: float
    alike: float


def _against(hz: Floats, own: Complexes, other: Complexes) -> _Pair:
    """One own response (n_freq,) against another's: every frequency counts alike on the logarithmic axis."""
    weight = np.gradient(np.log(hz)) / np.gradient(np.log(hz)).sum()
    between = own * np.conj(other)
    phase = weight * between / np.maximum(np.abs(between), 1e-300)
    time = np.arange(-LONGEST_S, LONGEST_S, STEP_S)
    share = (np.exp(2j * np.pi * np.outer(time, hz)) @ phase).real
    best = int(np.abs(share).argmax())
    opposite = float((-np.sign(share[best]) * share).max())
    level = 20.0 * np.log10(np.maximum(np.abs(own), 1e-300) / np.maximum(np.abs(other), 1e-300))
    upper = hz >= hz[0] * (hz[-1] / hz[0]) ** 0.4  # above the boxes' roll-offs
    return _Pair(
        polarity=int(np.sign(share[best])) if opposite < OTHER_SIGN * abs(share[best]) else 0,
        late_s=float(time[best]),
        level_db=float(np.median(level[upper])),
        alike=float(abs(share[best])),
    )


def _agreed(as_is: _Pair, free: _Pair) -> _Pair:
    """Both comparisons in one: with the boxes' roll-offs and freed of them; what they do not agree on is not told."""
    same = as_is.polarity == free.polarity and abs(as_is.late_s - free.late_s) < AGREE_S
    better = free if free.alike > as_is.alike else as_is
    return replace(better, polarity=better.polarity if same else 0, level_db=as_is.level_db)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Box:
    response: Complexes
    falls_hz: float | None
    slope_db: int


def _box(hz: Floats, own: Complexes) -> _Box:
    """The box and crossover that one own response (n_freq,) shows by its level."""
    shapes, tried = shape_table(tuple(hz.tolist()), corners=CORNERS, highest=HIGHEST)
    weight = np.gradient(np.log(hz)) / np.gradient(np.log(hz)).sum()
    level, table = (20.0 * np.log10(np.maximum(np.abs(one), 1e-10)) for one in (own, tried))
    off = level - table
    off = off - (off @ weight)[:, None]
    left = np.sqrt(off**2 @ weight)
    best = int(left.argmin())
    if left[best] > SMOOTH_DB:
        return _Box(response=np.ones(len(hz), dtype=np.complex128), falls_hz=None, slope_db=0)
    if float(left[0]) - left[best] <= STEEPER_DB:
        best = 0
    shape = shapes[best]
    others = [k for k, one in enumerate(shapes) if one.low_db != shape.low_db]
    sure = shape.low_db and float(left[others].min()) > max(TOLD * float(left[best]), LEAST_DB)
    below = np.flatnonzero(table[best] <= table[best].max() - 6.0)
    below = below[hz[below] < hz[int(table[best].argmax())]]
    falls = float(hz[below[-1]]) if len(below) and shape.low_db else None
    return _Box(response=tried[best], falls_hz=falls, slope_db=shape.low_db if sure else 0)
