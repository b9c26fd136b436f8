"""Compiled search of one layout's neighbourhood: every position and drive of one sub at a time.

The level of a plan at a point (frequency f, seat s) needs |p|^2. With the others' pressure R and one sub's H,
delayed by tau, scaled by g and perhaps inverted,

    |R +- g e^{-j omega tau} H|^2 = A + g^2 B +- 2 g D,
    A = |R|^2, B = |H|^2, D = X cos(omega tau) + Y sin(omega tau), X + jY = conj(R) H,

so that a trial of both polarities costs a few products and two logarithms a point.

| name | meaning | shape |
| --- | --- | --- |
| column | the transfer of one sub, or of a pair with one drive | [column, block, seat, point] |
| block, point | the frequencies, dealt out so that each block spans the band; padded with weight zero | |
| a | seat weight, sum 1 | [seat] |
| wf | frequency weight, sum 1 | [block, point] |
| omega | angular frequency [rad/s] | [block, point] |
| cost | mean over f of the variance over seats of log2 |p|^2, less `reward` times its mean | |
| tau, g_db, pol | delay [s], gain [dB], polarity of each slot | [slot] |

Costs are in units of (log2 of power)^2: variation_db = 10 lg(2) sqrt(cost) where reward = 0.
`reference` holds the same in plain NumPy.
"""

from math import cos, sin

import numpy as np

from solvers.compiled import kernel

# log2(1 + t) / t on [-1/3, 1/3]: own least-maximum fit at Chebyshev nodes, 4e-6 off at most in log2
L0 = np.float32(1.4427053868212263)
L1 = np.float32(-0.7213798819641528)
L2 = np.float32(0.47925118907167813)
L3 = np.float32(-0.35838903199300076)
L4 = np.float32(0.32672571711493137)
L5 = np.float32(-0.27999619408650633)
TWO_THIRDS_BITS = np.int32(0x3F2AAAAB)
MANTISSA_BITS = np.int32(23)
FLOOR = np.float32(1e-20)  # the least power a point may have, where the mean power of its frequency is 1
ONE = np.float32(1.0)
TWO = np.float32(2.0)
ZERO = np.float32(0.0)


@kernel
def log2_fast(x):  # type: ignore[no-untyped-def]
    """log2 of a positive normal float32."""
    bits = np.float32(x).view(np.int32)
    exponent = (bits - TWO_THIRDS_BITS) >> MANTISSA_BITS
    t = np.int32(bits - (exponent << MANTISSA_BITS)).view(np.float32) - ONE
    return np.float32(exponent) + t * (L0 + t * (L1 + t * (L2 + t * (L3 + t * (L4 + t * L5)))))


@kernel
def try_drive(A, B, D, g, a, wf, reward, give_up, moment, result):  # type: ignore[no-untyped-def]
    """Cost at amplitude g for both polarities, into `result`; stops early once both exceed `give_up`."""
    n_block, n_seat, n_point = A.shape
    g_squared = g * g
    g_double = TWO * g
    upright = ZERO
    inverted = ZERO
    for k in range(n_block):
        for f in range(n_point):
            moment[0, f] = ZERO
            moment[1, f] = ZERO
            moment[2, f] = ZERO
            moment[3, f] = ZERO
        for s in range(n_seat):
            weight = a[s]
            for f in range(n_point):
                u = A[k, s, f] + g_squared * B[k, s, f]
                v = g_double * D[k, s, f]
                plus = log2_fast(max(u + v, FLOOR))
                minus = log2_fast(max(u - v, FLOOR))
                moment[0, f] += weight * plus
                moment[1, f] += weight * plus * plus
                moment[2, f] += weight * minus
                moment[3, f] += weight * minus * minus
        for f in range(n_point):
            w = wf[k, f]
            upright += w * (moment[1, f] - moment[0, f] * (moment[0, f] + reward))
            inverted += w * (moment[3, f] - moment[2, f] * (moment[2, f] + reward))
        if upright > give_up and inverted > give_up:
            break
    result[0] = upright
    result[1] = inverted


