"""The fit: slopes against differences, a room of known sizes found again, a wrong one refused, the file kept."""

from pathlib import Path

import numpy as np
import pytest

from roommodes.errors import ProjectInvalid
from roommodes.measured.loading import MeasuredSet, load_manifest
from roommodes.project.reading import parse_project
from roommodes.running import Running
from solvers.fit.corrected_project import corrected_project
from solvers.fit.model import FitModel
from solvers.fit.outcome import Fit
from solvers.fit.parameters import Space
from solvers.fit.run import Settings, fit
from solvers.fit.verdict import Verdict
from tests.measuring import ROOM, SUBS, modelled, room_project, write_set

LONGER = ROOM.replace("length_m = 5.2", "length_m = 5.25").replace("mass_kg_m2 = 14.0", "mass_kg_m2 = 17.0")
HELD = ("subs", "microphones")


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> MeasuredSet:
    """Responses of a room 5 cm longer and with a heavier lining than the project says, 1 % noise."""
    folder = tmp_path_factory.mktemp("set")
    truth = modelled(
        room_project(LONGER), np.geomspace(20.0, 100.0, 4 * 28 + 1), SUBS
    )  # on the project's own grid and between
    rng = np.random.default_rng(4)
    size = 0.01 * np.sqrt(np.mean(np.abs(truth.transfer) ** 2) / 2.0)
    noise = size * (rng.normal(size=truth.transfer.shape) + 1j * rng.normal(size=truth.transfer.shape))
    noisy = type(truth)(hz=truth.hz, transfer=truth.transfer + noise)
    return load_manifest(write_set(folder, noisy, extra='[reference]\nlevel = "per metre"'), room_project())


@pytest.fixture(scope="module")
def found(measured: MeasuredSet) -> Fit:
    return fit(room_project(), measured, Settings(hold=HELD))


def test_a_room_five_centimetres_longer_is_found_within_its_uncertainty(found: Fit) -> None:
    values = {one.parameter.name: one for one in found.estimates}
    length, mass = values["length_m"], values["lining.mass_kg_m2"]
    assert found.verdict is Verdict.NOISE
    assert abs(length.value - 5.25) < 3.0 * length.deviation < 0.02
    assert abs(mass.value - 17.0) < 3.0 * mass.deviation < 2.0
    assert found.compared.misfit_after < 0.03
    assert found.compared.misfit_before > 0.1


def test_a_wrong_size_that_is_held_is_refused_and_named(measured: MeasuredSet) -> None:
    result = fit(room_project(), measured, Settings(hold=("size", *HELD)))
    assert result.verdict is Verdict.REFUSED
    move, share = result.suspects["length_m"]
    assert 0.02 < move < 0.08
    assert share > 0.2


def test_the_corrected_project_keeps_the_text_and_its_comments(measured: MeasuredSet, found: Fit) -> None:
    text = ROOM.replace("length_m = 5.2", "length_m = 5.2  # by tape")
    project = parse_project(text, source="room.toml")
    after = corrected_project(project, measured, found)
    assert "# by tape" in after
    corrected = parse_project(after, source="corrected.toml")
    assert corrected.room.length_m == pytest.approx(5.25, abs=0.01)
    assert corrected.room.length_m == pytest.approx(found.situation.room.length_m, abs=1e-4)
    assert corrected.tables.rows == project.tables.rows


DOTTED = "room.length_m = 5.2  # by tape\nroom.width_m = 3.9\nroom.height_m = 2.4\n"
TABLE = "[room]\nlength_m = 5.2\nwidth_m = 3.9\nheight_m = 2.4\n"
IN_A_TEXT = 'description = """\n[room]\nlength_m = 5.2\nas the drawing has it"""\n'
LINING = ROOM[ROOM.index("[constructions") : ROOM.index("[[rows]]")]
UNLINED = ROOM.replace(LINING, "")


