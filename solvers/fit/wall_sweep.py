"""Responses over a range of one parameter of a wall, all else as it is: one solve a frequency for all of them.

With P the pressure on the changed modes, from sources and from seats, and Z' their port matrix among all other walls,
both as the walls are, strengths changed by dY give

    H' = H - 4 pi P_s^T dY (1 + Z' dY)^-1 P_c
"""

from collections.abc import Sequence
from math import pi

import numpy as np

from roommodes.acoustics.strengths import Matrices, Strength, times
from roommodes.acoustics.transfer import bulk_k2
from roommodes.arrays import Complexes, Floats
from solvers.fit.model import FitModel, Wanted
from solvers.fit.parameter import Parameter

BLOCK = 8  # frequencies at a time


def wall_sweep(model: FitModel, u: Floats, parameter: Parameter, values: Sequence[float]) -> list[Complexes] | None:
    """Responses with one free parameter of a wall set to each of some values.

    Parameters
    ----------
    model : of the free parameters.
    u : (n_free,) their values.
    parameter : of a wall.
    values : rising, in prior standard deviations; the lowest says how many modes of a pane count.

    Returns
    -------
    For each value (n_freq, n_seat, n_sub) [1/m]; None when cancelled.
    """
    space = model.space
    start = {**dict(zip(space.free, u.tolist(), strict=True)), parameter: float(values[0])}
    first = Wanted(space, space.situation_of(start), start, (parameter,))
    surfaces, names = space.surfaces(first.situation)
    boundary = model.boundary(first.situation, surfaces)
    ports = model.ports(first, boundary)
    others = [first.changed(boundary, surfaces, names, by_u=float(value - values[0]))[0][1] for value in values[1:]]
    edges = np.cumsum([0, *(strength.size for strength in boundary.strengths)])
    at = [index for index, one in enumerate(others[0]) if one is not None] if others else []
    rows = np.concatenate([np.arange(edges[index], edges[index + 1]) for index in at] or [np.zeros(0, dtype=np.intp)])
    found: list[list[Complexes]] = []
    n_source, diagonal = len(first.sub_m), np.arange(len(rows))
    for begin in range(0, len(model.hz), BLOCK):
        if model.running.stop_asked():
            return None
        omega = (2.0 * pi * model.hz[begin : begin + BLOCK]).astype(np.complex128)
        z = ports.at(bulk_k2(ports.room, omega))
        points = np.concatenate([z.source_boundary, z.seat_boundary], axis=1).transpose(0, 2, 1)
        points = np.concatenate([points, z.boundary[:, :, rows]], axis=2)  # (k, mode, sources, seats, changed modes)
        matrices = Matrices(omega)
        system = matrices.system(boundary.strengths, z.boundary)
        reaction = np.linalg.solve(system, matrices.times(boundary.strengths, points))
        on_walls = (points - z.boundary @ reaction)[:, rows]
        n_point = points.shape[2] - len(rows)
        from_source, from_seat = on_walls[:, :, :n_source], on_walls[:, :, n_source:n_point].transpose(0, 2, 1)
        among = on_walls[:, :, n_point:]
        pressure = z.seat_source - z.seat_boundary @ reaction[:, :, :n_source]
        before = [matrices.of(boundary.strengths[index]) for index in at]
        part = [4.0 * pi * pressure]
        for one in others:
            change = [matrices.of(new) - old for new, old in zip(_chosen(one, at), before, strict=True)]
            total = _before(change, among)
            total[:, diagonal, diagonal] += 1.0
            part.append(
                4.0
                * pi
                * (
                    pressure
                    - from_seat @ times(change, np.asarray(np.linalg.solve(total, from_source), dtype=np.complex128))
                )
            )
        found.append(part)
    return [np.concatenate([part[number] for part in found]) for number in range(len(values))]


def _chosen(strengths: Sequence[Strength | None], at: Sequence[int]) -> list[Strength]:
    return [one for one in (strengths[index] for index in at) if one is not None]


def _before(changes: Sequence[Complexes], matrix: Complexes) -> Complexes:
    """A matrix (k, n, mode) times changes of strengths, one after the other, diagonal or full: (k, n, mode)."""
    result, start = np.empty_like(matrix), 0
    for y in changes:
        part = slice(start, start + y.shape[1])
        result[:, :, part] = matrix[:, :, part] * y[:, None, :] if y.ndim == 2 else matrix[:, :, part] @ y
        start += y.shape[1]
    return result


def modes_swept(model: FitModel, u: Floats, parameter: Parameter, lowest: float) -> int:
    """How many modes of the walls a sweep from this value changes: what one solve of it costs goes with their cube."""
    space = model.space
    values = {**dict(zip(space.free, u.tolist(), strict=True)), parameter: lowest}
    wanted = Wanted(space, space.situation_of(values), values, (parameter,))
    surfaces, names = space.surfaces(wanted.situation)
    boundary = model.boundary(wanted.situation, surfaces)
    ((_, changed),) = wanted.changed(boundary, surfaces, names)
    return sum(one.size for one in changed if one is not None)