@kernel
def field_of(re, im, omega, cand, tau, g_db, pol, skip, field_re, field_im):  # type: ignore[no-untyped-def]
    """Pressure of all slots but `skip` (-1: of all), into field_re and field_im."""
    n_block, n_seat, n_point = field_re.shape
    field_re[:] = ZERO
    field_im[:] = ZERO
    for j in range(len(cand)):
        if j == skip:
            continue
        c = cand[j]
        amplitude = pol[j] * 10.0 ** (g_db[j] / 20.0)
        for k in range(n_block):
            for f in range(n_point):
                w_re = np.float32(amplitude * cos(omega[k, f] * tau[j]))
                w_im = np.float32(-amplitude * sin(omega[k, f] * tau[j]))
                for s in range(n_seat):
                    field_re[k, s, f] += w_re * re[c, k, s, f] - w_im * im[c, k, s, f]
                    field_im[k, s, f] += w_re * im[c, k, s, f] + w_im * re[c, k, s, f]


@kernel
def cost_of(field_re, field_im, a, wf, reward):  # type: ignore[no-untyped-def]
    """Cost of a pressure field."""
    n_block, n_seat, n_point = field_re.shape
    cost = 0.0
    for k in range(n_block):
        for f in range(n_point):
            first = ZERO
            second = ZERO
            for s in range(n_seat):
                power = field_re[k, s, f] ** 2 + field_im[k, s, f] ** 2
                level = log2_fast(max(power, FLOOR))
                first += a[s] * level
                second += a[s] * level * level
            cost += wf[k, f] * (second - first * (first + reward))
    return cost


@kernel
def best_drive(  # type: ignore[no-untyped-def]
    A, re, im, field_re, field_im, cos_table, sin_table, delays, gains, both, a, wf, reward, gain_cost, give_up, work
):
    """Best of all delays (rows of the tables between the two in `delays`), gains and polarities of one column.

    Returns (cost, row, gain, polarity) with gain the index in `gains` (amplitudes).
    `gain_cost` : (n_gain,) what each gain adds to the cost. `work` : (4, block, seat, point) float32.
    """
    n_block, n_seat, n_point = A.shape
    B = work[0]
    X = work[1]
    Y = work[2]
    D = work[3]
    moment = np.empty((4, n_point), np.float32)
    result = np.empty(2, np.float32)
    for k in range(n_block):
        for s in range(n_seat):
            for f in range(n_point):
                h_re = re[k, s, f]
                h_im = im[k, s, f]
                B[k, s, f] = h_re * h_re + h_im * h_im
                X[k, s, f] = field_re[k, s, f] * h_re + field_im[k, s, f] * h_im
                Y[k, s, f] = field_re[k, s, f] * h_im - field_im[k, s, f] * h_re
    best = np.inf
    best_row = -1
    best_gain = -1
    best_pol = 1.0
    for row in range(delays[0], delays[1] + 1):
        for k in range(n_block):
            for s in range(n_seat):
                for f in range(n_point):
                    D[k, s, f] = X[k, s, f] * cos_table[row, k, f] + Y[k, s, f] * sin_table[row, k, f]
        for i in range(len(gains)):
            limit = min(best, give_up) - gain_cost[i]
            if reward != ZERO:
                limit = np.inf  # a block may then lower the sum
            try_drive(A, B, D, gains[i], a, wf, reward, limit, moment, result)
            if result[0] + gain_cost[i] < best:
                best = result[0] + gain_cost[i]
                best_row = row
                best_gain = i
                best_pol = 1.0
            if both and result[1] + gain_cost[i] < best:
                best = result[1] + gain_cost[i]
                best_row = row
                best_gain = i
                best_pol = -1.0
    return best, best_row, best_gain, best_pol


@kernel
def may_stand(c, slot, cand, slot_group, column_group, clash, zone_size, zone_limit):  # type: ignore[no-untyped-def]
    """Whether column c may take the slot beside the others."""
    if column_group[c] != slot_group[slot]:
        return False
    for j in range(len(cand)):
        if j != slot and clash[c, cand[j]]:
            return False
    for z in range(len(zone_limit)):
        if zone_size[c, z] == 0:
            continue
        total = zone_size[c, z]
        for j in range(len(cand)):
            if j != slot:
                total += zone_size[cand[j], z]
        if total > zone_limit[z]:
            return False
    return True


