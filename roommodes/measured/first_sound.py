"""What impulse responses tell in their first milliseconds, whatever the room is: arrival, level, polarity.

Before the room answers, the direct sound of a sub comes to every seat as the same wave, later by the distance over the
speed of sound and smaller by the distance. Reflections in the first milliseconds are of near surfaces, which turn no
sign. So the first sounds of one sub, each moved by its own travel time, lie on each other, and one that does not was
turned, scaled or moved on its way into the file. No model of the room has a say in that.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.measured.doubts import MEND_LEVEL, MEND_POLARITY, MEND_TIME, Doubt, Judged
from roommodes.measured.files import Impulse

TOP_HZ = 300.0  # what is above is left out, by a filter that looks at nothing later
BEFORE_S, AFTER_S, FADE_S = 0.004, 0.006, 0.003  # of the window about the arrival, and how long its end fades
SLACK_S = 4e-3  # within which all arrivals lie on their distances: 0.6 ms in 60 rooms of image sources
SLACK_DB = 10.0  # the same of first sounds: 5 dB
ALIKE = 0.4  # mean correlation from which a polarity is told
GAINED = 0.2  # by how much more alike a late response must be where it begins
FARTHEST_S = 0.25  # times further off are taken for that
FEWEST_SEATS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstSounds:
    """The first sounds of one sub.

    Parameters
    ----------
    late_s : (n_seat,) arrival less the travel time, about the middle of all, 0 where it does not tell [s].
    level_db : (n_seat,) size of the first sound times distance, about the middle of all [dB].
    polarity : (n_seat,) 1 or -1, 1 for most.
    alike : (n_seat,) mean correlation with the others, each with its polarity: 1 where all have one shape.
    """

    late_s: Floats
    level_db: Floats
    polarity: NDArray[np.intp]
    alike: Floats


def first_sounds(impulses: list[Impulse], away_s: Floats) -> FirstSounds:
    """Compare the first sounds of one sub.

    Parameters
    ----------
    impulses : (n_seat,) of one sample rate.
    away_s : (n_seat,) travel times [s]; NaN throughout where they are not known or times do not compare: each
        response then counts from where it begins.
    """
    rate = impulses[0].rate_hz
    low = [below_top(one) for one in impulses]
    start = np.array([one.start_s for one in low])
    placed = bool(np.isfinite(away_s).all())
    late = start - away_s if placed else np.zeros(len(start))
    late = late - np.median(late)
    begin = np.median(start - away_s) + away_s if placed else start
    before, after, fade = (round(length * rate) for length in (BEFORE_S, AFTER_S, FADE_S))
    weight = np.ones(before + after)
    weight[len(weight) - fade :] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / max(fade, 1))
    far = round(FARTHEST_S * rate)
    runs = []  # each response from `far` before its window to `far` behind it
    for one, at in zip(low, np.round(begin * rate).astype(int), strict=True):
        padded = np.pad(one.sample, (before + far, before + after + far))
        runs.append(padded[max(at, 0) : max(at, 0) + before + after + 2 * far])
    parts = np.array([run[far : far + before + after] * weight for run in runs])
    first = parts * (away_s[:, None] if placed else 1.0)
    size = np.maximum(np.linalg.norm(first, axis=1), 1e-300)
    level = 20.0 * np.log10(size)
    each = first / size[:, None]
    pairs = each @ each.T
    polarity = np.where(np.linalg.eigh(pairs)[1][:, -1] < 0.0, -1, 1)
    if 2 * int(polarity.sum()) + polarity[0] < 0:  # of two halves the first seat's is right
        polarity = -polarity
    agree = pairs * np.outer(polarity, polarity)
    alike = (agree.sum(axis=1) - 1.0) / (len(each) - 1)
    rest = (polarity[:, None] * each).sum(axis=0) - polarity[:, None] * each
    fits = [
        _fits_later(run, one, weight, late_s=float(at), rate_hz=rate)
        for run, one, at in zip(runs, rest, late, strict=True)
    ]
    late = np.where(fits, late, 0.0)
    return FirstSounds(late_s=late, level_db=level - np.median(level), polarity=polarity, alike=alike)


def _fits_later(run: Floats, rest: Floats, weight: Floats, *, late_s: float, rate_hz: float) -> bool:
    """Whether a response is like the sum of the others where it begins, and unlike it where it should.

    A response without its upper frequencies begins nowhere sharply: where it begins does not tell by itself.
    """
    moved = sliding_window_view(run, len(weight)) * weight
    size = np.linalg.norm(moved, axis=1) * float(np.linalg.norm(rest))
    alike = np.abs(moved @ rest) / np.maximum(size, 1e-9 * float(size.max()) + 1e-300)
    middle, slack = len(alike) // 2, max(1, round(SLACK_S * rate_hz))
    there = np.clip(middle + round(late_s * rate_hz), 0, len(alike) - 1)
    return bool(alike[max(there - slack, 0) : there + slack + 1].max() > alike[middle] + GAINED)


def first_sound_doubts(impulses: list[Impulse], away_s: Floats, *, judged: Judged) -> list[Doubt]:
    """Responses of one sub that were turned, scaled or moved, told by their first milliseconds.

    Parameters
    ----------
    impulses, away_s : as in `first_sounds`.
    judged : what is to be judged; levels and times only where travel times are known.

    Returns
    -------
    `Doubt.sub` is 0 in each.
    """
    doubts: list[Doubt] = []
    sound = list(range(len(impulses)))
    while len(sound) >= FEWEST_SEATS:  # the most doubtful first: it spoils what the others are held against
        found = first_sounds([impulses[seat] for seat in sound], away_s[sound])
        blamed = [
            (weight, place, message)
            for place in range(len(sound))
            for weight, message in _wrong(found, place, judged=judged)
        ]
        if not blamed:
            break
        _, place, message = max(blamed)
        doubts.append(Doubt(sub=0, seat=sound.pop(place), message=message))
    return doubts


def _wrong(found: FirstSounds, place: int, *, judged: Judged) -> list[tuple[float, str]]:
    """What is wrong with one first sound, and how much so."""
    late, level, alike = (float(value[place]) for value in (found.late_s, found.level_db, found.alike))
    turned = found.polarity[place] < 0 and alike > ALIKE
    wrong = []
    if judged.time and abs(late) > SLACK_S:
        text = (
            f"its sound comes {abs(late) * 1e3:z.0f} ms {'later' if late > 0.0 else 'earlier'} than its distance and "
            f"the sub's other seats let expect: its time zero is another. {MEND_TIME}"
        )
        wrong.append((10.0 + abs(late) / SLACK_S, text))
    if judged.level and abs(level) > SLACK_DB and abs(late) <= SLACK_S:
        text = (
            f"its first sound is {abs(level):.0f} dB {'louder' if level > 0.0 else 'softer'} than its distance and the "
            f"sub's other seats let expect: it was scaled, or another gain was set. {MEND_LEVEL}"
        )
        wrong.append((5.0 + abs(level) / SLACK_DB, text))
    if judged.polarity and turned and abs(late) <= SLACK_S:
        text = (
            "its polarity differs from its neighbours': its first milliseconds run opposite to those at the sub's "
            f"other seats, whatever the room does. {MEND_POLARITY}"
        )
        wrong.append((alike, text))
    return wrong


def below_top(one: Impulse) -> Impulse:
    """The response below `TOP_HZ`."""
    if one.rate_hz <= 4.0 * TOP_HZ:
        return one
    from scipy.signal import butter, sosfilt  # noqa: PLC0415 (half a second that other uses need not pay)

    return Impulse(
        sample=np.asarray(sosfilt(butter(2, TOP_HZ, fs=one.rate_hz, output="sos"), one.sample)), rate_hz=one.rate_hz
    )
