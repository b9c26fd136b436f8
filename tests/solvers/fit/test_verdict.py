"""What a fit says of itself, on rooms that the project cannot become: held against other solvers' responses."""

from pathlib import Path

import numpy as np
import pytest

from roommodes.measured.loading import load_manifest
from roommodes.project.reading import parse_project
from solvers.fit.run import Settings, fit
from solvers.fit.verdict import Verdict
from tests.independent.l_shaped_room import l_shaped_transfer

BOX = """
format = 1
name = "taken for a box"
[room]
length_m = 6.0
width_m = 5.0
height_m = 2.5
loss_factor = 0.03
[walls]
front = "wall"
rear = "wall"
left = "wall"
right = "wall"
[constructions."wall"]
kind = "admittance"
beta_re = 0.01
[[rows]]
name = "row"
x_m = 3.0
y_m = [1.0, 1.9, 2.8]
ear_height_m = 1.1
[[rows]]
name = "back"
x_m = 4.6
y_m = [0.8, 1.7, 2.6]
ear_height_m = 1.3
[layout]
positions_m = [[0.4, 0.5, 0.3], [0.4, 4.3, 0.3]]
[search]
band_hz = [20, 100]
points_per_octave = 16
"""
SUBS = np.array([[0.4, 0.5, 0.3], [0.4, 4.3, 0.3]])
HZ = np.arange(18.0, 104.0, 0.5)


def write(folder: Path, transfer: np.ndarray, seats: tuple[str, ...]) -> Path:
    """The responses as tables of real and imaginary parts, with their manifest."""
    text = 'format = 1\nname = "set"\n'
    for index, place in enumerate(SUBS.tolist()):
        text += f'[[subs]]\nname = "sub {index}"\nposition_m = {place}\n'
        for number, seat in enumerate(seats):
            value = transfer[:, number, index]
            rows = "\n".join(f"{f} {z.real:.9g} {z.imag:.9g}" for f, z in zip(HZ, value, strict=True))
            (folder / f"{index}-{number}.txt").write_text(rows)
            text += f'[[responses]]\nsub = "sub {index}"\nseat = "{seat}"\nfile = "{index}-{number}.txt"\n'
            text += 'form = "real and imaginary"\n'
    (folder / "set.toml").write_text(text)
    return folder / "set.toml"


@pytest.mark.parametrize("noise", [0.0025, 0.01])
def test_a_room_that_is_no_box_is_not_explained_up_to_noise(tmp_path: Path, noise: float) -> None:
    project = parse_project(BOX, source="box.toml")
    seats = project.seats
    transfer = l_shaped_transfer(
        (6.0, 5.0, 2.5), (4.0, 3.4), frequency_hz=HZ, seat_m=seats.position_m, sub_m=SUBS, loss_factor=0.03
    )
    rng = np.random.default_rng(3)
    size = noise * np.sqrt(np.mean(np.abs(transfer) ** 2) / 2.0)
    transfer = transfer + size * (rng.normal(size=transfer.shape) + 1j * rng.normal(size=transfer.shape))
    measured = load_manifest(write(tmp_path, transfer, seats.name), project)
    told = measured.noise / (np.sqrt(2.0) * size)
    assert np.nanmax(np.abs(np.log(told))) < np.log(1.5)
    assert np.isfinite(told).mean() > 0.3
    found = fit(project, measured, Settings(hold=("microphones",)))
    assert found.compared.misfit_after > 5.0 * (found.judgement.noise or 1.0)
    assert found.verdict in {Verdict.PARTLY, Verdict.REFUSED}
    assert found.judgement.excess is not None
    assert found.judgement.excess > 3.0
    assert "up to noise:" not in found.judgement.text
