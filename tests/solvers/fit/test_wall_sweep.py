"""A sweep of one wall's parameter by one solve is what a solve for each value gives."""

import numpy as np

from roommodes.project.reading import parse_project
from roommodes.running import Running
from solvers.fit.model import FINE, FitModel
from solvers.fit.outcome import STIFFNESS
from solvers.fit.parameters import Space
from solvers.fit.wall_sweep import wall_sweep
from tests.measuring import ROOM, SUBS

PANE = """
[[regions]]
wall = "left"
from_m = [1.0, 0.8]
to_m = [2.2, 1.9]
construction = "pane"
[constructions."pane"]
kind = "pane"
thickness_m = 0.006
density_kg_m3 = 2500
youngs_modulus_pa = 7.0e10
poisson = 0.22
loss_factor = 0.02
"""


def test_one_solve_gives_what_a_solve_for_each_value_gives() -> None:
    project = parse_project(ROOM + PANE, source="room.toml")
    space = Space(
        project,
        sub_name=tuple(SUBS),
        sub_m=np.array(list(SUBS.values())),
        seat_name=project.seats.name,
        seat_m=project.seats.position_m,
    )
    model = FitModel(space, np.geomspace(20.0, 100.0, 11), Running(), FINE)
    (place,) = [index for index, one in enumerate(space.free) if one.key == STIFFNESS]
    u = np.random.default_rng(5).normal(scale=0.5, size=len(space.free))
    values = (-3.0, -1.2, 0.0, 2.0)
    swept = wall_sweep(model, u, space.free[place], values)
    assert swept is not None
    for value, found in zip(values, swept, strict=True):
        u[place] = value
        alone = model.transfer(space.situation(u))
        assert alone is not None
        assert np.abs(found - alone).max() <= 1e-3 * np.sqrt(np.mean(np.abs(alone) ** 2))
    assert np.abs(swept[0] - swept[-1]).max() > 0.1 * np.sqrt(np.mean(np.abs(swept[0]) ** 2))


def test_a_sweep_that_is_cancelled_ends() -> None:
    project = parse_project(ROOM + PANE, source="room.toml")
    seats = project.seats
    space = Space(
        project, sub_name=("left",), sub_m=np.array([SUBS["left"]]), seat_name=seats.name, seat_m=seats.position_m
    )
    model = FitModel(space, np.array([40.0, 50.0]), Running(cancelled=lambda: True))
    (place,) = [index for index, one in enumerate(space.free) if one.key == STIFFNESS]
    assert wall_sweep(model, np.zeros(len(space.free)), space.free[place], (-1.0, 1.0)) is None
