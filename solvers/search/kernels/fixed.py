"""Compiled scoring of whole layouts at one fixed drive per candidate.

Layouts come in the order of a dictionary, so that the sum over all subs but the last is kept from one to the next:
a layout costs one complex addition, |.|^2 and a logarithm a point.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from solvers.search.kernels.compiled import kernel
from solvers.search.kernels.sweep import FLOOR, ZERO, log2_fast

Array = NDArray[Any]


@kernel
def score_layouts(re: Array, im: Array, a: Array, wf: Array, layouts: Array, cost: Array) -> None:
    """Variance over seats of log2 |p|^2, meant over frequency, of each layout at weights already in re, im.

    Parameters
    ----------
    re, im : (column, seat, point) float32.
    a, wf : (seat,), (point,) float32, each of sum 1.
    layouts : (layout, n) columns.
    cost : (layout,) float32, written.
    """
    n_layout, n = layouts.shape
    _, n_seat, n_point = re.shape
    sum_re = np.zeros((n, n_seat, n_point), np.float32)  # [i]: sum of the first i columns
    sum_im = np.zeros((n, n_seat, n_point), np.float32)
    first = np.empty(n_point, np.float32)
    second = np.empty(n_point, np.float32)
    for i in range(n_layout):
        same = 0
        if i > 0:
            while same < n - 1 and layouts[i, same] == layouts[i - 1, same]:
                same += 1
        for j in range(same, n - 1):
            c = layouts[i, j]
            for s in range(n_seat):
                for f in range(n_point):
                    sum_re[j + 1, s, f] = sum_re[j, s, f] + re[c, s, f]
                    sum_im[j + 1, s, f] = sum_im[j, s, f] + im[c, s, f]
        c = layouts[i, n - 1]
        for f in range(n_point):
            first[f] = ZERO
            second[f] = ZERO
        for s in range(n_seat):
            weight = a[s]
            for f in range(n_point):
                p_re = sum_re[n - 1, s, f] + re[c, s, f]
                p_im = sum_im[n - 1, s, f] + im[c, s, f]
                level = log2_fast(max(p_re * p_re + p_im * p_im, FLOOR))
                weighted = weight * level
                first[f] += weighted
                second[f] += weighted * level
        total = ZERO
        for f in range(n_point):
            total += wf[f] * (second[f] - first[f] * first[f])
        cost[i] = total
