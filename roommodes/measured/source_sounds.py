"""What each sub does by itself against the others, from the first milliseconds at all seats: no fit, no model.

The first sounds of a sub at all seats, each moved by its travel time and multiplied by its distance, are one wave;
their mean is what the sub sends out, with the walls next to it. It begins where the seats are most alike: tables that
end at 150 Hz begin at no clear time by themselves. Such waves of two subs are held against each other: sign and lag of
their largest correlation are polarity and delay, the ratio of their sizes the level, less what rigid walls near each of
them add. What a single seat left out changes is not told, nor is a sub that rolls off unlike the others.

How often it is right, on rooms that the limits were not set on: `benchmarks/source_verdicts.py`. Delays and levels that
are not far outside its errors are not said.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

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
LATE_S, LOUD_DB = 4e-3, 6.0  # what is said
REACH_HZ, LOWEST_HZ, COARSEST_HZ = 150.0, 25.0, 2.5  # what a table must have to tell
RATE_HZ, LENGTH_S, LEAD_S = 2000.0, 1.0, 0.05  # of a response made from a table
SOUGHT_S, STEP_S, LEAST_SHARE = (-0.012, 0.032), 5e-4, 0.1  # about where responses seem to begin; of the mean's energy
COHERENT, STEADY_S, STEADY_DB = 0.9, 1e-3, 2.5  # of the seats; what a seat left out may change
WALL, NEAR_S = 0.8, 6e-3  # what a near wall gives back, and the longest way to it and back that counts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Wave:
    """A sub's first sound at 1 m: samples about where it begins, (n_seat, n_sample), and when that is.

    `alike` is the energy of the mean over the mean of the energies: 1 where all seats have one wave.
    """

    each: Floats
    begin_s: float
    rate_hz: float
    alike: float

    @property
    def sample(self) -> Floats:
        """The mean over the seats."""
        return np.asarray(self.each.mean(axis=0))


def source_sounds(
    raw: Mapping[tuple[int, int], Spectrum | Impulse],
    subs: MeasuredSubs,
    seats: MeasuredSeats,
    *,
    tables: ManifestTables,
    project: Project,
    unlike: Sequence[str] = (),
) -> tuple[SourceSound, ...]:
    """Compare the subs of a set; empty where responses do not compare, positions are unknown or tables end too early.

    Parameters
    ----------
    raw : (seat, sub) -> what its file holds, the chain in it.
    subs, seats : where they are.
    tables : the manifest, whose chain is taken out of what is told.
    project : whose main loudspeakers are left out.
    unlike : names of subs that roll off unlike the others: their first sounds have another shape, and tell nothing.
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
    usable = [subs.name[sub] not in unlike for sub in which]
    first = max(zip(usable, waves, strict=True), key=lambda one: (one[0], one[1].alike))[1]
    pairs = [_against(wave, first) if use else (0, 0.0, 0.0) for use, wave in zip(usable, waves, strict=True)]
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
    """A sub's first sound, the mean over the seats, from where these are most alike."""
    known = [one for one in own if one is not None]
    if len(known) < len(own) or len({one.rate_hz for one in known}) > 1:
        return None
    rate, travel_s = known[0].rate_hz, away_m / speed_m_s
    early, late = SOUGHT_S
    begin = float(np.median([one.start_s for one in known] - travel_s)) + np.arange(early, late, STEP_S)
    span = np.arange(-round((BEFORE_S + LAG_S) * rate), round((AFTER_S + LAG_S) * rate)) / rate
    each = np.array(
        [
            away * np.interp(begin[:, None] + travel + span, np.arange(len(one.sample)) / rate, one.sample, 0.0, 0.0)
            for one, away, travel in zip(known, away_m, travel_s, strict=True)
        ]
    )  # (n_seat, n_begin, n_sample)
    weight = _fading(len(span) - 2 * round(LAG_S * rate), rate)
    inner = each[:, :, round(LAG_S * rate) :][:, :, : len(weight)] * weight
    mean = np.sum(inner.mean(axis=0) ** 2, axis=1)
    alike = mean / np.maximum(np.mean(np.sum(inner**2, axis=2), axis=0), 1e-300)
    best = int(np.argmax(np.where(mean > LEAST_SHARE * mean.max(), alike, 0.0)))
    return _Wave(each=each[:, best], begin_s=float(begin[best]), rate_hz=rate, alike=float(alike[best]))


