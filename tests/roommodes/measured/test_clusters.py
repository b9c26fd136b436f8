"""Several microphones about one seat: each by itself in the search, sharing its weight, and averaged in energy."""

import csv
import io
from pathlib import Path

import numpy as np
import pytest

from cli.formats.curves import curves_csv
from roommodes.errors import ProjectInvalid
from roommodes.measured.data import MeasuredSet
from roommodes.measured.loading import load_manifest
from solvers.listening.curves import PartCurves, PlanCurves
from solvers.plans.measured_basis import measured_basis
from tests.measuring import SUBS, TABLE_HZ, modelled, room_project, table_text

OFFSETS = ((0.0, 0.0, 0.0), (0.0, 0.15, 0.0), (0.1, 0.0, 0.1))
MANIFEST = 'format = 1\nname = "cluster"\nfile_pattern = "{sub}-{seat}-{microphone}.txt"\nmicrophones = 3\n' + "".join(
    f'[[subs]]\nname = "{name}"\nposition_m = {list(at)}\n' for name, at in SUBS.items()
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path, project = tmp_path_factory.mktemp("cluster"), room_project()
    places = [(seat + np.array(off)).tolist() for seat in project.seats.position_m for off in OFFSETS]
    found = modelled(project, TABLE_HZ, SUBS, places).transfer[:, len(project.seats) :]
    for index, name in enumerate(project.seats.name):
        for number in range(3):
            for c, sub in enumerate(SUBS):
                text = table_text(TABLE_HZ, found[:, 3 * index + number, c])
                (path / f"{sub}-{name}-{number + 1}.txt").write_text(text)
    return path


@pytest.fixture(scope="module")
def measured(folder: Path) -> MeasuredSet:
    (folder / "set.toml").write_text(MANIFEST)
    return load_manifest(folder / "set.toml", room_project())


def test_each_microphone_is_kept_apart_and_shares_the_seats_weight(measured: MeasuredSet) -> None:
    assert measured.seats.name[:4] == ("front 1", "front 1, microphone 2", "front 1, microphone 3", "front 2")
    assert measured.transfer.shape[1] == 9
    basis = measured_basis(room_project(), measured)
    assert basis.seats.name == measured.seats.name
    np.testing.assert_allclose(basis.seats.weight, np.repeat(room_project().seats.weight, 3) / 3.0)
    assert np.abs(np.diff(np.abs(measured.transfer[:, :3, 0]), axis=1)).max() > 1e-3
    assert any("average in energy" in note for note in measured.notes)


def test_a_fit_takes_microphones_whose_place_is_known(folder: Path, measured: MeasuredSet) -> None:
    assert measured.at_known_places().seats.name == room_project().seats.name
    own = "".join(
        f'[[responses]]\nsub = "{sub}"\nseat = "front 1"\nmicrophone = 2\noffset_m = {list(OFFSETS[1])}\n'
        f'file = "{sub}-front 1-2.txt"\n'
        for sub in SUBS
    )
    (folder / "known.toml").write_text(MANIFEST + own)
    known = load_manifest(folder / "known.toml", room_project()).at_known_places()
    assert known.seats.name == ("front 1", "front 1, microphone 2", "front 2", "front 3")
    np.testing.assert_allclose(known.seats.position_m[1] - known.seats.position_m[0], OFFSETS[1])


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("-{microphone}", "", "file_pattern has no {microphone}"),
        ("microphones = 3", "microphones = 4", "cannot be read"),
        ("microphones = 3", "microphones = 0", "microphones"),
    ],
)
def test_faults(folder: Path, old: str, new: str, words: str) -> None:
    (folder / "bad.toml").write_text(MANIFEST.replace(old, new))
    with pytest.raises(ProjectInvalid) as refused:
        load_manifest(folder / "bad.toml", room_project())
    assert words in str(refused.value) or "front 1-4.txt" in str(refused.value)


def test_the_average_is_of_energies() -> None:
    """0, -6.02 and -20 dB: (1 + 1/4 + 1/100) / 3 of the energy."""
    pressure = np.tile(np.array([1.0, -0.5, 0.1j, 2.0]), (2, 1))
    part = PartCurves(part="subs", state="after", pressure=pressure)
    names = ("a 1", "a 1, microphone 2", "a 1, microphone 3", "a 2")
    weight = np.array([1.0, 1.0, 1.0, 1.5]) / 3.0
    curves = PlanCurves(frequency_hz=np.array([20.0, 40.0]), seats=names, weight=weight, parts=(part,))
    rows = list(csv.DictReader(io.StringIO(curves_csv(curves).decode())))
    key = "a 1, average of 3 microphones, subs after [dB]"
    assert float(rows[0][key]) == pytest.approx(10 * np.log10(1.26 / 3.0), abs=1e-3)
    all_seats = float(rows[0]["average over the seats, subs after [dB]"])
    assert all_seats == pytest.approx(10 * np.log10((1.26 / 3.0 + 0.5 * 4.0) / 1.5), abs=1e-3)
    assert not any("a 2, average" in name for name in rows[0])
