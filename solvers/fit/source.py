"""What lies between the model and a measurement: each sub's own response, and what the files lost.

A measured response is F H, H the model's. F[f, s, c] = S_c(f) g_sc e^{-j omega t_sc}: S the sub's own response with its
electronics; g a real gain and t a time of each response, only where the manifest says that level, polarity or time are
not common. S is held to what a loudspeaker can do: a roll-off with a crossover (`loudspeaker`), a gain and a latency,
times 1 + a few complex Chebyshev terms over log frequency, which are small and the smaller the quicker they waver. Left
free, S would take up much of what the walls do.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from solvers.fit.loudspeaker import best_shape, waver_sigma

Own = Literal["each", "common", "none"]

ROUNDS = 30
SETTLED = 1e-6  # relative change of the misfit at which the rounds end
LONGEST_S, STEP_S = 0.05, 0.5e-3
LATENCY_S = (-0.2, 1.0)  # of a sub with its electronics
FEW_TERMS = 6  # of S, while its latency is looked for
NEAR_S = np.arange(-0.02, 0.0201, 0.5e-3)  # latencies tried with every shape, about the one found so
NEARER_S = np.arange(-0.5e-3, 0.51e-3, 0.05e-3)  # and then about the best of them
FREE = 1e-9  # precision of what is not known at all


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """F of one situation.

    Parameters
    ----------
    own : (n_freq, n_sub) complex128, S.
    plain : (n_freq, n_sub) complex128, S without its terms.
    gain, delay_s : (n_seat, n_sub), g and t [s].
    unlikely : sum over S's terms of their squares over their variances.
    """

    own: Complexes
    plain: Complexes
    gain: Floats
    delay_s: Floats
    unlikely: float

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

    @property
    def sigma(self) -> Floats:
        """Standard deviations of the terms: (terms,)."""
        return waver_sigma(self.terms, float(np.log2(self.frequency_hz[-1] / self.frequency_hz[0])))

    def latency_s(self, data: Complexes, model: Complexes, weight: Floats) -> Floats:
        """Each sub's latency: of all times the one that leaves least of the data, S any sum of its terms.

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
        few = self.basis[:, : min(self.terms, FEW_TERMS)]
        for subs in self.together(data.shape[2]):
            w = weight[:, None, subs]
            rows = ((model[:, :, subs] * w)[..., None] * few[:, None, None, :]).reshape(-1, few.shape[1])
            span = np.linalg.qr(rows)[0].reshape(*data[:, :, subs].shape, few.shape[1])
            each = np.einsum("fscn,fsc->fn", np.conj(span), data[:, :, subs] * w)
            found[subs] = time[int(np.argmax((np.abs(turn @ each) ** 2).sum(axis=1)))]
        return found

    def shape(self, data: Complexes, model: Complexes, weight: Floats, latency_s: Floats) -> Complexes:
        """The loudspeakers that S is held to, with gains and latencies: (n_freq, n_sub)."""
        found = np.ones(weight.shape, dtype=np.complex128)
        if self.own == "none":
            return found
        for subs in self.together(data.shape[2]):
            late = float(np.mean(latency_s[subs]))
            squared = weight[:, None, subs] ** 2
            power = (squared * np.abs(model[:, :, subs]) ** 2).sum(axis=(1, 2))
            product = (squared * np.conj(model[:, :, subs]) * data[:, :, subs]).sum(axis=(1, 2))
            wanted = product / np.maximum(power, 1e-300) * np.exp(2j * np.pi * self.frequency_hz * late)
            _, further = best_shape(self.frequency_hz, wanted, power, NEAR_S)
            one, finer = best_shape(self.frequency_hz, wanted, power, further + NEARER_S)
            found[:, subs] = (one * np.exp(-2j * np.pi * self.frequency_hz * (late + finer)))[:, None]
        return found

    def solve(
        self, data: Complexes, model: Complexes, weight: Floats, shape: Complexes, start: Source | None = None
    ) -> Source:
        """The likeliest F.

        Parameters
        ----------
        data, model : (n_freq, n_seat, n_sub) complex128.
        weight : (n_freq, n_sub), the inverse of the noise's standard deviation.
        shape : (n_freq, n_sub) that S wavers about.
        start : gains and times to begin with.
        """
        n_seat, n_sub = data.shape[1:]
        gain = np.ones((n_seat, n_sub)) if start is None else start.gain
        delay = np.zeros((n_seat, n_sub)) if start is None else start.delay_s
        own, unlikely, last = shape, 0.0, np.inf
        for _ in range(ROUNDS if self.gains or self.delays else 1):
            late = np.exp(-2j * np.pi * self.frequency_hz[:, None, None] * delay)
            if self.own != "none":
                own, unlikely = self._own(data, model * gain * late, weight, shape)
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
        return Source(own=own, plain=shape, gain=gain, delay_s=delay, unlikely=unlikely)

    def columns(self, model: Complexes, source: Source) -> list[tuple[Complexes, float]]:
        """Slopes of F H for every real number in F, each (n_freq, n_seat, n_sub), with that number's precision."""
        factor = source.factor(self.frequency_hz)
        found: list[tuple[Complexes, float]] = []
        n_seat, n_sub = model.shape[1:]
        omega = 2.0 * np.pi * self.frequency_hz[:, None, None]
        if self.own != "none":
            late = np.exp(-1j * omega * source.delay_s)
            plain = source.plain[:, None, :] * source.gain * late * model
            for subs in self.together(n_sub):
                here = np.zeros(n_sub)
                here[subs] = 1.0
                for term, sigma in zip(self.basis.T, self.sigma, strict=True):
                    whole = term[:, None, None] * plain * here
                    found += [(whole * unit, 2.0 / sigma**2) for unit in (1.0, 1j)]
        for seat in range(n_seat):
            for sub in range(n_sub):
                if self.gains:
                    found.append((_only(factor * model, (seat, sub)), FREE))
                if self.delays:
                    found.append((_only(-1j * omega * factor * model, (seat, sub)) * 1e-3, FREE))
        return found

    def _own(self, data: Complexes, model: Complexes, weight: Floats, shape: Complexes) -> tuple[Complexes, float]:
        """S, and how unlikely it is: least squares over the terms with their precisions."""
        own = shape.copy()
        unlikely = 0.0
        precision = np.tile(1.0 / self.sigma**2, 2)
        for subs in self.together(data.shape[2]):
            w = weight[:, None, subs]
            plain = shape[:, None, subs] * model[:, :, subs] * w
            rows = (plain[..., None] * self.basis[:, None, None, :]).reshape(-1, self.terms)
            matrix = _real(np.concatenate([rows, 1j * rows], axis=1))
            right = _real((data[:, :, subs] * w - plain).reshape(-1))
            found = np.linalg.solve(matrix.T @ matrix + np.diag(precision), matrix.T @ right)
            terms = found[: self.terms] + 1j * found[self.terms :]
            own[:, subs] = (1.0 + self.basis @ terms)[:, None] * shape[:, subs]
            unlikely += float(2.0 * (np.abs(terms) ** 2 / self.sigma**2).sum())
        return own, unlikely

    def together(self, n_sub: int) -> list[NDArray[np.intp]]:
        """Subs that share a response."""
        return [np.arange(n_sub)] if self.own == "common" else [np.array([sub]) for sub in range(n_sub)]

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


def _real(value: Complexes) -> Floats:
    return np.concatenate([value.real, value.imag])
