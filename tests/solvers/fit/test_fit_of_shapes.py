"""The fit in a room that is no box: its walls, also those of a block, are found; its size stays as drawn."""

from pathlib import Path

import numpy as np

from roommodes.measured.loading import load_manifest
from roommodes.project.reading import parse_project
from solvers.fit.corrected_project import corrected_project
from solvers.fit.moved_modes import moved_modes
from solvers.fit.run import Settings, fit
from solvers.fit.verdict import Verdict
from tests.measuring import ROOM, SUBS, modelled, room_project, write_set

STEP = """
[[blocks]]
name = "step"
from_m = [3.6, 0.0, 0.0]
to_m = [5.2, 3.9, 0.4]
construction = "lining"
"""
SHAPED = (ROOM + STEP).replace("band_hz = [20, 100]", "band_hz = [20, 70]").replace("octave = 12", "octave = 8")
HEAVIER = SHAPED.replace("mass_kg_m2 = 14.0", "mass_kg_m2 = 17.0")


def test_a_heavier_lining_on_wall_and_block_is_found(tmp_path: Path) -> None:
    truth = modelled(room_project(HEAVIER), np.geomspace(20.0, 70.0, 4 * 15 + 1), SUBS)  # its own grid, and between
    drawn = room_project(SHAPED)
    measured = load_manifest(write_set(tmp_path, truth, extra='[reference]\nlevel = "per metre"'), drawn)
    found = fit(drawn, measured, Settings(hold=("subs", "microphones")))
    values = {one.parameter.name: one for one in found.estimates}
    assert "length_m" not in values
    assert abs(values["lining.mass_kg_m2"].value - 17.0) < 0.3
    assert found.verdict is not Verdict.REFUSED
    assert found.compared.misfit_after < 0.02 < found.compared.misfit_before
    corrected = parse_project(corrected_project(drawn, measured, found), source="corrected")
    assert corrected.room.size_m == drawn.room.size_m
    assert corrected.room.blocks == drawn.room.blocks
    modes = moved_modes(drawn, found)
    assert modes
    assert all(len(one.number) == 1 for one in modes)
