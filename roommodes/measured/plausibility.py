"""Whether measured responses can be what the manifest says, before anything is computed from them.

First the set as a whole (`set_doubt`): the direction of time, the form of the level column, the scale. Then each
file against the others of its sub and against physics (`file_doubts`). Bounds are set so that rooms from dead to hard,
subs of all kinds, distant seats, noise 20 dB below and delays that all files share raise no doubt (tried on image
sources, which share nothing with the model).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from roommodes.arrays import Floats
from roommodes.measured.doubts import Doubt
from roommodes.measured.files import Impulse, Spectrum
from roommodes.measured.manifest import ManifestTables, ResponseTable
from roommodes.measured.over_time import OverTime, over_time, own_points, skewness
from roommodes.measured.resampling import arrival_s

Key = tuple[int, int]  # (seat, sub)

BACKWARDS = -0.12  # S of a set that runs backwards in time; sound ones lie above 0.1
COARSEST_HZ = 2.0  # between points (median), for S of a set
FILE_BACKWARDS, FORWARDS, BEFORE_S = -0.3, 0.3, 2e-3  # S of a file, of the others; arrival before and after time zero
NOISE_C, STEADY_C, FEWEST_NOISE = 0.45, 0.6, 40
FINE_HZ = 1.1  # points so close cannot miss a room's modes
SWEEP_S, BANDS = 0.3, 5  # group delay from band to band that no room has
RADIANS_WRAP = 5.0
FLAT_DB, POINTED, LEAST_DB = 1.9, 0.6, 2.0  # spread and skewness of what is read as dB; spread of what it should be
SKEWED_DB = -2.0
LOUD_M_DB, SPL_DB = 20.0, (35.0, 140.0)  # off the definition of per metre; sound pressure that a sub makes in a room
MOSTLY = 0.7
FEWEST_OF_SUB = 3
# by what ln of spread, skewness and level of a file scatter about its sub's others; a scale that nobody knows; and by
# how much the better reading must be: of 326 sound files, raised so that none is below 0 dB, none came beyond 9
SPREADS, SKEWS, LEVELS_DB, OTHER_SCALE, LIKELIER = 0.35, 0.6, 5.0, 6.0, 12.0
UPWARDS, PEAKED = 0.8, 0.35  # files skewed upwards and skewness of all; of dB at most 0.6 and 0.07, in 24 rooms
ALONE_DB, PEAK_DB, EXACT_DB, SILENT_DB, SPL_OVER_DB = 30.0, 10.0, 6e-3, 45.0, 60.0
PASCAL_DB = 94.0  # 1 Pa re 20 uPa
FEWEST_LATE, RINGING_S = 3, 0.025  # by so much a band's energy may rise later at one seat than at another


def _override(word: str) -> str:
    return f'If you have checked it, and it is right: checked = ["{word}"] at the sub, or in [reference] for all.'


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """The files as they were read: of each response its raw data, its table and its course over time."""

    raw: Mapping[Key, Spectrum | Impulse]
    table: Mapping[Key, ResponseTable]
    over_time: Mapping[Key, OverTime]
    level_db: Mapping[Key, float]
    checked: Sequence[frozenset[str]]  # of each sub: what a person has checked

    def others(self, key: Key) -> list[Key]:
        """The other files of its sub."""
        return [other for other in self.raw if other[1] == key[1] and other != key]

    def usual_db(self, key: Key) -> float:
        """The usual level of its sub's files; of two files, of those of all other subs. nan where there is none."""
        near = [*self.others(key), key]
        if len(near) < FEWEST_OF_SUB:
            near = [other for other in self.raw if other[1] != key[1]]
        return float(np.median([self.level_db[other] for other in near])) if near else float("nan")

    def columns(self, key: Key) -> tuple[Floats, Floats] | None:
        """The level and phase columns of a text table of that form, within the band; None for other files."""
        table, found = self.table[key], self.over_time[key]
        if Path(table.file).suffix.lower() in {".wav", ".sofa"} or table.form != "level and phase" or not len(found.hz):
            return None
        level = 20.0 * np.log10(np.maximum(np.abs(found.value), 1e-300))
        return level, np.angle(found.value)  # a column in radians, read as degrees, stays within 3.15 degrees


