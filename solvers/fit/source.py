"""What lies between the model and a measurement: each sub's own response, and what the files lost.

A measured response is F H, H the model's. F[f, s, c] = S_c(f) g_sc e^{-j omega t_sc}: S the sub's own response with its
electronics, smooth over log frequency (a few complex Chebyshev terms times a latency); g a real gain and t a time of
each response, only where the manifest says that level, polarity or time are not common.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats

Own = Literal["each", "common", "none"]

ROUNDS = 30
SETTLED = 1e-6  # relative change of the misfit at which the rounds end
LONGEST_S, STEP_S = 0.05, 0.5e-3
LATENCY_S = (-0.2, 1.0)  # of a sub with its electronics


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """F of one situation.

    Parameters
    ----------
    own : (n_freq, n_sub) complex128, S.
    gain, delay_s : (n_seat, n_sub), g and t [s].
    """

    own: Complexes
    gain: Floats
    delay_s: Floats

    def factor(self, frequency_hz: Floats) -> Complexes:
        """F: (n_freq, n_seat, n_sub)."""
        turn = np.exp(-2j * np.pi * frequency_hz[:, None, None] * self.delay_s)
        return np.asarray(self.own[:, None, :] * self.gain * turn)


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceModel:
    """How F may look.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    own : each: a response of its own for every sub; common: one for all; none: S = 1.
    terms : complex terms of S.
    gains, delays : whether every response has a gain, a time of its own.
    """

    frequency_hz: Floats
    own: Own
    terms: int
    gains: bool
    delays: bool

    @property
    def basis(self) -> Complexes:
        """The terms of S: (n_freq, terms)."""
        x = np.log(self.frequency_hz)
        x = 2.0 * (x - x[0]) / (x[-1] - x[0]) - 1.0
        return np.asarray(np.polynomial.chebyshev.chebvander(x, self.terms - 1).astype(np.complex128))

    def latency_s(self, data: Complexes, model: Complexes, weight: Floats) -> Floats:
        """Each sub's latency, taken out of the basis: of all times the one that leaves least of the data, S free.

        A mean of phase slopes would do on a perfect model only: where modes are drawn elsewhere it is off by a tenth
        of a second.

        Parameters
        ----------
        data, model : (n_freq, n_seat, n_sub) complex128.
        weight : (n_freq, n_sub), the inverse of the noise's standard deviation.

        Returns
        -------
        (n_sub,) [s], zero where S = 1.
        """
        found = np.zeros(data.shape[2])
        if self.own == "none":
            return found
        time = np.arange(LATENCY_S[0], LATENCY_S[1], STEP_S)
        turn = np.exp(2j * np.pi * time[:, None] * self.frequency_hz)
        for subs in self._together(data.shape[2]):
            basis, target = self._weighted(data, model, weight, subs)
            span = np.linalg.qr(basis.reshape(-1, self.terms))[0].reshape(basis.shape)
            each = np.einsum("fscn,fsc->fn", np.conj(span), target)
            found[subs] = time[int(np.argmax((np.abs(turn @ each) ** 2).sum(axis=1)))]
        return found

    def solve(
        self, data: Complexes, model: Complexes, weight: Floats, latency_s: Floats, start: Source | None = None
    ) -> Source:
        """The F that brings the model nearest to the data.

        Parameters
        ----------
        data, model : (n_freq, n_seat, n_sub) complex128.
        weight : (n_freq, n_sub), the inverse of the noise's standard deviation.
        latency_s : (n_sub,) [s].
        start : gains and times to begin with.
        """
        n_freq, n_seat, n_sub = data.shape
        turn = np.exp(-2j * np.pi * self.frequency_hz[:, None] * latency_s)
        gain = np.ones((n_seat, n_sub)) if start is None else start.gain
        delay = np.zeros((n_seat, n_sub)) if start is None else start.delay_s
        own = np.ones((n_freq, n_sub), dtype=np.complex128)
        last = np.inf
        for _ in range(ROUNDS if self.gains or self.delays else 1):
            late = np.exp(-2j * np.pi * self.frequency_hz[:, None, None] * delay)
            if self.own != "none":
                own = self._own(data, model * gain * late, weight, turn)
            if self.delays:
                delay = self._times(data, own[:, None, :] * model * gain, weight)
                late = np.exp(-2j * np.pi * self.frequency_hz[:, None, None] * delay)
            whole = own[:, None, :] * model * late
            if self.gains:
                gain = self._gains(data, whole, weight)
            miss = float((np.abs(data - whole * gain) ** 2 * weight[:, None, :] ** 2).sum())
            if last - miss <= SETTLED * max(last, 1e-300) and last < np.inf:
                break
            last = miss
        return Source(own=own, gain=gain, delay_s=delay)

    def columns(self, model: Complexes, source: Source, latency_s: Floats) -> list[Complexes]:
        """Slopes of F H for every real number in F, each (n_freq, n_seat, n_sub); some may say the same."""
        factor = source.factor(self.frequency_hz)
        found: list[Complexes] = []
        n_seat, n_sub = model.shape[1:]
        if self.own != "none":
            late = np.exp(-2j * np.pi * self.frequency_hz[:, None, None] * (source.delay_s + latency_s))
            plain = source.gain * late * model
            for term in self.basis.T:
                whole = term[:, None, None] * plain
                parts = [whole] if self.own == "common" else [_only(whole, (slice(None), c)) for c in range(n_sub)]
                found += [one * unit for one in parts for unit in (1.0, 1j)]
        omega = 2.0 * np.pi * self.frequency_hz[:, None, None]
        for seat in range(n_seat):
            for sub in range(n_sub):
                if self.gains:
                    found.append(_only(factor * model, (seat, sub)))
                if self.delays:
                    found.append(_only(-1j * omega * factor * model, (seat, sub)) * 1e-3)
        return found

    def _own(self, data: Complexes, model: Complexes, weight: Floats, turn: Complexes) -> Complexes:
        own = np.empty(weight.shape, dtype=np.complex128)
        for subs in self._together(data.shape[2]):
            basis, target = self._weighted(data, model * turn[:, None, :], weight, subs)
            found = np.linalg.lstsq(basis.reshape(-1, self.terms), target.reshape(-1), rcond=1e-10)[0]
            own[:, subs] = (self.basis @ found)[:, None] * turn[:, subs]
        return own

    def _together(self, n_sub: int) -> list[NDArray[np.intp]]:
        """Subs that share a response."""
        return [np.arange(n_sub)] if self.own == "common" else [np.array([sub]) for sub in range(n_sub)]

    def _weighted(
        self, data: Complexes, model: Complexes, weight: Floats, subs: NDArray[np.intp]
    ) -> tuple[Complexes, Complexes]:
        """What each term of S gives at the seats (n_freq, n_seat, n_subs, terms), and the data there, both weighted."""
        w = weight[:, None, subs]
        return (model[:, :, subs] * w)[..., None] * self.basis[:, None, None, :], data[:, :, subs] * w

    def _gains(self, data: Complexes, whole: Complexes, weight: Floats) -> Floats:
        w2 = weight[:, None, :] ** 2
        gain = (w2 * (data * np.conj(whole)).real).sum(axis=0) / np.maximum(
            (w2 * np.abs(whole) ** 2).sum(axis=0), 1e-300
        )
        return np.asarray(gain)

    def _times(self, data: Complexes, whole: Complexes, weight: Floats) -> Floats:
        delay = np.arange(-LONGEST_S, LONGEST_S + 0.5 * STEP_S, STEP_S)
        product = data * np.conj(whole) * weight[:, None, :] ** 2
        value = np.tensordot(np.exp(2j * np.pi * np.outer(delay, self.frequency_hz)), product, axes=1).real
        best = np.clip(value.argmax(axis=0), 1, len(delay) - 2)
        rows, columns = np.indices(best.shape)
        before, at, after = (value[best + shift, rows, columns] for shift in (-1, 0, 1))
        bend = before - 2.0 * at + after
        part = np.where(bend < 0.0, 0.5 * (before - after) / np.where(bend < 0.0, bend, -1.0), 0.0)
        return np.asarray(delay[best] + STEP_S * np.clip(part, -0.5, 0.5))


def _only(value: Complexes, index: tuple[int | slice, int]) -> Complexes:
    """The value at one seat and sub (or all seats), zero elsewhere."""
    result = np.zeros_like(value)
    result[(slice(None), *index)] = value[(slice(None), *index)]
    return result