@kernel
def regauge(tau, delay_low):  # type: ignore[no-untyped-def]
    """Shift all delays so that the earliest slot stands at `delay_low`."""
    earliest = np.inf
    for j in range(len(tau)):
        earliest = min(earliest, tau[j])
    for j in range(len(tau)):
        tau[j] += delay_low - earliest


@kernel
def descend(  # type: ignore[no-untyped-def]
    re,
    im,
    omega,
    cos_table,
    sin_table,
    delay_step,
    delay_span,
    gain_span,
    gain_steps,
    both,
    a,
    wf,
    reward,
    slot_group,
    column_group,
    clash,
    zone_size,
    zone_limit,
    order,
    free,
    tolerance,
    max_visits,
    margin,
    cand,
    tau,
    g_db,
    pol,
    near_cost,
    near_drive,
    visited,
):
    """Visit the slots in turn and give each its best column and drive, the others held; until none changes.

    Parameters
    ----------
    re, im : (column, block, seat, point) float32.
    cos_table, sin_table : (row, block, point); row r stands for the delay (r - n_row // 2) * delay_step.
    delay_span, gain_span : largest difference between two slots [s], [dB].
    gain_steps : steps across `gain_span`.
    slot_group, column_group : a slot takes only columns of its group.
    clash : (column, column) bool, pairs that cannot stand together (itself included).
    zone_size, zone_limit : (column, zone), (zone,) subs that a column adds to a zone, and the most it may hold.
    order : slots in the order of their visits.
    free : (slot,) bool, whether the slot may change its column.
    tolerance : a change must lower the cost by more than this part of it.
    max_visits : visits at most.
    margin : columns dearer than this times the best are not followed to the end.
    cand, tau, g_db, pol : (slot,) start, changed in place; the earliest delay is 0.
    near_cost, near_drive : (slot, column), (slot, column, 3): cost and (delay, gain, polarity) of each column in
        the slot at its latest visit; infinite where it may not stand.
    visited : (max_visits, slot) int64, the columns held at each visit, -1 at the visited slot.

    Returns
    -------
    (cost, visits).
    """
    n_slot = len(cand)
    n_column, n_block, n_seat, n_point = re.shape
    field_re = np.empty((n_block, n_seat, n_point), np.float32)
    field_im = np.empty((n_block, n_seat, n_point), np.float32)
    A = np.empty((n_block, n_seat, n_point), np.float32)
    work = np.empty((4, n_block, n_seat, n_point), np.float32)
    delays = np.empty(2, np.int64)
    middle = cos_table.shape[0] // 2
    gain_step = gain_span / gain_steps if gain_span > 0.0 else 1.0
    log_unit = 10.0 * np.log10(2.0)
    field_of(re, im, omega, cand, tau, g_db, pol, -1, field_re, field_im)
    loudest = -np.inf
    for j in range(n_slot):
        loudest = max(loudest, g_db[j])
    current = cost_of(field_re, field_im, a, wf, reward) + reward * loudest / log_unit
    unchanged = 0
    visits = 0
    while visits < max_visits and unchanged < n_slot:
        slot = order[visits % n_slot]
        earliest = np.inf
        latest = -np.inf
        softest = np.inf
        loudest = -np.inf
        for j in range(n_slot):
            visited[visits, j] = cand[j]
            if j != slot:
                earliest = min(earliest, tau[j])
                latest = max(latest, tau[j])
                softest = min(softest, g_db[j])
                loudest = max(loudest, g_db[j])
        visited[visits, slot] = -1
        visits += 1
        if n_slot == 1:
            earliest = latest = tau[0]
            softest = loudest = g_db[0]
        for j in range(n_slot):
            tau[j] -= earliest
        latest -= earliest
        # the slot's delay and gain may differ from any other's by the spans at most
        delays[0] = middle
        delays[1] = middle
        if delay_span > 0.0 and n_slot > 1:
            delays[0] = middle + int(np.ceil((latest - delay_span) / delay_step - 1e-9))
            delays[1] = middle + int(np.floor(delay_span / delay_step + 1e-9))
        lowest_gain = loudest - gain_span if n_slot > 1 else loudest
        n_gain = 1
        if gain_span > 0.0 and n_slot > 1:
            n_gain = 1 + int(np.floor((softest + gain_span - lowest_gain) / gain_step + 1e-9))
        gains = np.empty(n_gain, np.float32)
        gain_cost = np.empty(n_gain, np.float64)
        for i in range(n_gain):
            level = lowest_gain + i * gain_step
            gains[i] = 10.0 ** (level / 20.0)
            gain_cost[i] = reward * max(level, loudest) / log_unit
        field_of(re, im, omega, cand, tau, g_db, pol, slot, field_re, field_im)
        for k in range(n_block):
            for s in range(n_seat):
                for f in range(n_point):
                    A[k, s, f] = field_re[k, s, f] ** 2 + field_im[k, s, f] ** 2
        best = current
        best_column = -1
        best_tau = 0.0
        best_g = 0.0
        best_pol = 1.0
        for c in range(n_column):
            near_cost[slot, c] = np.inf
            if free[slot]:
                if not may_stand(c, slot, cand, slot_group, column_group, clash, zone_size, zone_limit):
                    continue
            elif c != cand[slot]:
                continue
            give_up = best * margin if reward == 0.0 else np.inf
            cost, row, i, p = best_drive(
                A,
                re[c],
                im[c],
                field_re,
                field_im,
                cos_table,
                sin_table,
                delays,
                gains,
                both and n_slot > 1,
                a,
                wf,
                reward,
                gain_cost,
                give_up,
                work,
            )
            if row < 0:
                continue
            t = (row - middle) * delay_step
            level = lowest_gain + i * gain_step
            near_cost[slot, c] = cost
            near_drive[slot, c, 0] = t
            near_drive[slot, c, 1] = level
            near_drive[slot, c, 2] = p
            if cost < best:
                best = cost
                best_column = c
                best_tau = t
                best_g = level
                best_pol = p
        if best_column >= 0 and best < current - tolerance * abs(current):
            cand[slot] = best_column
            tau[slot] = best_tau
            g_db[slot] = best_g
            pol[slot] = best_pol
            current = best
            unchanged = 0
        else:
            unchanged += 1
        regauge(tau, 0.0)
    return current, visits


