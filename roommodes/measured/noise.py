"""How much noise measured responses hold, told by themselves: what in them comes later than the room rings.

A room answers after the sound and dies away. Over frequency that makes its response smooth: neighbouring frequencies
are correlated as the Fourier transform of the decay says. Noise has no such time; from one frequency to the next it is
new. So in every stretch of frequency each response is taken as a Gaussian process with the kernel

    K(f - f') = A [ 1 / (1 + j w / d) + a part before and about the arrival + a part that rings five times as long ],
    w = 2 pi (f - f'),  d = 2 delta twice the decay of the room's energy,

plus noise; A, delta, the long part and the noise are those of the largest likelihood over all responses of a sub. Where
the points lie too far apart to tell noise from ringing, the likelihood is flat, and the answer is that nobody knows.
So it is where what the process misses at a point, foretold from all others, is larger in peaks than between them: that
is ringing between the points. Noise does not know where the peaks are.

References
----------
[1] C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine Learning, MIT Press 2006, chapter 5 (from
    memory): hyper-parameters by the marginal likelihood.
"""

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.measured.resampling import arrival_s

STRETCH_OCTAVE = 0.75  # of frequency, each half over the one before
FEWEST, MOST = 16, 48  # points of a stretch
DECAYS_S = np.geomspace(0.06, 12.0, 16)  # T60 tried
LONGER, LONG_SHARES = 5.0, (0.0, 0.01, 0.1)  # a part that rings so much longer, and how much of it
EARLY_S, EARLY_SHARE = 0.03, 0.3  # what comes before and about the arrival
NOISES = np.geomspace(1e-8, 1.0, 65)  # noise tried, over A in power
LIKELY = 2.0  # difference of log likelihood within which a noise may be
UNSURE = 2.0  # largest over smallest rms that may be, from which nobody knows
SMALLEST = 1e-9  # in power, over the responses'
EVEN = 2.5  # power missed where responses are large over that where they are small, up to which it is noise
LITTLE = 0.015  # share of the rms from which that must be so; what is less is not told far too large


def noise_rms(frequency_hz: Floats, responses: Complexes, at_hz: Floats) -> Floats:
    """Root mean square of the noise in each of some responses of one sub, over frequency.

    Parameters
    ----------
    frequency_hz : (n_point,) rising, as the files have them [Hz].
    responses : (n_point, n_response) complex128, all of one source.
    at_hz : (n_freq,) where it is wanted [Hz].

    Returns
    -------
    (n_freq,) in the responses' unit, NaN where the data do not tell.
    """
    octave = np.log2(frequency_hz)
    centres, found = [], []
    for start in np.arange(octave[0], max(octave[-1] - 0.5 * STRETCH_OCTAVE, octave[0] + 1e-9), 0.5 * STRETCH_OCTAVE):
        inside = np.flatnonzero((octave >= start - 1e-9) & (octave <= start + STRETCH_OCTAVE))
        if len(inside) < FEWEST:
            continue
        first = inside[0] + max(0, (len(inside) - MOST) // 2)
        used = slice(first, min(first + MOST, inside[-1] + 1))
        centres.append(0.5 * (octave[used][0] + octave[used][-1]))
        found.append(_of_stretch(frequency_hz[used], responses[used]))
    if not centres:
        return np.full(len(at_hz), np.nan)
    known = np.interp(np.log2(at_hz), centres, found)  # NaN beside a stretch that does not tell
    return np.asarray(known)


def _of_stretch(hz: Floats, responses: Complexes) -> float:
    """Rms of the noise in one stretch; NaN where its points do not tell."""
    late = [arrival_s(hz, one) for one in responses.T]
    value = responses * np.exp(2j * np.pi * np.outer(hz, late))
    mean = float(np.mean(np.abs(value) ** 2))
    if mean == 0.0:
        return np.nan
    tried = mean * np.geomspace(SMALLEST, 1.0, 91)
    likelihood, missed = np.full(len(tried), -np.inf), value
    w = 2.0 * np.pi * (hz[:, None] - hz[None, :])
    early = EARLY_SHARE * np.exp(-0.5 * (w * EARLY_S) ** 2)
    for decay_s in DECAYS_S:
        d = 2.0 * np.log(1e3) / decay_s
        centre = np.exp(1j * w / d)  # the delay taken out is that of the energy's centre, 1 / d after the arrival
        for share in LONG_SHARES:
            kernel = centre / (1.0 + 1j * w / d) + early + share * centre / (1.0 + 1j * w * LONGER / d)
            own, turn = np.linalg.eigh(kernel / kernel[0, 0].real)
            power = np.mean(np.abs(turn.conj().T @ value) ** 2, axis=1)
            spread = np.maximum(own, 1e-13)[None, :] + NOISES[:, None]
            size = np.mean(power / spread, axis=1)
            this = -value.shape[1] * (len(hz) * np.log(size) + np.log(spread).sum(axis=1))
            over = np.interp(np.log(tried), np.log(size * NOISES), this, left=-np.inf, right=-np.inf)
            if this.max() > likelihood.max():
                missed = _missed(value, turn, spread[int(this.argmax())])
            likelihood = np.maximum(likelihood, over)
    may_be = tried[likelihood >= likelihood.max() - LIKELY]
    told = float(tried[int(likelihood.argmax())])
    power, large = np.abs(missed) ** 2, np.abs(value) > np.median(np.abs(value))
    uneven = power[large].mean() > EVEN * power[~large].mean() and told > LITTLE**2 * mean
    return np.nan if uneven or may_be[-1] > UNSURE**2 * may_be[0] else float(np.sqrt(told))


def _missed(value: Complexes, turn: Complexes, spread: Floats) -> Complexes:
    """What a process misses of each point when it knows all others: (n_point, n_response).

    `turn` and `spread` are the eigenvectors (columns) and eigenvalues of its covariance, noise included.
    """
    precision = (turn / spread) @ turn.conj().T
    return np.asarray(precision @ value / np.diag(precision).real[:, None])
