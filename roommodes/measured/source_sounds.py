"""What each sub does by itself against the others, from the first milliseconds at all seats: no fit, no model.

The first sounds of a sub at all seats, each moved by its travel time and multiplied by its distance, are one wave;
their mean is what the sub sends out, with the walls next to it. Such waves of two subs are held against each other:
sign and lag of their largest correlation are polarity and delay, the ratio of their sizes the level, less what rigid
walls near each of them add. Tables that reach far enough become impulse responses first.

Over 40 seeded rooms of image sources (boxes of 3.5 to 11 m, two to four subs, any crossover and latency) no polarity
was told wrong and 6 of 81 were not told; nine of ten delays lay within 0.8 ms, levels within 4 dB. Tables of a source
that plays down to 0 Hz beside a lining were off by 3 ms: less than 4 ms is not said.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Floats
from roommodes.measured.data import MeasuredSeats, MeasuredSubs, SourceSound
from roommodes.measured.files import Impulse, Spectrum
from roommodes.measured.first_sound import below_top
from roommodes.measured.manifest import ManifestTables
from roommodes.measured.resampling import arrival_s
from roommodes.project.project import Project

BEFORE_S, AFTER_S, FADE_S, LAG_S = 0.004, 0.010, 0.004, 0.004
ALIKE, OTHER_SIGN = 0.7, 0.75  # correlation that tells, and what the opposite sign may reach of it
LATE_S, LOUD_DB = 4e-3, 5.0  # what is said
REACH_HZ, LOWEST_HZ, COARSEST_HZ = 150.0, 25.0, 2.5  # what a table must have to tell
RATE_HZ, LENGTH_S, LEAD_S = 2000.0, 1.0, 0.05  # of a response made from a table
WALL, NEAR_S = 0.8, 6e-3  # what a near wall gives back, and the longest way to it and back that counts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Wave:
    """A sub's first sound at 1 m: samples about where it begins, and when that is."""

    sample: Floats
    begin_s: float
    rate_hz: float


def source_sounds(
    raw: Mapping[tuple[int, int], Spectrum | Impulse],
    subs: MeasuredSubs,
    seats: MeasuredSeats,
    *,
    tables: ManifestTables,
    project: Project,
) -> tuple[SourceSound, ...]:
    """Compare the subs of a set; empty where responses do not compare, positions are unknown or tables end too early.

    Parameters
    ----------
    raw : (seat, sub) -> what its file holds, the chain in it.
    subs, seats : where they are.
    tables : the manifest, whose chain is taken out of what is told.
    project : whose main loudspeakers are left out.
    """
    reference, mains = tables.reference, project.mains.measured if project.mains is not None else ()
    which = [sub for sub, name in enumerate(subs.name) if name not in mains]
    if not (reference.common_level and reference.common_polarity and reference.common_time):
        return ()
    if len(which) < 2 or not np.isfinite(subs.position_m[which]).all():
        return ()
    speed = project.room.air.speed_of_sound_m_s
    waves = []
    for sub in which:
        own = [_impulse(raw[seat, sub]) for seat in range(len(seats))]
        away = np.linalg.norm(seats.position_m - subs.position_m[sub], axis=1)
        if (wave := _wave(own, away, speed)) is None:
            return ()
        waves.append(wave)
    if len({wave.rate_hz for wave in waves}) > 1:
        return ()
    pairs = [_against(wave, waves[0]) for wave in waves]
    for place, sub in enumerate(which):
        chain, sign, late, level = tables.subs[sub], *pairs[place]
        level -= _walls_db(project.room.size_m, subs.position_m[sub], speed)
        if reference.chain == "divided out":
            sign, late, level = sign * chain.polarity, late - 1e-3 * chain.delay_ms, level - chain.gain_db
        pairs[place] = (sign, late, level)
    return _compared([subs.name[sub] for sub in which], pairs)


def _compared(names: Sequence[str], pairs: Sequence[tuple[int, float, float]]) -> tuple[SourceSound, ...]:
    """Each against the middle of all, or of two against the other."""
    told = [k for k, (sign, _, _) in enumerate(pairs) if sign]
    told = told if len(told) > 1 else []
    upright = -1 if sum(pairs[k][0] for k in told) < 0 else 1
    found = []
    for k, name in enumerate(names):
        others = told if len(told) > 2 else [one for one in told if one != k]
        sure = k in told
        found.append(
            SourceSound(
                name=name,
                polarity=upright * pairs[k][0] if sure else 0,
                late_s=pairs[k][1] - float(np.median([pairs[one][1] for one in others])) if sure else 0.0,
                level_db=float(pairs[k][2] - np.median([pairs[one][2] for one in others])) if sure else 0.0,
            )
        )
    return tuple(found)