def _fading(length: int, rate_hz: float) -> Floats:
    """A window whose end fades: (length,)."""
    weight, fade = np.ones(length), round(FADE_S * rate_hz)
    weight[length - fade :] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / max(fade, 1))
    return weight


def _against(one: _Wave, other: _Wave) -> tuple[int, float, float]:
    """Sign (0 where it is not told), delay [s] and level [dB] of one first sound against another.

    It is told where the seats are alike, and where each seat left out leaves it as it is.
    """
    sign, late, level = _correlated(one, one.sample, other.sample)
    late += one.begin_s - other.begin_s
    sure = bool(sign) and min(one.alike, other.alike) >= COHERENT
    for seat in range(len(one.each)) if sure and one is not other else ():
        less = [np.delete(wave.each, seat, axis=0).mean(axis=0) for wave in (one, other)]
        again, moved, louder = _correlated(one, *less)
        moved += one.begin_s - other.begin_s
        sure &= again == sign and abs(moved - late) < STEADY_S and abs(louder - level) < STEADY_DB
    return sign if sure else 0, late, level


def _correlated(wave: _Wave, one: Floats, other: Floats) -> tuple[int, float, float]:
    """Sign, lag [s] and level [dB] of the largest correlation of two first sounds; sign 0 where it does not tell."""
    rate = wave.rate_hz
    lag, length = round(LAG_S * rate), round((BEFORE_S + AFTER_S) * rate)
    weight = _fading(length, rate)
    still = other[lag : lag + length] * weight
    moved = np.lib.stride_tricks.sliding_window_view(one, length)[: 2 * lag + 1] * weight
    size = np.maximum(np.linalg.norm(moved, axis=1), 1e-300)
    alike = moved @ still / size / max(float(np.linalg.norm(still)), 1e-300)
    best = int(np.abs(alike).argmax())
    sign = int(np.sign(alike[best]))
    sure = abs(alike[best]) >= ALIKE and float((-sign * alike).max()) < OTHER_SIGN * abs(float(alike[best]))
    level = 20.0 * np.log10(float(size[best]) / max(float(np.linalg.norm(still)), 1e-300))
    return sign if sure else 0, (best - lag) / rate, level


def _walls_db(size_m: Sequence[float], place_m: Floats, speed_m_s: float) -> float:
    """What rigid walls near a sub add to its first sound [dB]."""
    to_walls = np.concatenate([place_m, np.asarray(size_m) - place_m])
    share = np.clip(1.0 - 2.0 * to_walls / speed_m_s / NEAR_S, 0.0, 1.0)
    return float(np.sum(20.0 * np.log10(1.0 + WALL * share)))


def sound_notes(sounds: Sequence[SourceSound]) -> tuple[str, ...]:
    """What is odd about the subs, what to check and what to set, in sentences; none with nothing to compare."""
    if not sounds:
        return ()
    told = [one for one in sounds if one.polarity]
    odd = [f"{one.name} is {', '.join(words)}" for one in told if (words := _odd(one))]
    if len(told) == 2:  # nobody can say which of the two is off
        one, other = told
        both = replace(other, polarity=one.polarity * other.polarity)
        odd = [f"{other.name} is {', '.join(words)} against {one.name}"] if (words := _odd(both)) else []
        odd = [f"{odd[0]}, and of two nobody can say which is off"] if odd else []
    untold = [one.name for one in sounds if not one.polarity]
    said = "; ".join(odd) if odd else "no sub is inverted, late or of another level against the others"
    notes = []
    if told:
        notes.append(
            f"First sounds at the seats, no model in it: {said}. Delays are told to some 2 ms, levels to some 4 dB."
        )
    if untold:
        notes.append(
            f"The first sounds of {', '.join(untold)} do not tell polarity, delay and level; look at them by hand."
        )
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
