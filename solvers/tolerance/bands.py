"""Bands of frequencies, each with boundary modes for its own highest, and what is known before the equations are asked.

The full equations take as their size cubed, and half the highest frequency is served by half the boundary modes.
"""

from dataclasses import dataclass
from itertools import product
from math import pi, prod

import numpy as np

from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room_boundary import Boundary, boundary_of
from roommodes.arrays import Floats
from solvers.tolerance.field import Places
from solvers.tolerance.inputs import Inputs
from solvers.tolerance.walls import Walls

BAND_EDGES = (0.42, 0.75)  # of the highest frequency: each band has boundary modes of its own


def bands_of(frequency_hz: Floats, *, one: bool) -> list[Floats]:
    """The frequencies in bands that take about as many boundary modes; a shape is solved once, for one band."""
    edges = np.array([] if one else BAND_EDGES) * frequency_hz.max()
    index = np.searchsorted(edges, frequency_hz)
    return [frequency_hz[index == band] for band in np.unique(index)]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Band:
    """What is known of a band before the equations are asked.

    Parameters
    ----------
    ears, cabinets : the points.
    ear_m, cabinet_m : (n_point, n_node, 3) where the field is asked, see `stencil` [m].
    ear_fit, cabinet_fit : (n_point, n_monomial, n_node).
    boundary, walls : walls None where all are rigid.
    """

    inputs: Inputs
    frequency_hz: Floats
    ears: Places
    cabinets: Places
    ear_m: Floats
    cabinet_m: Floats
    ear_fit: Floats
    cabinet_fit: Floats
    boundary: Boundary
    walls: Walls | None

    @classmethod
    def of(cls, inputs: Inputs, frequency_hz: Floats, precision: Precision) -> "Band":
        """For a project's uncertain inputs."""
        room, surfaces, table = inputs.project.room, inputs.project.surfaces(), inputs.project.tables.tolerance
        room_reach, size = np.array(table.room_m), np.array(room.size_m)
        for one in inputs.uncertain:  # places are measured cell by cell
            room_reach[one.plane.axis] = max(room_reach[one.plane.axis], one.reach_m)
        ears = Places(drawn_m=inputs.ear_m, reach_m=np.array(table.ears_m) + room_reach)
        cabinets = Places(drawn_m=inputs.cabinet_m, reach_m=np.array(table.cabinet_m) + room_reach)
        (ear_m, ear_fit), (cabinet_m, cabinet_fit) = stencil(ears, size, inputs), stencil(cabinets, size, inputs)
        boundary = boundary_of(
            room,
            surfaces,
            frequency_hz=frequency_hz,
            seat_m=ear_m.reshape(-1, 3),
            source_m=cabinet_m.reshape(-1, 3),
            precision=precision,
        )
        return cls(
            inputs=inputs,
            frequency_hz=frequency_hz,
            ears=ears,
            cabinets=cabinets,
            ear_m=ear_m,
            cabinet_m=cabinet_m,
            ear_fit=ear_fit,
            cabinet_fit=cabinet_fit,
            boundary=boundary,
            walls=Walls(inputs, surfaces, boundary, frequency_hz=frequency_hz) if boundary.size else None,
        )

    @property
    def max_wavenumber(self) -> float:
        """As drawn [1/m]."""
        return 2.0 * pi * float(self.frequency_hz.max()) / self.inputs.project.room.air.speed_of_sound_m_s


def stencil(places: Places, size_m: Floats, inputs: Inputs) -> tuple[Floats, Floats]:
    """Where a smooth function of a point is asked, and what turns the answers into coefficients.

    Returns
    -------
    (n_point, n_node, 3) [m], its first node as drawn; (n_point, n_monomial, n_node).
    """
    axes = places.axes
    moves = [np.zeros(3)]
    for axis in axes:
        moves += [sign * np.eye(3)[axis] for sign in (1.0, -1.0)]
    if len(axes) > 1:
        for signs in product((1.0, -1.0), repeat=len(axes)):
            if prod(signs) < 0.0:
                continue  # every other corner is enough for the products of two moves
            corner = np.zeros(3)
            corner[axes] = signs
            moves.append(corner)
    nodes = places.drawn_m[:, None] + np.stack(moves) * places.reach_m
    nodes = np.clip(nodes, 0.0, size_m)
    if inputs.geometry is not None:
        home = np.broadcast_to(places.drawn_m[:, None], nodes.shape)
        still = inputs.drawn()
        nodes = inputs.geometry.in_air(nodes.reshape(-1, 3), home.reshape(-1, 3), np.ones(3), still.plane_m[0]).reshape(
            nodes.shape
        )
    monomials = places.monomials(nodes.transpose(1, 0, 2)).transpose(1, 0, 2)  # (point, node, monomial)
    return nodes, np.asarray(np.linalg.pinv(monomials), dtype=np.float64)