def _impulse(found: Spectrum | Impulse) -> Impulse | None:
    """A response over time below some hundred hertz; None where a table does not tell it."""
    if isinstance(found, Impulse):
        return below_top(found)
    keep = found.hz > 0.0
    hz, value = found.hz[keep], found.value[keep]
    inside = (hz >= LOWEST_HZ) & (hz <= REACH_HZ)
    if len(hz) < 2 or hz[0] > LOWEST_HZ or hz[-1] < REACH_HZ or np.diff(hz[inside]).max(initial=0.0) > COARSEST_HZ:
        return None
    n = round(RATE_HZ * LENGTH_S)
    grid = np.fft.rfftfreq(n, 1.0 / RATE_HZ)
    delay = arrival_s(hz[inside], value[inside])
    straight = value * np.exp(2j * np.pi * hz * delay)  # a turning phase cannot be interpolated
    even = np.interp(grid, hz, straight.real, 0.0, 0.0) + 1j * np.interp(grid, hz, straight.imag, 0.0, 0.0)
    top = min(float(hz[-1]), 0.5 * RATE_HZ)
    fade = np.sin(0.5 * np.pi * np.clip((top - grid) / (0.4 * top), 0.0, 1.0)) ** 2
    moved = even * fade * np.exp(-2j * np.pi * grid * (delay + LEAD_S))
    return below_top(Impulse(sample=np.fft.irfft(moved, n) * RATE_HZ, rate_hz=RATE_HZ))


def _wave(own: Sequence[Impulse | None], away_m: Floats, speed_m_s: float) -> _Wave | None:
    """A sub's first sound, the mean over the seats."""
    known = [one for one in own if one is not None]
    if len(known) < len(own) or len({one.rate_hz for one in known}) > 1:
        return None
    rate = known[0].rate_hz
    begin = float(np.median([one.start_s - away / speed_m_s for one, away in zip(known, away_m, strict=True)]))
    before, after, lag = (round(length * rate) for length in (BEFORE_S, AFTER_S, LAG_S))
    edge = before + lag
    parts = []
    for one, away in zip(known, away_m, strict=True):
        at = max(0, round((begin + away / speed_m_s) * rate))
        padded = np.pad(one.sample, (edge, after + lag + edge))
        parts.append(away * padded[at : at + before + after + 2 * lag])
    length = min(len(part) for part in parts)
    wave = np.mean([part[:length] for part in parts], axis=0)
    return _Wave(sample=wave, begin_s=begin, rate_hz=rate) if length == before + after + 2 * lag else None


def _against(one: _Wave, other: _Wave) -> tuple[int, float, float]:
    """Sign (0 where it is not told), delay [s] and level [dB] of one first sound against another."""
    rate = one.rate_hz
    lag, length = round(LAG_S * rate), round((BEFORE_S + AFTER_S) * rate)
    fade = round(FADE_S * rate)
    weight = np.ones(length)
    weight[length - fade :] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / max(fade, 1))
    still = other.sample[lag : lag + length] * weight
    moved = np.lib.stride_tricks.sliding_window_view(one.sample, length)[: 2 * lag + 1] * weight
    size = np.maximum(np.linalg.norm(moved, axis=1), 1e-300)
    alike = moved @ still / size / max(float(np.linalg.norm(still)), 1e-300)
    best = int(np.abs(alike).argmax())
    sign = int(np.sign(alike[best]))
    sure = abs(alike[best]) >= ALIKE and float((-sign * alike).max()) < OTHER_SIGN * abs(float(alike[best]))
    level = 20.0 * np.log10(float(size[best]) / max(float(np.linalg.norm(still)), 1e-300))
    return sign if sure else 0, one.begin_s - other.begin_s + (best - lag) / rate, level


def _walls_db(size_m: Sequence[float], place_m: Floats, speed_m_s: float) -> float:
    """What rigid walls near a sub add to its first sound [dB]."""
    to_walls = np.concatenate([place_m, np.asarray(size_m) - place_m])
    share = np.clip(1.0 - 2.0 * to_walls / speed_m_s / NEAR_S, 0.0, 1.0)
    return float(np.sum(20.0 * np.log10(1.0 + WALL * share)))


def sound_notes(sounds: Sequence[SourceSound]) -> tuple[str, ...]:
    """What is odd about the subs, what to check and what to set, in sentences; none with nothing to compare."""
    if not sounds:
        return ()
    odd = [f"{one.name} is {', '.join(words)}" for one in sounds if (words := _odd(one))]
    untold = [one.name for one in sounds if not one.polarity]
    said = "; ".join(odd) if odd else "no sub is inverted, late or of another level against the others"
    notes = [f"First sounds at the seats, no model in it: {said}. Delays are told to some 2 ms, levels to some 4 dB."]
    if untold:
        notes.append(f"The first sounds of {', '.join(untold)} do not tell polarity and delay; look at them by hand.")
    if any(one.polarity < 0 for one in sounds):
        notes.append(
            "Inverted: check leads and polarity switch at the sub and its amplifier. Turn it there and measure again, "
            "or leave it: the search sets the polarity that the seats want."
        )
    if any(abs(one.late_s) >= LATE_S for one in sounds):
        notes.append(
            "Late or early: look for a delay left in the processor, a wireless link, a filter with latency. If it "
            "stays, the search delays the others."
        )
    if any(abs(one.level_db) >= LOUD_DB for one in sounds):
        notes.append(
            "Of another level: compare gain, input sensitivity and drivers before the gain makes up for it; a softer "
            "sub reaches its limits first."
        )
    return tuple(notes)


def _odd(one: SourceSound) -> list[str]:
    said = ["inverted"] if one.polarity < 0 else []
    if abs(one.late_s) >= LATE_S:
        said.append(f"{abs(one.late_s) * 1e3:.1f} ms {'late' if one.late_s > 0.0 else 'early'}")
    if abs(one.level_db) >= LOUD_DB:
        said.append(f"{abs(one.level_db):.0f} dB {'louder' if one.level_db > 0.0 else 'softer'}")
    return said
