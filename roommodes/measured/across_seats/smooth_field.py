"""Single files against the field that a sub's other files tell, whatever the room is.

Away from its source sound obeys the Helmholtz equation, so that seats some tenths of a wavelength apart tell much of
each other. At each frequency the responses y of a sub at its seats are taken as a diffuse field, a Gaussian process
with the kernel sin(k r) / (k r) of their distances [1], of unknown size, with what noise and places off by some
centimetres add. How unlikely a set is grows with

    Q = mean over frequency of ln (y^H K^-1 y)

A file that was turned, moved in time or reversed, or two that were exchanged, raise Q; what is done to them to undo it
lowers it by so much that no sound set comes near. Seats further apart than half a wavelength tell nothing of each
other, and nothing is said of them. Impulse responses tell signs and times better by their first sounds
(`first_sound`).

For exchanges the drawn room is asked too: K then has, beside the diffuse field, the responses m that a rough model lets
expect at that frequency and at those near it,

    K = sin(k r) / (k r) + 2 sum over frequencies near it of m m^H / |m|^2

since a drawn room that is some percent off has its modes at other frequencies with the same pattern over the seats. A
pattern that is quite wrong adds nothing to speak of: with the model of another room sound sets stay below the limit.

| symbol | meaning |
| --- | --- |
| y | responses of one sub at its seats |
| K | covariance of the field at the seats |
| m | the model's responses of that sub at its seats |
| gain | by how much a change lowers Q |

References
----------
[1] R. K. Cook, R. V. Waterhouse, R. D. Berendt, S. Edelman, M. C. Thompson, Measurement of correlation coefficients in
    reverberant sound fields, J. Acoust. Soc. Am. 27 (1955) 1072 (from memory).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.measured.doubts import MEND_POLARITY, MEND_TIME, Doubt, Judged

FLOOR = 0.05  # noise and loudness of a microphone, over the rms
PLACED_M = 0.05  # by so much a microphone may stand off its place, along each axis
HIGHEST_HZ = 100.0
FEWEST_SEATS, FEWEST_EXCHANGED, FEWEST_POINTS = 4, 4, 12
NEAREST_M = 0.3  # seats nearer to each other are not taken for exchanged
LONGEST_S, STEP_S, LEAST_S = 0.08, 0.5e-3, 6e-3
Kind = Literal["time", "polarity", "phase sign"]
GAIN: dict[Kind, float] = {"polarity": 0.55, "time": 0.65, "phase sign": 0.65}  # sound sets stay below -0.4, 0.5, 0.3
GAIN_ALL, GAIN_ONE, GAIN_ONE_OF_FOUR = 0.45, 0.6, 0.85  # of exchanges; 220 sound sets: below 0.35, 0.53, 0.63
GAIN_BY_ROOM = 0.4  # of either with the drawn room; 94 sound sets: below 0.06, with another room's model below 0.29
MAY_BE = 0.5  # of that limit, from which two files may be exchanged; with another room's model 3 of 94 sound sets
PATTERN, NEAR_OCTAVES = 2.0, 0.043  # how much the drawn room counts beside the diffuse field, and over how much it does
SCALES_DB = tuple(range(-60, 61, 6))  # of one file, held against an exchange
RIVAL = 0.8  # of the best gain, from which another change may be meant as well
MUCH_MORE = 2.0  # one sub's gain over the mean of all, from which that sub's files alone were exchanged
MEND_SIGN = 'If you have checked it, and it is right: checked = ["phase sign"] at the sub, or in [reference] for all.'


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What, done to one file, makes the set more likely.

    Parameters
    ----------
    seat : whose file.
    kind : time: it is moved; polarity: it is turned; phase sign: it is reversed in time.
    late_s : by how much it comes late, for time [s].
    gain : see above.
    """

    seat: int
    kind: Kind
    late_s: float
    gain: float