def reading_of(
    raw: Mapping[Key, Spectrum | Impulse],
    table: Mapping[Key, ResponseTable],
    tables: ManifestTables,
    low_hz: float,
    high_hz: float,
) -> Reading:
    """What plausibility is judged by, within the band."""
    courses = {key: over_time(*own_points(one, low_hz, high_hz)) for key, one in raw.items()}
    levels = {
        key: float(10.0 * np.log10(max(float(np.mean(np.abs(one.value) ** 2)), 1e-300))) if len(one.value) else np.nan
        for key, one in courses.items()
    }
    checked = [tables.checked(sub) for sub in range(len(tables.subs))]
    return Reading(raw=raw, table=table, over_time=courses, level_db=levels, checked=checked)


def set_doubt(reading: Reading, tables: ManifestTables, *, expected_db: float) -> str:
    """What is wrong with all files alike, the likeliest cause alone; empty where nothing is.

    Parameters
    ----------
    reading : the files.
    tables : the manifest.
    expected_db : mean level at the places that level = "per metre" would have by the model, nan where unknown [dB].
    """
    checked = frozenset.intersection(*reading.checked)  # by all subs
    columns = {key: both for key in reading.raw if (both := reading.columns(key)) is not None}
    if columns and len(columns) == len(reading.raw):
        if all(_radians(phase) for _, phase in columns.values()):
            return _words("radians", alone=False)
        if "level" not in checked and _all_linear([level for level, _ in columns.values()]):
            return f"{_words('linear', alone=False)} {_override('level')}"
    if "phase sign" not in checked and (text := _backwards(reading)):
        return f"{text} {_override('phase sign')}"
    if "noise" not in checked and (text := _noise_alone(reading)):
        return f"{text} {_override('noise')}"
    if "level" not in checked and (text := _scale(reading, tables, expected_db)):
        return f"{text} {_override('level')}"
    return ""


def late_doubts(reading: Reading, sub: int, seats: list[int], *, across_s: float) -> list[Doubt]:
    """Single files of a sub of unknown place that come later or earlier than any seat of the room can.

    Parameters
    ----------
    reading : the files.
    sub, seats : which are judged.
    across_s : how long sound takes from corner to corner [s].
    """
    delay = {seat: reading.over_time[seat, sub].rises_s for seat in seats}
    doubts = []
    fine = all(float(np.median(np.diff(reading.over_time[seat, sub].hz))) <= FINE_HZ for seat in seats)
    asked = fine and len(seats) >= FEWEST_LATE and "time" not in reading.checked[sub]
    arrives = [seat for seat in seats if reading.over_time[seat, sub].steadiness >= NOISE_C]
    for seat in arrives if asked else ():
        off = delay[seat] - float(np.median([delay[other] for other in seats if other != seat]))
        if abs(off) > across_s + RINGING_S:
            side = "later" if off > 0.0 else "earlier"
            text = (
                f"its sound comes {abs(off) * 1e3:z.0f} ms {side} than the sub's other files let expect: its time zero "
                "is another. Export all with one time zero, or say common_time = false in [reference]. "
            )
            doubts.append(Doubt(sub=sub, seat=seat, message=text + _override("time")))
    return doubts


def file_doubts(reading: Reading, tables: ManifestTables) -> list[Doubt]:
    """Single files that cannot be what the others of their sub are, each with its likeliest cause."""
    doubts = []
    for key in reading.raw:
        if (message := _of_file(key, reading, tables)) is not None:
            doubts.append(Doubt(sub=key[1], seat=key[0], message=message))
    return doubts