@kernel
def sweep_layouts(  # type: ignore[no-untyped-def]
    re,
    im,
    omega,
    cos_table,
    sin_table,
    delay_step,
    delay_span,
    gain_span,
    gain_steps,
    both,
    a,
    wf,
    reward,
    layouts,
    max_visits,
    cost,
    tau,
    g_db,
    pol,
):
    """Sweep the drives of each layout from the drives given, the columns held; `descend` explains the names.

    Parameters
    ----------
    layouts : (layout, slot) columns.
    max_visits : visits per layout at most; slot 1 first, slot 0 last.
    cost : (layout,) float64, written.
    tau, g_db, pol : (layout, slot) start, changed in place.
    """
    n_layout, n_slot = layouts.shape
    n_column = re.shape[0]
    order = np.empty(n_slot, np.int64)
    for j in range(n_slot):
        order[j] = (j + 1) % n_slot
    free = np.zeros(n_slot, np.bool_)
    group = np.zeros(n_column, np.int64)
    clash = np.zeros((1, 1), np.bool_)
    zone_size = np.zeros((1, 0), np.int64)
    zone_limit = np.zeros(0, np.int64)
    near_cost = np.empty((n_slot, n_column))
    near_drive = np.empty((n_slot, n_column, 3))
    visited = np.empty((max_visits, n_slot), np.int64)
    cand = np.empty(n_slot, np.int64)
    for i in range(n_layout):
        cand[:] = layouts[i]
        result = descend(
            re,
            im,
            omega,
            cos_table,
            sin_table,
            delay_step,
            delay_span,
            gain_span,
            gain_steps,
            both,
            a,
            wf,
            reward,
            group[:n_slot],
            group,
            clash,
            zone_size,
            zone_limit,
            order,
            free,
            1e-6,
            max_visits,
            1.0,
            cand,
            tau[i],
            g_db[i],
            pol[i],
            near_cost,
            near_drive,
            visited,
        )
        cost[i] = result[0]