class SmoothField:
    """The diffuse field at some seats.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    seat_m : (n_seat, 3) [m].
    speed_m_s : of sound.
    expected : (n_freq, n_seat) by a model of the room, any scale; None for the diffuse field alone.
    """

    def __init__(
        self, frequency_hz: Floats, seat_m: Floats, *, speed_m_s: float, expected: Complexes | None = None
    ) -> None:
        self.used = frequency_hz <= HIGHEST_HZ
        self.hz = frequency_hz[self.used]
        k = 2.0 * np.pi * self.hz / speed_m_s
        away = np.linalg.norm(seat_m[:, None] - seat_m[None], axis=2)
        self.away_m = away
        noise = FLOOR**2 + (k * PLACED_M) ** 2  # the gradient's mean square is k^2 / 3 along each axis
        covariance = np.sinc(k[:, None, None] * away / np.pi)
        self.by_room = expected is not None
        if expected is not None:
            pattern = _pattern(self.hz, expected[self.used])
            covariance = (covariance + PATTERN * pattern) / (1.0 + PATTERN)
        self.inverse = np.linalg.inv(covariance + noise[:, None, None] * np.eye(len(seat_m)))

    def unlikely(self, responses: Complexes) -> float:
        """Q of one sub's responses: (n_freq, n_seat)."""
        y = responses[self.used]
        return float(np.mean(np.log(np.maximum(np.einsum("fi,fij,fj->f", y.conj(), self.inverse, y).real, 1e-300))))

    def changes(self, responses: Complexes, *, judged: Judged, sign: bool) -> list[Change]:
        """What could be done to each single file: (n_freq, n_seat); `sign`: reversing in time is among it."""
        y, before, n_seat = responses[self.used], self.unlikely(responses), responses.shape[1]
        delays = np.arange(-LONGEST_S, LONGEST_S + 0.5 * STEP_S, STEP_S)
        moved = np.exp(2j * np.pi * np.outer(delays, self.hz))
        still, far = len(delays) // 2, np.abs(delays) >= LEAST_S
        whole = np.einsum("fi,fij,fj->f", y.conj(), self.inverse, y).real
        found = []
        for seat in range(n_seat):
            pull = np.einsum("fj,fj->f", self.inverse[:, seat], y) - self.inverse[:, seat, seat] * y[:, seat]
            rest = whole - 2.0 * (y[:, seat].conj() * pull).real
            ways = {"as it is": y[:, seat], "reversed": y[:, seat].conj()}
            gains = {}
            for name, value in ways.items():
                between = 2.0 * (moved.conj() * (value.conj() * pull)).real
                for turn in (1.0, -1.0):
                    gains[name, turn] = before - np.log(np.maximum(rest + turn * between, 1e-300)).mean(axis=1)
            if judged.polarity:
                gain = float(gains["as it is", -1.0][still])
                found.append(Change(seat=seat, kind="polarity", late_s=0.0, gain=gain))
            if judged.time:
                at = int(np.where(far, gains["as it is", 1.0], -np.inf).argmax())
                gain = float(gains["as it is", 1.0][at])
                found.append(Change(seat=seat, kind="time", late_s=float(delays[at]), gain=gain))
            if sign:
                found.append(Change(seat=seat, kind="phase sign", late_s=0.0, gain=float(gains["reversed", 1.0].max())))
        return found

    def exchanges(self, responses: Complexes) -> dict[tuple[int, int], float]:
        """Gain of exchanging each two seats of one sub: (n_freq, n_seat)."""
        n_seat, before, found = responses.shape[1], self.unlikely(responses), {}
        for one, other in combinations(range(n_seat), 2):
            if self.away_m[one, other] >= NEAREST_M:
                order = np.arange(n_seat)
                order[[one, other]] = other, one
                found[one, other] = before - self.unlikely(responses[:, order])
        return found

    def most_by_one(self, responses: Complexes) -> float:
        """The most that turning, moving, reversing or scaling one file gains: (n_freq, n_seat).

        A file that is scaled by g was g^2 times as likely where it was, so that 2 ln g / n_seat is added.
        """
        both = Judged(polarity=True, level=False, time=True)
        most, n_seat = max(one.gain for one in self.changes(responses, judged=both, sign=True)), responses.shape[1]
        before = self.unlikely(responses)
        for seat in range(n_seat):
            for decibels in SCALES_DB:
                scaled, factor = responses.copy(), 10.0 ** (decibels / 20.0)
                scaled[:, seat] *= factor
                most = max(most, before - self.unlikely(scaled) + 2.0 * float(np.log(factor)) / n_seat)
        return most


def _pattern(hz: Floats, expected: Complexes) -> Complexes:
    """Mean of m m^H / |m|^2 over the frequencies near each, its mean diagonal one: (n_freq, n_seat, n_seat)."""
    power = np.maximum(np.mean(np.abs(expected) ** 2, axis=1), 1e-300)
    each = np.einsum("fi,fj->fij", expected, expected.conj()) / power[:, None, None]
    near = np.exp(-0.5 * (np.log2(hz[:, None] / hz) / NEAR_OCTAVES) ** 2)
    return np.asarray(np.einsum("fg,gij->fij", near / near.sum(axis=1, keepdims=True), each))


def changed_files(
    frequency_hz: Floats, responses: Complexes, seat_m: Floats, *, judged: Judged, sign: bool, speed_m_s: float
) -> list[Change]:
    """Files of one sub that were turned, moved or reversed, told by its other files alone; the plainest first.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    responses : (n_freq, n_seat) complex128.
    seat_m : (n_seat, 3) [m].
    judged : what is to be judged; `sign`: the sign of phase too.
    speed_m_s : of sound.
    """
    changed: list[Change] = []
    sound = list(range(responses.shape[1]))
    while len(sound) >= FEWEST_SEATS:  # the most doubtful first: it spoils what is expected of the others
        field = SmoothField(frequency_hz, seat_m[sound], speed_m_s=speed_m_s)
        if len(field.hz) < FEWEST_POINTS:
            break
        changes = field.changes(responses[:, sound], judged=judged, sign=sign)
        best = max(changes, key=lambda change: change.gain - GAIN[change.kind], default=None)
        if best is None or best.gain < GAIN[best.kind]:
            break
        if max(change.gain for change in changes if change.seat != best.seat) > RIVAL * best.gain:
            break  # of two seats near each other and far from the others nobody knows which is the odd one
        changed.append(replace(best, seat=sound.pop(best.seat)))
    return changed


