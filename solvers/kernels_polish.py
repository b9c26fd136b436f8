"""Compiled polish of the drives of a fixed layout, in float64: value, gradient and a bounded least-squares descent.

Seat-to-seat variation is a sum of squares, V^2 = mean_f sum_s a_s (L - Lm)^2, so Levenberg's and Marquardt's
damped Gauss-Newton steps, projected on the limits of delay and gain, reach a local optimum in few steps.

| name | meaning | shape |
| --- | --- | --- |
| re, im | transfer of the slots' columns | [slot, f, seat] |
| x | unknowns: gains [dB], then delays [ms] | [2 slot] |
| low, high | limits of x | [2 slot] |
| a, wf | seat and frequency weights, each of sum 1 | [seat], [f] |
| reward | how much V^2 one dB of mean level is worth [dB] | |

q_c = w_c H_c / p gives the derivatives: dL/dgain_c = Re q_c, dL/ddelay_c = (20 / ln 10) omega Im q_c.
"""

from math import cos, log10, sin

import numpy as np

from solvers.compiled import kernel

DB_PER_NEPER = 20.0 / np.log(10.0)
LEAST_POWER = 1e-40  # an exact zero of pressure gets -400 dB, as in roommodes.metrics


@kernel
def value_and_slope(re, im, omega, a, wf, reward, pol, x, slope, curvature):  # type: ignore[no-untyped-def]
    """V^2 - reward * mean level [dB^2]; its gradient and Gauss-Newton matrix are written to slope, curvature."""
    n_slot, n_f, n_seat = re.shape
    n_x = 2 * n_slot
    value = 0.0
    slope[:] = 0.0
    curvature[:] = 0.0
    w_re = np.empty(n_slot)
    w_im = np.empty(n_slot)
    mean_d = np.empty(n_x)
    level = np.empty(n_seat)
    d = np.empty((n_seat, n_x))
    for f in range(n_f):
        for c in range(n_slot):
            amplitude = pol[c] * 10.0 ** (x[c] / 20.0)
            angle = omega[f] * x[n_slot + c] * 1e-3
            w_re[c] = amplitude * cos(angle)
            w_im[c] = -amplitude * sin(angle)
        mean = 0.0
        mean_d[:] = 0.0
        for s in range(n_seat):
            p_re = 0.0
            p_im = 0.0
            for c in range(n_slot):
                t_re = w_re[c] * re[c, f, s] - w_im[c] * im[c, f, s]
                t_im = w_re[c] * im[c, f, s] + w_im[c] * re[c, f, s]
                d[s, c] = t_re
                d[s, n_slot + c] = t_im
                p_re += t_re
                p_im += t_im
            power = p_re * p_re + p_im * p_im
            if power < LEAST_POWER:
                level[s] = 10.0 * log10(LEAST_POWER)
                for c in range(n_x):
                    d[s, c] = 0.0
            else:
                level[s] = 10.0 * log10(power)
                for c in range(n_slot):
                    q_re = (d[s, c] * p_re + d[s, n_slot + c] * p_im) / power
                    q_im = (d[s, n_slot + c] * p_re - d[s, c] * p_im) / power
                    d[s, c] = q_re
                    d[s, n_slot + c] = DB_PER_NEPER * omega[f] * 1e-3 * q_im
            mean += a[s] * level[s]
            for i in range(n_x):
                mean_d[i] += a[s] * d[s, i]
        for s in range(n_seat):
            off = level[s] - mean
            weight = wf[f] * a[s]
            value += weight * off * off
            for i in range(n_x):
                e = weight * (d[s, i] - mean_d[i])
                slope[i] += 2.0 * e * off
                for j in range(i + 1):
                    curvature[i, j] += 2.0 * e * (d[s, j] - mean_d[j])
        value -= wf[f] * reward * mean
        for i in range(n_x):
            slope[i] -= wf[f] * reward * mean_d[i]
    for i in range(n_x):
        for j in range(i):
            curvature[j, i] = curvature[i, j]
    return value


@kernel
def damped_step(curvature, slope, held, damping, factor, step):  # type: ignore[no-untyped-def]
    """Solve (C + damping * diag C) step = -slope on the unknowns that are not held, by Cholesky's method."""
    n = len(slope)
    for i in range(n):
        step[i] = 0.0 if held[i] else -slope[i]
        for j in range(i + 1):
            factor[i, j] = 0.0 if held[i] or held[j] else curvature[i, j]
        factor[i, i] = 1.0 if held[i] else curvature[i, i] * (1.0 + damping) + 1e-12
    for i in range(n):
        for j in range(i + 1):
            total = factor[i, j]
            for k in range(j):
                total -= factor[i, k] * factor[j, k]
            if i == j:
                factor[i, i] = np.sqrt(max(total, 1e-18))
            else:
                factor[i, j] = total / factor[j, j]
    for i in range(n):
        for k in range(i):
            step[i] -= factor[i, k] * step[k]
        step[i] /= factor[i, i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            step[i] -= factor[k, i] * step[k]
        step[i] /= factor[i, i]


@kernel
def polish(re, im, omega, a, wf, reward, pol, low, high, max_steps, tolerance, x):  # type: ignore[no-untyped-def]
    """Descend from x, changed in place, between low and high; returns the value reached [dB^2]."""
    n = len(x)
    slope = np.empty(n)
    new_slope = np.empty(n)
    curvature = np.empty((n, n))
    new_curvature = np.empty((n, n))
    factor = np.empty((n, n))
    step = np.empty(n)
    trial = np.empty(n)
    held = np.empty(n, np.bool_)
    for i in range(n):
        x[i] = min(max(x[i], low[i]), high[i])
    value = value_and_slope(re, im, omega, a, wf, reward, pol, x, slope, curvature)
    damping = 1e-2
    small = 0
    for _ in range(max_steps):
        for i in range(n):
            held[i] = low[i] == high[i] or (x[i] <= low[i] and slope[i] > 0.0) or (x[i] >= high[i] and slope[i] < 0.0)
        damped_step(curvature, slope, held, damping, factor, step)
        for i in range(n):
            trial[i] = min(max(x[i] + step[i], low[i]), high[i])
        new_value = value_and_slope(re, im, omega, a, wf, reward, pol, trial, new_slope, new_curvature)
        if new_value < value:
            small = small + 1 if value - new_value < tolerance * max(abs(value), 1e-12) else 0
            value = new_value
            x[:] = trial
            slope[:] = new_slope
            curvature[:] = new_curvature
            damping = max(damping * 0.2, 1e-6)
            if small >= 2:
                break
        else:
            damping *= 5.0
            if damping > 1e8:
                break
    return value