def _of_file(key: Key, reading: Reading, tables: ManifestTables) -> str | None:
    """The likeliest cause of what is odd in one file; None where nothing is."""
    reference = tables.reference
    usual = reading.usual_db(key)
    if found := _odd_columns(key, reading, usual, checked=reading.checked[key[1]]):
        return found
    if not reading.others(key):
        return None
    if found := _odd_course(key, reading, checked=reading.checked[key[1]]):
        return found
    if reference.common_level and "level" not in reading.checked[key[1]]:
        return _odd_level(reading, key, reading.level_db[key] - usual)
    return None


def _odd_columns(key: Key, reading: Reading, usual_db: float, *, checked: frozenset[str]) -> str:
    """What a table's columns hold instead of dB and degrees; empty where they do."""
    both = reading.columns(key)
    if both is not None and _radians(both[1]):
        return _words("radians", alone=True)
    if both is not None and "level" not in checked and _linear_among(key, reading, usual_db):
        return f"{_words('linear', alone=True)} {_override('level')}"
    return ""


def _odd_course(key: Key, reading: Reading, *, checked: frozenset[str]) -> str:
    """Why a file is noise, a sweep or reversed among the others of its sub; empty where it is not."""
    course, others = reading.over_time[key], [reading.over_time[other] for other in reading.others(key)]
    if "noise" not in checked and len(course.hz) >= FEWEST_NOISE:
        if course.steadiness < NOISE_C and float(np.median([one.steadiness for one in others])) > STEADY_C:
            return (
                "its phase jumps from point to point as noise does, that of its sub's other files does not: nothing "
                "of the sub is in it. Was the sub muted, the wrong input recorded or the level too low? Measure it "
                f"again. {_override('noise')}"
            )
        usual_s = float(np.median([_band_delays_s(one) for one in others]))
        if (apart := _band_delays_s(course)) > SWEEP_S > 2.0 * usual_s:
            return (
                f"its frequencies arrive one after the other, {apart:z.1f} s apart within the band, and no room does "
                "that: it looks like the recorded sweep itself, not the response made from it. Export the response. "
                f"{_override('noise')}"
            )
    if "phase sign" not in checked and _alone_backwards(course, others):
        return (
            "it runs backwards in time and the sub's other files do not: the sign of its phase is opposite, or its "
            f"samples are reversed. Export it as the others. {_override('phase sign')}"
        )
    return ""


def _radians(phase: Floats) -> bool:
    """Whether an angle column that was read as degrees holds wrapped radians."""
    read = np.rad2deg(phase)
    return bool(np.abs(read).max() <= np.pi * 1.001 and np.abs(np.diff(read)).max() > RADIANS_WRAP)


def _shape(level: Floats) -> tuple[float, float]:
    """Standard deviation and skewness."""
    off = level - level.mean()
    spread = float(np.sqrt(np.mean(off**2)))
    return spread, float(np.mean(off**3)) / max(spread, 1e-12) ** 3


def _linear(level: Floats) -> bool:
    """Whether a level column that was read as dB holds linear magnitudes: none below 0, too flat or too pointed.

    A room's level in dB has deep dips and round peaks (negative skewness), its magnitude the opposite.
    """
    if level.min() <= 0.0 or level.min() > 0.5 * level.max():
        return False
    spread, pointed = _shape(level)
    other_spread, other_pointed = _shape(20.0 * np.log10(level))
    return (spread < FLAT_DB or pointed > POINTED) and other_spread > LEAST_DB and SKEWED_DB < other_pointed < POINTED


def _all_linear(levels: list[Floats]) -> bool:
    """Whether the level columns of all files hold linear magnitudes: all together, and most of them by themselves."""
    shapes = [_shape(level) for level in levels]
    each = np.mean([spread < FLAT_DB or pointed > 0.5 * POINTED for spread, pointed in shapes])
    if each >= MOSTLY and _linear(np.concatenate(levels)):
        return True
    if any(level.min() <= 0.0 for level in levels):
        return False
    alike = np.concatenate([(level - level.mean()) / max(level.std(), 1e-12) for level in levels])
    upwards = np.mean([pointed > 0.0 for _, pointed in shapes])
    return bool(upwards >= UPWARDS and _shape(alike)[1] > PEAKED)