def change_doubt(change: Change, *, sub: int) -> Doubt:
    """The doubt about a file of a sub."""
    return Doubt(sub=sub, seat=change.seat, message=_words(change))


def _words(change: Change) -> str:
    """What was done to a file, and what mends it."""
    if change.kind == "polarity":
        return (
            "its polarity differs from its neighbours': the field between the sub's other seats wants the opposite. "
            f"{MEND_POLARITY}"
        )
    if change.kind == "phase sign":
        return (
            "it runs backwards in time and the sub's other files do not: the sign of its phase is opposite, or its "
            f"samples are reversed. Export it as the others. {MEND_SIGN}"
        )
    side = "later" if change.late_s > 0.0 else "earlier"
    return (
        f"it comes {abs(change.late_s) * 1e3:z.0f} ms {side} than the field between the sub's other seats lets expect: "
        f"its time zero is another. {MEND_TIME}"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """Two seats whose files were exchanged.

    Parameters
    ----------
    seats : both, indices.
    subs : of which subs, indices.
    gain : the mean over these.
    certain : whether no sound set comes near; where not, it is a question.
    rival : two others whose exchange would do nearly as much, as of mirrored pairs; None where there are none.
    """

    seats: tuple[int, int]
    subs: tuple[int, ...]
    gain: float
    certain: bool = True
    rival: tuple[int, int] | None = None


def exchange_of(fields: Sequence[SmoothField], transfer: Complexes) -> Exchange | None:
    """The two seats whose exchange, of all subs or of one, makes a set far more likely.

    Parameters
    ----------
    fields : of each sub.
    transfer : (n_freq, n_seat, n_sub) complex128.
    """
    n_seat, n_sub = transfer.shape[1:]
    each = [field.exchanges(transfer[:, :, sub]) for sub, field in enumerate(fields)]
    if n_seat < FEWEST_EXCHANGED or not each or not each[0]:
        return None
    gains = {pair: np.array([of_sub[pair] for of_sub in each]) for pair in each[0]}
    limit_of_all = GAIN_BY_ROOM if all(field.by_room for field in fields) else GAIN_ALL
    limit = GAIN_ONE if n_seat > FEWEST_EXCHANGED else GAIN_ONE_OF_FOUR
    limits = [GAIN_BY_ROOM if field.by_room else limit for field in fields]
    of_one = max(float(gain.max()) for gain in gains.values())
    of_all = max(float(gain.mean()) for gain in gains.values())
    over = np.array([max(of_sub.values()) / least for of_sub, least in zip(each, limits, strict=True)])
    sub = int(over.argmax())
    together = n_sub == 1 or of_one < MUCH_MORE * of_all
    for share in (1.0, MAY_BE):
        if together and of_all >= share * limit_of_all and (share == 1.0 or fields[0].by_room):
            two = _exchange({pair: float(gain.mean()) for pair, gain in gains.items()}, tuple(range(n_sub)))
        elif over[sub] >= share and (share == 1.0 or fields[sub].by_room):
            two = _exchange(each[sub], (sub,))
            with_it = [q for q in range(n_sub) if each[q][two.seats] >= limits[q] and share == 1.0]
            two = replace(two, subs=tuple(sorted({sub, *with_it})))
        else:
            continue
        return replace(two, certain=share == 1.0) if _more_than_one_file(two, fields, transfer) else None
    return None


def _more_than_one_file(two: Exchange, fields: Sequence[SmoothField], transfer: Complexes) -> bool:
    """Whether an exchange that the drawn room tells explains more than anything done to a single file."""
    asked = [sub for sub in two.subs if fields[sub].by_room]
    return two.gain > float(np.mean([fields[sub].most_by_one(transfer[:, :, sub]) for sub in asked] or [-np.inf]))


def _exchange(gains: Mapping[tuple[int, int], float], subs: tuple[int, ...]) -> Exchange:
    """The best exchange, and two other seats that may be meant."""
    order = sorted(gains, key=lambda pair: -gains[pair])
    best = order[0]
    rivals = [pair for pair in order[1:] if gains[pair] > RIVAL * gains[best] and not set(pair) & set(best)]
    return Exchange(seats=best, subs=subs, gain=gains[best], rival=rivals[0] if rivals else None)
