"""Branch and bound over the settings of layouts: boxes are halved until each is known to hold nothing of interest.

A box is what `solvers.search.kernels.settings_bound` bounds; the one of least bound is halved first, across the gain or
delay that moves the levels most, so what is open has a bound whenever the work ends.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from solvers.search.kernels.compiled import kernel
from solvers.search.kernels.free_weights import pop, push
from solvers.search.kernels.settings_bound import box_bound

Array = NDArray[Any]


@kernel
def allowed(box: Array, span: Array) -> tuple[bool, bool]:
    """Whether some settings of a box (slot, 5) keep the largest differences of gain and delay, and its middle does."""
    some, middle = True, True
    for k in range(1, len(box)):
        for j in range(k):
            for p in range(2):
                apart = abs(box[k, 2 * p] - box[j, 2 * p])
                middle = middle and apart <= span[p] * (1.0 + 1e-12)
                some = some and apart - box[k, 2 * p + 1] - box[j, 2 * p + 1] <= span[p] * (1.0 + 1e-12)
    return some, middle


@kernel
def whole_range(box: Array, span: Array, polarity: int) -> None:
    """Make a box (slot, 5) of all settings with the k-th slot inverted where that bit of `polarity` is set."""
    box[:] = 0.0
    box[:, 4] = 1.0
    for k in range(1, len(box)):
        box[k, 1], box[k, 3] = span[0], span[1]
        if (polarity >> (k - 1)) & 1:
            box[k, 4] = -1.0


@kernel
def layout_bound(
    field: Array,
    omega: Array,
    a: Array,
    layout: Array,
    span: Array,
    both: bool,
    ends: Array,
    box: Array,
    best: Array,
) -> tuple[float, float, int]:
    """The least sum over the frequencies that any settings of a layout reach, from below.

    Parameters
    ----------
    field, omega, a, layout : as for `box_bound`.
    span : (2,) largest differences of gain [Np] and delay [s]. both : either polarity.
    ends : (3,) a bound that is enough, the least sum known [Np2]; by what part of it the bound may stay below.
    box : (most, slot, 5) room for the boxes that are open at one time.
    best : (slot, 5) written where a sum less than the one known was met: there.

    Returns
    -------
    The bound and the least sum known [Np2], and how many boxes were looked at.
    """
    n, most = len(layout), len(box)
    bound, side, heap = np.zeros(most), np.zeros(most, np.int64), np.zeros(most, np.int64)
    share, spare = np.zeros((n, 2)), np.zeros((n, 5))
    enough, known = min(ends[0], ends[1] * (1.0 - ends[2])), ends[1]
    size = made = looked = 0
    for polarity in range(2 ** (n - 1) if both else 1):
        whole_range(box[made], span, polarity)
        bound[made], value = box_bound(field, omega, a, layout, box[made], np.inf, share)
        looked += 1
        side[made] = int(np.argmax(share[1:])) if np.sum(share) > 0.0 else -1
        if value < known:
            known = value
            best[:] = box[made]
            enough = min(enough, known * (1.0 - ends[2]))
        push(heap, bound, size, made)
        size += 1
        made += 1
    while size > 0 and bound[heap[0]] < enough and made < most and side[heap[0]] >= 0:
        item = pop(heap, bound, size)
        size -= 1
        k, p, before = 1 + side[item] // 2, side[item] % 2, bound[item]
        spare[:] = box[item]
        place = item  # the first half takes the room of the whole
        for turn in (-1.0, 1.0):
            new = box[place]
            new[:] = spare
            new[k, 2 * p + 1] *= 0.5
            new[k, 2 * p] += turn * new[k, 2 * p + 1]
            some, middle = allowed(new, span)
            if not some:
                continue
            looked += 1
            least, value = box_bound(field, omega, a, layout, new, enough, share)
            if middle and value < known:
                known = value
                best[:] = new
                enough = min(enough, known * (1.0 - ends[2]))
            least = max(least, before)
            if least < enough:
                bound[place], side[place] = least, int(np.argmax(share[1:]))
                push(heap, bound, size, place)
                size += 1
                if place == made:
                    made += 1
                place = made
    return min(bound[heap[0]], enough) if size > 0 else enough, known, looked


@kernel
def layouts_bound(
    field: Array,
    omega: Array,
    a: Array,
    layouts: Array,
    span: Array,
    both: bool,
    ends: Array,
    most: int,
    least: Array,
    best: Array,
) -> tuple[int, float, int]:
    """The bound of every layout of a list, as far as is wanted.

    Parameters
    ----------
    field, omega, a, span, both, ends : as for `layout_bound`.
    layouts : (layout, slot) columns.
    most : boxes open at one time for each layout.
    least : (layout,) written [Np2].
    best : (slot, 5) written where a sum less than the one known was met: there.

    Returns
    -------
    The layout of `best`, -1 for none; the least sum known [Np2]; how many boxes were looked at.
    """
    n = layouts.shape[1]
    box, own = np.empty((most, n, 5)), ends.copy()
    where, looked = -1, 0
    for i in range(len(layouts)):
        found, known, count = layout_bound(field, omega, a, layouts[i], span, both, own, box, best)
        least[i] = found
        looked += count
        if known < own[1]:
            own[1], where = known, i
    return where, own[1], looked