def _linear_among(key: Key, reading: Reading, usual_db: float) -> bool:
    """The same of one file: read as linear it has its sub's usual level, spread and skewness, read as dB it has not.

    Both readings' distances from the usual are weighed as squares of what each scatters by in sound sets.
    """
    both = reading.columns(key)
    near = [one for one in reading.others(key) if len(reading.over_time[one].hz)]
    near = near if len(near) > 1 else [one for one in reading.raw if one != key and len(reading.over_time[one].hz)]
    if both is None or both[0].min() <= 0.0 or len(near) < 2:
        return False
    if _shape(20.0 * np.log10(both[0]))[0] <= LEAST_DB:
        return False  # as flat as no room is: by neither reading is it a response at a seat
    shapes = [_shape(20.0 * np.log10(np.maximum(np.abs(reading.over_time[one].value), 1e-300))) for one in near]
    spread, pointed = (float(value) for value in np.median(shapes, axis=0))

    def off(level: Floats) -> tuple[float, float]:
        """Squared distances of spread and skewness together, and of the level."""
        own, skewed = _shape(level)
        shape = (np.log(max(own, 1e-12) / max(spread, 1e-12)) / SPREADS) ** 2 + 0.5 * ((skewed - pointed) / SKEWS) ** 2
        mean_db = 10.0 * np.log10(np.mean(10.0 ** (level / 10.0)))
        return float(shape), float(mean_db - usual_db)

    as_db, away_db = off(both[0])
    as_linear, away_linear = off(20.0 * np.log10(both[0]))
    any_scale = min((away_linear / LEVELS_DB) ** 2, ((away_linear + PASCAL_DB) / LEVELS_DB) ** 2, OTHER_SCALE)
    return as_db + min((away_db / LEVELS_DB) ** 2, 2.0 * OTHER_SCALE) > as_linear + any_scale + LIKELIER


def _words(what: str, *, alone: bool) -> str:
    whose = "its" if alone else "the files'"
    if what == "radians":
        return (
            f"{whose} phase stays within 3.15 and jumps by 6.28: it is in radians, and is read as degrees. "
            "Export it in degrees."
        )
    return (
        f"{whose} level column has no value below 0 and varies as a linear magnitude does: it seems not to be in dB. "
        'Export dB, or say form = "magnitude and phase" for the response.'
    )


def _backwards(reading: Reading) -> str:
    """Why the whole set runs backwards in time; empty where it does not."""
    found = [one for one in reading.over_time.values() if len(one.energy) and one.steadiness >= NOISE_C]
    lengths = {len(one.energy) for one in found}
    fine = [one for one in found if float(np.median(np.diff(one.hz))) <= COARSEST_HZ]
    if not found or len(fine) < len(found) or len(lengths) != 1:
        return ""
    back = np.mean([one.skewness < 0.0 for one in found])
    if back < MOSTLY or skewness(np.sum([one.energy for one in found], axis=0)) >= BACKWARDS:
        return ""
    early = [one.delay_s for one in found if one.delay_s < -BEFORE_S]
    where = (
        f"{len(early)} of {len(found)} responses arrive before time zero, on average by "
        f"{-np.mean(early) * 1e3:.0f} ms, and "
        if early
        else ""
    )
    return (
        f"{where}all swell slowly and end at once: sound in a room does the opposite. The sign of the phase is "
        "opposite: a later arrival must lower the phase. Export with the other sign, or say phase_sign = "
        '"opposite" in [reference].'
    )


def _alone_backwards(course: OverTime, others: list[OverTime]) -> bool:
    forwards = float(np.median([one.skewness for one in others]))
    after = float(np.median([one.delay_s for one in others]))
    mirrored = min(abs(course.delay_s), abs(after)) > BEFORE_S and course.delay_s * after < 0.0
    return bool(course.skewness < FILE_BACKWARDS and forwards > FORWARDS and mirrored)


