"""Figures that a plan is judged by: level, seat-to-seat variation, output.

| quantity | symbol | meaning |
| --- | --- | --- |
| transfer | H[f, s, c] | pressure at seat s from candidate c, p / (j omega rho q / 4 pi) [1/m] |
| weight | w_c(f) | polarity * 10^(gain/20) * exp(-j omega delay) |
| level | L[f, s] | 20 lg of the absolute sum over c of w_c H, re 1/m [dB] |
| seat weight | a_s | normalised to a sum of one |
"""

from math import log10

import numpy as np
from numpy.typing import ArrayLike

from roommodes.arrays import Complexes, Floats

SILENCE_DB = -400.0  # the level given to an exact zero of pressure, so that no infinity enters a mean

LATE_MS = 20.0  # the last sub's direct sound after the first's, at any seat: common practice, no source


def drive_weights(frequency_hz: Floats, *, gain_db: ArrayLike, delay_s: ArrayLike, polarity: ArrayLike) -> Complexes:
    """Complex weight of each sub at each frequency.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    gain_db, delay_s, polarity : (..., n_sub) [dB], [s], +1 or -1; leading axes for several plans.

    Returns
    -------
    (..., n_freq, n_sub) complex128.
    """
    gain = np.asarray(polarity, dtype=np.float64) * 10.0 ** (np.asarray(gain_db, dtype=np.float64) / 20.0)
    omega = 2.0 * np.pi * np.asarray(frequency_hz)
    phase = omega[:, None] * np.asarray(delay_s, dtype=np.float64)[..., None, :]
    return np.asarray(gain[..., None, :] * np.exp(-1j * phase))


def seat_pressure(transfer: Complexes, weights: Complexes) -> Complexes:
    """Pressure at every seat: (..., n_freq, n_seat, n_sub) and (..., n_freq, n_sub) -> (..., n_freq, n_seat) [1/m]."""
    return np.asarray(np.einsum("...sc,...c->...s", transfer, weights))


def level_db(pressure: Complexes | Floats) -> Floats:
    """20 lg |pressure|, re the unit of `pressure` [dB]; an exact zero gives `SILENCE_DB`."""
    magnitude = np.abs(pressure)
    return np.asarray(20.0 * np.log10(np.maximum(magnitude, 10.0 ** (SILENCE_DB / 20.0))))


def normalised(seat_weight: ArrayLike) -> Floats:
    """Seat weights with a sum of one: (n_seat,) -> (n_seat,)."""
    weight = np.asarray(seat_weight, dtype=np.float64)
    return np.asarray(weight / weight.sum())


def variation_db(level: Floats, seat_weight: ArrayLike) -> float:
    """Seat-to-seat variation: rms over frequency of the standard deviation of level over seats [dB].

    Parameters
    ----------
    level : (n_freq, n_seat) [dB]; frequencies on a logarithmic grid.
    seat_weight : (n_seat,) any positive scale.
    """
    return float(variations_db(level, seat_weight))


def variations_db(level: Floats, seat_weight: ArrayLike) -> Floats:
    """`variation_db` of several plans: (..., n_freq, n_seat) [dB] -> (...,) [dB]."""
    weight = normalised(seat_weight)
    deviation = level - (level @ weight)[..., None]
    return np.asarray(np.sqrt(np.mean((deviation**2) @ weight, axis=-1)))


def output_db(level: Floats, seat_weight: ArrayLike, gain_db: ArrayLike) -> float:
    """Output: mean level at the seats with all subs at their limit, against the in-phase sum at 1 m [dB].

    The loudest sub stands at its limit, so the gains' common part does not count; the reference is
    n equal subs in phase at 1 m in free field, 20 lg n re 1/m.

    Parameters
    ----------
    level : (n_freq, n_seat) [dB re 1/m] of the plan with `gain_db`.
    seat_weight : (n_seat,).
    gain_db : (n_sub,) of the plan.
    """
    return float(outputs_db(level, seat_weight, gain_db))


def outputs_db(level: Floats, seat_weight: ArrayLike, gain_db: ArrayLike) -> Floats:
    """`output_db` of several plans: (..., n_freq, n_seat) and (..., n_sub) [dB] -> (...,) [dB]."""
    gain = np.asarray(gain_db, dtype=np.float64)
    mean_level = np.mean(level @ normalised(seat_weight), axis=-1)
    return np.asarray(mean_level - gain.max(axis=-1) - 20.0 * log10(gain.shape[-1]))


def direct_sound_s(sub_m: Floats, delay_s: Floats, seat_m: Floats, *, speed_m_s: float) -> Floats:
    """Distance over speed, and the delay after the earliest: (n_sub, 3), (n_sub,), (n_seat, 3) -> (n_seat, n_sub)."""
    distance = np.linalg.norm(seat_m[:, None, :] - sub_m[None, :, :], axis=2)
    return np.asarray(distance / speed_m_s + (delay_s - delay_s.min()))


def energy_time_s(frequency_hz: Floats, pressure: Complexes) -> Floats:
    """Centre of energy of the response in the band: (n_freq,), (n_freq, n_seat) -> (n_seat,) [s]."""
    step = np.diff(2.0 * np.pi * frequency_hz)[:, None]
    turn = pressure[1:] * pressure[:-1].conj()
    size = np.abs(turn)
    energy = np.sum(size * step, axis=0)
    return np.asarray(-np.sum(size * np.angle(turn), axis=0) / np.maximum(energy, np.finfo(np.float64).tiny))
