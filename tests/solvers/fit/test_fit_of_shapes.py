"""The fit in a room that is no box: its walls, those of a block too, and where its blocks and slopes are."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from roommodes.measured.loading import load_manifest
from roommodes.project.reading import parse_project
from roommodes.running import Running
from solvers.fit.corrected_project import corrected_project
from solvers.fit.model import FitModel
from solvers.fit.moved_modes import moved_modes
from solvers.fit.parameters import Space
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
    found = fit(drawn, measured, Settings(hold=("subs", "microphones", "shape")))
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


LOFT = """
[[slopes]]
name = "roof"
along = "y"
from_m = [1.6, 2.2]
to_m = [2.7, 1.5]
"""
SMALL = """
format = 1
name = "loft"
[room]
length_m = 3.3
width_m = 2.7
height_m = 2.2
loss_factor = 0.03
[[blocks]]
name = "step"
from_m = [2.4, 0.0, 0.0]
to_m = [3.3, 2.7, 0.3]
[[rows]]
name = "front"
x_m = 1.9
y_m = [0.6, 1.2, 1.8]
ear_height_m = 1.1
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 2.4, 0.3]
[search]
band_hz = [30, 80]
points_per_octave = 6
"""
PLACES = {"left": (0.3, 0.3, 0.3), "right": (0.3, 2.4, 0.3)}
TRUE_M = {"roof.to_height_m": 1.56, "step.top_m": 0.26, "step.front_m": 2.43}


def test_a_roofs_height_and_a_steps_faces_are_found(tmp_path: Path) -> None:
    """Built 6 cm higher, 4 cm lower and 3 cm further back than drawn: each found within three stated deviations."""
    built = (SMALL + LOFT).replace("[2.7, 1.5]", "[2.7, 1.56]").replace("2.7, 0.3]\n[[rows", "2.7, 0.26]\n[[rows")
    built = built.replace("from_m = [2.4, 0.0", "from_m = [2.43, 0.0")
    truth = modelled(room_project(built), np.geomspace(30.0, 80.0, 31), PLACES)
    drawn = room_project(SMALL + LOFT)
    noise = np.random.default_rng(3).normal(size=(2, *truth.transfer.shape))
    heard = replace(truth, transfer=truth.transfer * (1.0 + 0.003 * (noise[0] + 1j * noise[1])))
    path = write_set(tmp_path, heard, extra='[reference]\nlevel = "per metre"')
    text = path.read_text().replace("[0.3, 3.6, 0.3]", "[0.3, 2.4, 0.3]")
    path.write_text(text)
    measured = load_manifest(path, drawn)
    found = fit(drawn, measured, Settings(hold=("subs", "microphones", "loss")))
    values = {one.parameter.name: one for one in found.estimates}
    for name, true_m in TRUE_M.items():
        assert abs(values[name].value - true_m) < 3.0 * values[name].deviation
        assert values[name].deviation < 0.02
    corrected = parse_project(corrected_project(drawn, measured, found), source="corrected")
    assert corrected.room.slopes[0].to_m[1] == round(values["roof.to_height_m"].value, 4)
    assert corrected.room.blocks[0].high_m[2] == round(values["step.top_m"].value, 4)
    assert corrected.room.blocks[0].high_m[:2] == drawn.room.blocks[0].high_m[:2]


ATTIC = """
format = 1
name = "attic"
[room]
length_m = 5.4
width_m = 4.2
height_m = 2.5
loss_factor = 0.004
[walls]
front = "plaster"
rear = "plaster"
[constructions.plaster]
kind = "admittance"
beta_re = 0.01
[constructions.lining]
kind = "impedance"
mass_kg_m2 = 8.5
resistance_pa_s_m = 1500
stiffness_pa_m = 2.8e6
[[slopes]]
name = "roof"
along = "y"
from_m = [1.4, 2.5]
to_m = [4.2, 1.33]
construction = "lining"
[[rows]]
name = "row"
x_m = 2.6
y_m = [1.0]
ear_height_m = 1.1
[[zones]]
name = "corner"
from_m = [0.3, 0.5, 0.3]
to_m = [0.3, 0.5, 0.3]
[search]
counts = [1]
"""


def test_a_height_is_found_in_responses_of_another_solver() -> None:
    """An independent solution of an attic whose roof ends at 1.3 m, fitted from 1.33 m by Gauss-Newton steps."""
    case = json.loads((Path(__file__).parents[2] / "published" / "reference_cases" / "shapes" / "A1.json").read_text())
    few = slice(0, 3)  # 20 to 45 Hz
    truth = (np.array(case["H_re"]) + 1j * np.array(case["H_im"])).transpose(2, 1, 0)[few]
    seats = np.array(case["receivers_m"])
    space = Space(
        room_project(ATTIC),
        sub_name=("left", "right"),
        sub_m=np.array(case["sources_m"]),
        seat_name=tuple(map(str, range(len(seats)))),
        seat_m=seats,
        hold=("walls", "loss", "subs", "microphones"),
    )
    (height,) = space.free
    model = FitModel(space, np.array(case["frequencies_hz"])[few], Running())
    u, deviation_m = np.zeros(1), 0.0
    for _ in range(2):
        response = model.response(u, space.free, {})
        assert response is not None
        slope = np.concatenate([response.slopes[height].real.ravel(), response.slopes[height].imag.ravel()])
        missing = truth - response.transfer
        residual = np.concatenate([missing.real.ravel(), missing.imag.ravel()])
        step = slope @ residual / (slope @ slope)
        left = residual - step * slope
        deviation_m = height.deviation(float(u[0]), float(np.sqrt(left @ left / (len(left) - 1) / (slope @ slope))))
        u = u + step
    assert height.name == "roof.to_height_m"
    assert abs(height.value(float(u[0])) - 1.3) < 3.0 * deviation_m
    assert deviation_m < 2e-3
