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

| symbol | meaning |
| --- | --- |
| y | responses of one sub at its seats |
| K | covariance of the field at the seats |
| gain | by how much a change lowers Q |

References
----------
[1] R. K. Cook, R. V. Waterhouse, R. D. Berendt, S. Edelman, M. C. Thompson, Measurement of correlation coefficients in
    reverberant sound fields, J. Acoust. Soc. Am. 27 (1955) 1072 (from memory).
"""

from collections.abc import Mapping
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
    """

    def __init__(self, frequency_hz: Floats, seat_m: Floats, *, speed_m_s: float) -> None:
        self.used = frequency_hz <= HIGHEST_HZ
        self.hz = frequency_hz[self.used]
        k = 2.0 * np.pi * self.hz / speed_m_s
        away = np.linalg.norm(seat_m[:, None] - seat_m[None], axis=2)
        self.away_m = away
        noise = FLOOR**2 + (k * PLACED_M) ** 2  # the gradient's mean square is k^2 / 3 along each axis
        covariance = np.sinc(k[:, None, None] * away / np.pi) + noise[:, None, None] * np.eye(len(seat_m))
        self.inverse = np.linalg.inv(covariance)

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

    def exchanges(self, transfer: Complexes) -> dict[tuple[int, int], Floats]:
        """Gain of exchanging each two seats, for each sub: (n_freq, n_seat, n_sub) -> (n_sub,) each."""
        n_seat, n_sub = transfer.shape[1:]
        before = np.array([self.unlikely(transfer[:, :, sub]) for sub in range(n_sub)])
        found = {}
        for one, other in combinations(range(n_seat), 2):
            if self.away_m[one, other] >= NEAREST_M:
                order = np.arange(n_seat)
                order[[one, other]] = other, one
                now = np.array([self.unlikely(transfer[:, order, sub]) for sub in range(n_sub)])
                found[one, other] = before - now
        return found


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
    rival : two others whose exchange would do nearly as much, as of mirrored pairs; None where there are none.
    """

    seats: tuple[int, int]
    subs: tuple[int, ...]
    gain: float
    rival: tuple[int, int] | None = None


def exchange_of(field: SmoothField, transfer: Complexes) -> Exchange | None:
    """The two seats whose exchange, of all subs or of one, makes a set far more likely: (n_freq, n_seat, n_sub)."""
    if len(field.away_m) < FEWEST_EXCHANGED or not (gains := field.exchanges(transfer)):
        return None
    n_sub = transfer.shape[2]
    of_all = max(float(gain.mean()) for gain in gains.values())
    of_one, sub = max((float(gain.max()), int(gain.argmax())) for gain in gains.values())
    if of_all >= GAIN_ALL and (n_sub == 1 or of_one < MUCH_MORE * of_all):
        return _exchange({pair: float(gain.mean()) for pair, gain in gains.items()}, tuple(range(n_sub)))
    if of_one >= (GAIN_ONE if len(field.away_m) > FEWEST_EXCHANGED else GAIN_ONE_OF_FOUR):
        return _exchange({pair: float(gain[sub]) for pair, gain in gains.items()}, (sub,))
    return None


def _exchange(gains: Mapping[tuple[int, int], float], subs: tuple[int, ...]) -> Exchange:
    """The best exchange, and two other seats that may be meant."""
    order = sorted(gains, key=lambda pair: -gains[pair])
    best = order[0]
    rivals = [pair for pair in order[1:] if gains[pair] > RIVAL * gains[best] and not set(pair) & set(best)]
    return Exchange(seats=best, subs=subs, gain=gains[best], rival=rivals[0] if rivals else None)