def _noise_alone(reading: Reading) -> str:
    """Why the whole set is noise, or its points too far apart for its delay."""
    courses = [one for one in reading.over_time.values() if len(one.hz) >= FEWEST_NOISE]
    if not courses or len(courses) < len(reading.over_time):
        return ""
    if not all(one.steadiness < NOISE_C and float(np.diff(one.hz).max()) <= FINE_HZ for one in courses):
        return ""
    return (
        "in every file the phase jumps from point to point as noise does: nothing was recorded but noise, or time zero "
        "lies so far from the sound that the points are too far apart to follow the phase. Look at one file first; "
        "export with time zero near the sound."
    )


def _band_delays_s(course: OverTime) -> float:
    """How much the group delay differs between parts of the band [s]."""
    delays = []
    for part in np.array_split(np.arange(len(course.hz)), BANDS):
        delays.append(arrival_s(course.hz[part], course.value[part]))
    return max(delays) - min(delays)


def _scale(reading: Reading, tables: ManifestTables, expected_db: float) -> str:
    """Why the declared scale cannot be."""
    level = tables.reference.level
    mean = float(10.0 * np.log10(np.mean([10.0 ** (one / 10.0) for one in reading.level_db.values()])))
    full = tables.reference.full_scale_pa
    if level == "per metre":
        usual = expected_db if np.isfinite(expected_db) else 0.0
        off = mean - usual
        if abs(off) <= LOUD_M_DB + (0.0 if np.isfinite(expected_db) else LOUD_M_DB):
            return ""
        guess = (
            'They look like dB SPL: say level = "pascal".'
            if SPL_DB[0] + 10.0 <= mean <= SPL_DB[1]
            else 'Say level = "relative" unless the scale is known.'
        )
        return (
            f"level = \"per metre\" means 0 dB for a sub's free field at 1 m; the files' mean level of {mean:.0f} dB "
            "is "
            f"{abs(off):.0f} dB {'above' if off > 0 else 'below'} what that gives in this room. {guess}"
        )
    if level == "pascal":
        impulses = [key for key, one in reading.raw.items() if isinstance(one, Impulse)]
        mean += PASCAL_DB + 20.0 * np.log10(full) if impulses and full else 0.0
        if SPL_DB[0] <= mean <= SPL_DB[1]:
            return ""
        what = "quieter than a quiet room's own noise" if mean < SPL_DB[0] else "louder than subwoofers get in a room"
        return (
            f'level = "pascal" gives a mean level of {mean:.0f} dB re 20 uPa, {what}. '
            + ("Check full_scale_pa, or say " if impulses else "Say ")
            + 'level = "relative" where the scale is unknown.'
        )
    return ""


def _odd_level(reading: Reading, key: Key, off_db: float) -> str | None:
    """A file far above or below the others of its sub, or scaled to its own peak."""
    word = _override("level")
    side = f"{abs(off_db):.0f} dB {'below' if off_db < 0 else 'above'} that of the sub's other files"
    peaks = {one: 20.0 * np.log10(max(_peak(reading.raw[one]), 1e-300)) for one in (key, *reading.others(key))}
    if (
        abs(peaks[key]) < EXACT_DB
        and abs(off_db) > PEAK_DB
        and sum(abs(peak) < EXACT_DB for peak in peaks.values()) == 1
    ):
        return (
            f"it alone peaks at exactly 0 dB, and its level is {side}: it was scaled to its own peak. Export it "
            f"without normalising, or say common_level = false. {word}"
        )
    if not abs(off_db) > ALONE_DB:
        return None
    if off_db < -SILENT_DB:
        cause = "nothing of the sub is in it. Was the sub muted or the wrong input recorded? Measure it again."
    elif off_db > SPL_OVER_DB:
        cause = "it seems to be in dB SPL, or of another full scale, and the others are not. Export all alike."
    else:
        cause = "it was measured or exported at another gain. Export all alike, or say common_level = false."
    return f"its level is {side}; seats of one room differ by less: {cause} {word}"


def _peak(raw: Spectrum | Impulse) -> float:
    return float(np.abs(raw.sample if isinstance(raw, Impulse) else raw.value).max())
