"""Doubts about a set of measurements as a whole: signs, times and scales that were lost between its files.

A rough model is enough to tell a sign or some milliseconds: each response of a sub is held against the model's, the
sub's own response estimated from the other seats (`model_doubts`). Where the sub's position is not known, near seats
are compared with each other: up to where their distance is an eighth of a wavelength their phases agree on the whole,
if no null runs between them (`neighbour_doubts`).

| symbol | meaning |
| --- | --- |
| C | correlation, -1 to 1: of neighbours' phases, or of a response with what is expected of it |
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from roommodes.measured.files import Impulse, Spectrum

NEIGHBOURS_M = 1.2
WAVELENGTHS = 8.0  # neighbours are compared up to a wavelength of so many times their distance
FEWEST_POINTS = 6
FEWEST_SEATS = 3
OPPOSITE = -0.5  # C below which a response runs opposite
OPPOSITE_HALF = -0.3  # and in the lower and the upper half of the band
TRUSTED = 0.5  # C of the other seats from which the model has a say
NULL = 0.1  # of the mean power over the seats
BETTER, GAINED = 0.65, 0.4  # C at the best delay, and how much more that must be than without
LONGEST_DELAY_S, DELAY_STEP_S, DELAY_SLACK_S = 0.04, 0.25e-3, 5e-3
SPREAD_S = 3e-3  # arrivals must differ by so much by geometry before they are judged
SPREAD_SHARE = 0.1
SAME_PEAK = 1e-3
MEND_POLARITY = (
    "Check cable and export. If you have, and it is right: "
    'checked = ["polarity"] at the sub, or in [reference] for all.'
)
MEND_TIME = (
    "Export all with one time zero, or say common_time = false in [reference]. If you have checked it, and it is "
    'right: checked = ["time"] at the sub.'
)
MEND_LEVEL = (
    "Export all with one scale, or say common_level = false in [reference]. If you have checked it, and it is right: "
    'checked = ["level"] at the sub.'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What of a sub's responses is to be judged: what compares by the manifest, and no person has checked."""

    polarity: bool
    level: bool
    time: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """A fault of one response among the others: which sub and seat (indices), and the message."""

    sub: int
    seat: int
    message: str


def model_doubts(frequency_hz: Floats, transfer: Complexes, expected: Complexes, *, judged: Judged) -> list[Doubt]:
    """Responses whose polarity or delay is not what a rough model and the other seats let expect.

    Where the model does not explain the other seats either, it has no say: see `explains`.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    transfer : (n_freq, n_seat) complex128 of one sub.
    expected : (n_freq, n_seat) complex128 by the model.
    judged : what is to be judged.

    Returns
    -------
    `Doubt.sub` is 0 in each.
    """
    doubts: list[Doubt] = []
    sound = list(range(transfer.shape[1]))
    while len(sound) >= FEWEST_SEATS:  # the most doubtful first: it spoils what is expected of the others
        found = [
            _judged(frequency_hz, transfer[:, sound], expected[:, sound], place, judged=judged)
            for place in range(len(sound))
        ]
        worst = min(range(len(sound)), key=lambda place: found[place][0] if found[place][1] else np.inf)
        if not found[worst][1]:
            break
        doubts.append(Doubt(sub=0, seat=sound.pop(worst), message=found[worst][1]))
    return doubts


def explains(transfer: Complexes, expected: Complexes) -> bool:
    """Whether a model is near enough to a sub's responses to tell a sign: most are as it and the others have them."""
    seats = range(transfer.shape[1])
    return len(seats) >= FEWEST_SEATS and _trust(transfer, expected, list(seats)) >= TRUSTED


def _trust(transfer: Complexes, expected: Complexes, seats: list[int]) -> float:
    """The middle of some seats' C, each with the others of them."""
    alike = []
    for seat in seats:
        others = [other for other in seats if other != seat]
        product = _product(transfer, expected, seat, others)
        alike.append(float(product.real.sum()))
    return float(np.median(alike))


def _product(transfer: Complexes, expected: Complexes, seat: int, others: list[int]) -> Complexes:
    """One seat's response times what is expected of it, every frequency counting alike: (n_freq,), its sum is C."""
    weight = 1.0 / np.maximum((np.abs(transfer) ** 2).sum(axis=1), 1e-300)
    power = np.abs(expected) ** 2
    least = NULL * power.mean(axis=1)  # in a null of the others nothing is told
    source = (transfer * np.conj(expected))[:, others].sum(axis=1) / (power[:, others].sum(axis=1) + least)
    wanted = source * expected[:, seat]
    size = (weight * np.abs(transfer[:, seat]) ** 2).sum() * (weight * np.abs(wanted) ** 2).sum()
    return np.asarray(weight * transfer[:, seat] * np.conj(wanted) / max(float(np.sqrt(size)), 1e-300))


def _judged(
    frequency_hz: Floats, transfer: Complexes, expected: Complexes, seat: int, *, judged: Judged
) -> tuple[float, str]:
    """C of one seat's response with what the others and the model let expect, and what is wrong with it."""
    others = [other for other in range(transfer.shape[1]) if other != seat]
    product = _product(transfer, expected, seat, others)
    value = (np.exp(2j * np.pi * np.outer(_delays(), frequency_hz)) @ product).real
    alike, best = float(product.real.sum()), int(value.argmax())
    if _trust(transfer, expected, others) < TRUSTED:
        return alike, ""
    delay = float(_delays()[best])
    halves = [float(half.real.sum() / np.abs(half).sum()) for half in np.array_split(product, 2)]
    if judged.polarity and alike < OPPOSITE and max(halves) < OPPOSITE_HALF and alike < float(value.min()) + GAINED:
        text = "its polarity differs from its neighbours': the model and the sub's other seats want the opposite. "
        return alike, text + MEND_POLARITY
    if judged.time and value[best] > BETTER and value[best] - alike > GAINED and abs(delay) > DELAY_SLACK_S:
        text = (
            f"it comes {abs(delay) * 1e3:z.0f} ms {'later' if delay > 0.0 else 'earlier'} than the sub's other "
            f"files let expect: its time zero is another. {MEND_TIME}"
        )
        return alike, text
    return alike, ""


