"""Air that was warmer than the project says: not up to the tenth of a millimetre, and named."""

from pathlib import Path

import numpy as np

from roommodes.measured.loading import load_manifest
from solvers.fit.run import fit
from tests.measuring import ROOM, SUBS, Measured, modelled, room_project, write_set

HZ = np.geomspace(20.0, 100.0, 4 * 28 + 1)


def noisy(text: str) -> Measured:
    truth = modelled(room_project(text), HZ, SUBS)
    rng = np.random.default_rng(8)
    size = 0.01 * np.sqrt(np.mean(np.abs(truth.transfer) ** 2) / 2.0)
    noise = size * (rng.normal(size=truth.transfer.shape) + 1j * rng.normal(size=truth.transfer.shape))
    return Measured(hz=HZ, transfer=truth.transfer + noise)


def test_a_room_measured_on_a_hot_day_has_lengths_that_are_unsure_by_it_and_says_so(tmp_path: Path) -> None:
    hot = ROOM.replace("loss_factor", "temperature_c = 26.0\nloss_factor")
    # ISO 9613-1: c grows with the root of the absolute temperature, so that modes lie 1.02 % higher
    manifest = write_set(tmp_path, noisy(hot), extra='[reference]\nlevel = "per metre"')
    found = fit(room_project(), load_manifest(manifest, room_project()))
    (remark,) = [one for one in found.remarks if "All lengths" in one]
    assert "5 degrees warmer" in remark or "6 degrees warmer" in remark
    lengths = [one for one in found.estimates if one.parameter.group == "size"]
    assert [one.parameter.key for one in lengths] == ["length_m", "width_m", "height_m"]
    for one in lengths:
        assert abs(one.value - one.parameter.start) < 3.0 * one.deviation, one.parameter.key


def test_a_room_measured_as_the_project_has_its_air_is_not_suspected(tmp_path: Path) -> None:
    longer = ROOM.replace("length_m = 5.2", "length_m = 5.25")
    manifest = write_set(tmp_path, noisy(longer), extra='[reference]\nlevel = "per metre"')
    found = fit(room_project(), load_manifest(manifest, room_project()))
    assert not [one for one in found.remarks if "All lengths" in one]
    (length,) = [one for one in found.estimates if one.parameter.key == "length_m"]
    assert abs(length.value - 5.25) < 3.0 * length.deviation < 0.02