@pytest.mark.parametrize(
    "text",
    [
        ROOM.replace(TABLE + "loss_factor = 0.03\n", DOTTED),
        ROOM.replace("[room]\n", '["room"] # by tape\n'),
        UNLINED.replace("[room]\n", LINING + IN_A_TEXT + "[room] # by tape\n").replace("loss_factor = 0.03\n", ""),
        ROOM.replace(TABLE + "loss_factor = 0.03\n", TABLE + "# by tape\n"),
        ROOM.replace("\n", "\r\n").replace("height_m = 2.4", "height_m = 2.4 # by tape"),
        "constructions.lining.kind = 'impedance' # by tape\nconstructions.lining.mass_kg_m2 = 14\n" + UNLINED,
        "constructions = { lining = { kind = 'impedance', mass_kg_m2 = 14 } } # by tape\n" + UNLINED,
    ],
    ids=["dotted", "quoted", "in a text", "no loss", "CRLF", "dotted construction", "inline construction"],
)
def test_a_project_is_corrected_however_it_writes_its_tables(text: str, measured: MeasuredSet, found: Fit) -> None:
    after = corrected_project(parse_project(text, source="room.toml"), measured, found)
    assert "by tape" in after
    assert IN_A_TEXT not in text or IN_A_TEXT in after
    assert after.count("\r\n") in {0, after.count("\n")}
    corrected, fitted = parse_project(after, source="corrected.toml"), found.situation
    assert corrected.room.size_m == pytest.approx(fitted.room.size_m, abs=1e-4)
    assert corrected.room.loss_factor == pytest.approx(fitted.room.loss_factor, rel=1e-4)
    wanted = fitted.tables["lining"].model_dump()
    for key, value in corrected.tables.constructions["lining"].model_dump(exclude={"description"}).items():
        assert value == (pytest.approx(wanted[key], rel=1e-4) if isinstance(value, float) else wanted[key]), key


def test_slopes_are_those_of_differences() -> None:
    project = room_project()
    sub_m = np.array(list(SUBS.values()))
    seats = project.seats
    space = Space(project, sub_name=tuple(SUBS), sub_m=sub_m, seat_name=seats.name, seat_m=seats.position_m)
    model = FitModel(space, np.array([25.0, 47.0, 80.0]), Running())
    u = np.zeros(len(space.free))
    response = model.response(u, space.free, {})
    assert response is not None
    for place, parameter in enumerate(space.free):
        step = 0.02 * np.eye(len(u))[place]
        ahead, behind = model.transfer(space.situation(u + step)), model.transfer(space.situation(u - step))
        assert ahead is not None
        assert behind is not None
        wanted = (ahead - behind) / 0.04
        assert np.linalg.norm(response.slopes[parameter] - wanted) < 0.05 * np.linalg.norm(wanted), parameter.name


def test_sizes_have_slopes_where_a_glass_wall_gains_a_mode_with_every_millimetre() -> None:
    table = 'kind = "double glazing"\ninner_mass_kg_m2 = 15.0\nouter_mass_kg_m2 = 20.0\ngap_m = 0.08\n'
    text = ROOM.replace(ROOM[ROOM.index('kind = "impedance"') : ROOM.index("[[rows]]")], table)
    text = text.replace("width_m = 3.9\nheight_m = 2.4", "width_m = 4.0428684084789435\nheight_m = 2.5572212137887838")
    project = room_project(text)
    seats, sub_m = project.seats, np.array(list(SUBS.values()))
    space = Space(project, sub_name=tuple(SUBS), sub_m=sub_m, seat_name=seats.name, seat_m=seats.position_m)
    model = FitModel(space, np.array([40.0, 100.0]), Running())
    u, (height,) = np.zeros(len(space.free)), [p for p in space.free if p.key == "height_m"]
    response = model.response(u, [height], {})
    assert response is not None
    step = 0.02 * np.eye(len(u))[space.free.index(height)]
    ahead, behind = model.transfer(space.situation(u + step)), model.transfer(space.situation(u - step))
    assert ahead is not None
    assert behind is not None
    wanted = (ahead - behind) / 0.04
    assert np.linalg.norm(response.slopes[height] - wanted) < 0.05 * np.linalg.norm(wanted)


def test_an_unknown_name_to_hold_is_refused(measured: MeasuredSet) -> None:
    with pytest.raises(ProjectInvalid, match=r'"sizes" is nothing that a fit may change. Did you mean size\?'):
        fit(room_project(), measured, Settings(hold=("sizes",)))


def test_the_command_writes_and_refuses(tmp_path: Path) -> None:
    from typer.testing import CliRunner  # noqa: PLC0415

    from cli.main import app  # noqa: PLC0415

    write_set(tmp_path, modelled(room_project(), np.geomspace(15.0, 120.0, 145), SUBS))
    (tmp_path / "room.toml").write_text(ROOM)
    words = ["fit", str(tmp_path / "room.toml"), str(tmp_path / "set.toml"), "--hold", "microphones", "--hold", "subs"]
    out = tmp_path / "out.toml"
    result = CliRunner().invoke(app, [*words, "-o", str(out), "--figure", str(tmp_path / "fit.png")])
    assert result.exit_code == 0, result.output
    assert "What the measurements tell" in result.output
    assert out.exists()
    assert (tmp_path / "fit.png").stat().st_size > 10_000
    again = CliRunner().invoke(app, [*words, "-o", str(out)])
    assert again.exit_code == 5