def _delays() -> Floats:
    return np.arange(-LONGEST_DELAY_S, LONGEST_DELAY_S + 0.5 * DELAY_STEP_S, DELAY_STEP_S)


def neighbour_doubts(
    frequency_hz: Floats, transfer: Complexes, seat_m: Floats, seat_name: Sequence[str], *, speed_m_s: float
) -> list[Doubt]:
    """Responses whose polarity differs from their neighbours', told without a model.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    transfer : (n_freq, n_seat) complex128 of one sub.
    seat_m : (n_seat, 3) [m].
    seat_name : (n_seat,).
    speed_m_s : of sound.

    Returns
    -------
    `Doubt.sub` is 0 in each.
    """
    flipped: dict[int, list[int]] = {}
    known: dict[int, int] = {}
    for one, other, used, _ in _pairs(frequency_hz, seat_m, speed_m_s):
        product = transfer[used, other] * np.conj(transfer[used, one])
        phases = float(np.cos(np.angle(product)).mean())
        energy = float(product.real.sum() / max(float(np.abs(product).sum()), 1e-300))
        for seat in (one, other):
            known[seat] = known.get(seat, 0) + 1
        if max(phases, energy) < OPPOSITE:
            flipped.setdefault(one, []).append(other)
            flipped.setdefault(other, []).append(one)
    doubts = []
    for seat, others in _odd_ones(flipped, known).items():
        names = ", ".join(seat_name[other] for other in others[:3])
        words = f"its polarity differs from its neighbours' ({names}): at low frequencies they run opposite."
        doubts.append(Doubt(sub=0, seat=seat, message=f"{words} {MEND_POLARITY}"))
    return doubts


def _pairs(hz: Floats, seat_m: Floats, speed_m_s: float) -> list[tuple[int, int, NDArray[np.bool_], float]]:
    """Neighbouring seats, the frequencies at which they must agree, and their distance."""
    pairs = []
    for one in range(len(seat_m)):
        for other in range(one + 1, len(seat_m)):
            distance = sqrt(float(((seat_m[one] - seat_m[other]) ** 2).sum()))
            used = hz <= speed_m_s / (WAVELENGTHS * max(distance, 0.01))
            if distance <= NEIGHBOURS_M and used.sum() >= FEWEST_POINTS:
                pairs.append((one, other, used, distance))
    return pairs


def _odd_ones(against: dict[int, list[int]], known: dict[int, int]) -> dict[int, list[int]]:
    """Those that differ from more than half of their neighbours; of two that differ alone, the later."""
    odd = {seat: others for seat, others in against.items() if 2 * len(others) > known[seat]}

    def blamed(seat: int, others: list[int]) -> bool:
        if any(len(odd.get(other, [])) > len(others) for other in others):
            return False  # its neighbour is the odd one
        return not (len(others) == 1 and odd.get(others[0]) == [seat] and seat < others[0])

    return {seat: others for seat, others in odd.items() if blamed(seat, others)}


def scale_doubts(peaks: Floats) -> list[Doubt]:
    """Files that were each scaled to one and the same peak: (n_seat, n_sub), NaN where not judged."""
    doubts = []
    for sub in range(peaks.shape[1]):
        peak = peaks[:, sub]
        seen = np.flatnonzero(np.isfinite(peak))
        if len(seen) >= 3 and np.ptp(peak[seen]) <= SAME_PEAK * float(peak[seen].max()):
            doubts.append(
                Doubt(
                    sub=sub,
                    seat=int(seen[0]),
                    message=f"it and the {len(seen) - 1} others of its sub have the same largest value: each was "
                    "scaled to its own peak and the common level was lost. Export without normalising, or say "
                    "common_level = false in [reference].",
                )
            )
    return doubts


def start_doubts(start_s: Floats, seat_m: Floats, sub_m: Floats, *, speed_m_s: float) -> list[Doubt]:
    """Impulse responses that all start alike although the seats' distances differ.

    Parameters
    ----------
    start_s : (n_seat, n_sub), NaN where not judged [s].
    seat_m, sub_m : (n_seat, 3), (n_sub, 3), NaN where unknown [m].
    speed_m_s : of sound.
    """
    doubts = []
    for sub in range(len(sub_m)):
        away = np.sqrt(((seat_m - sub_m[sub]) ** 2).sum(axis=1)) / speed_m_s
        seen = np.flatnonzero(np.isfinite(start_s[:, sub]) & np.isfinite(away))
        if len(seen) < 3:
            continue
        spread, wanted = float(np.ptp(start_s[seen, sub])), float(np.ptp(away[seen]))
        if wanted >= SPREAD_S and spread <= SPREAD_SHARE * wanted:
            doubts.append(
                Doubt(
                    sub=sub,
                    seat=int(seen[0]),
                    message=f"it and the {len(seen) - 1} others of its sub start within {spread * 1e3:z.2f} ms, "
                    f"although their distances differ by {wanted * 1e3:z.1f} ms: the common delay was lost. "
                    f"{MEND_TIME}",
                )
            )
    return doubts


def peak_of(raw: Spectrum | Impulse) -> float:
    """The largest value of a file."""
    return float(np.abs(raw.sample if isinstance(raw, Impulse) else raw.value).max())
