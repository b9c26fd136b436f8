"""Measurements with a level, per metre or at a known voltage, give headroom."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from typer.testing import Result

from roommodes.plan.file import read_results
from tests.cli.test_optimise_measured import SUBS, TEXT, write_measured

Run = Callable[..., Result]
LIMITED = TEXT + '[subwoofer]\nname = "box"\nmax_level_1m_db = 110\n'


def test_measurements_with_a_level_give_headroom(run: Run, tmp_path: Path) -> None:
    write_measured(tmp_path, extra='[reference]\nlevel = "per metre"\n')
    (tmp_path / "room.toml").write_text(LIMITED)
    done = run("optimise", "room.toml", "--measured", "set.toml", "-o", "p.h5", "--counts", 3, "-q")
    assert done.exit_code == 0, done.output
    loud = run("headroom", "p.h5", "--json")
    assert loud.exit_code == 0, loud.output
    assert json.loads(loud.stdout)["responses"] == "measured"


@pytest.mark.parametrize(
    ("volts", "words"), [([5.0] * 4, "measured with 5 V (rms)"), ([2.0, 5.0, 8.0, 4.0], "measured with 2 to 8 V (rms)")]
)
def test_sound_pressure_at_a_known_voltage_gives_headroom(
    run: Run, tmp_path: Path, volts: list[float], words: str
) -> None:
    """Amplifiers of 300 W into 4 ohm give 34.6 V: by so much over each sub's voltage at 0 dB it can be louder."""
    amplifier = "[subwoofer.amplifier]\npower_w = 300\nload_ohm = 4\n"
    write_measured(tmp_path, extra='[reference]\nlevel = "pascal"\ndrive_v = 5.0\n', raised_db=82.0)
    manifest = tmp_path / "set.toml"
    for name, own in zip(SUBS, volts, strict=False):
        if own != 5.0:
            text = manifest.read_text().replace(
                f'[[subs]]\nname = "{name}"\n', f'[[subs]]\nname = "{name}"\ndrive_v = {own}\n'
            )
            manifest.write_text(text)
    volt_of = dict(zip(SUBS, volts, strict=False))
    (tmp_path / "room.toml").write_text(LIMITED + amplifier)
    done = run("optimise", "room.toml", "--measured", "set.toml", "-o", "p.h5", "--counts", 2)
    assert done.exit_code == 0, done.output
    assert words in " ".join(done.stdout.split())
    plan = read_results(Path("p.h5")).plan(2)
    hz = plan.frequency_hz[(plan.frequency_hz > 35.5) & (plan.frequency_hz < 44.7)]  # of the band at 40 Hz
    weights, total = plan.drives.weights(hz), np.zeros((len(hz), 5), dtype=complex)
    for c, name in enumerate(plan.zones):
        for s in range(5):
            at, level, phase = np.loadtxt(f"{name}-{s}.txt").T
            total[:, s] += weights[:, c] * np.interp(hz, at, 10 ** (level / 20) * np.exp(1j * np.radians(phase)))
    at_terminals = max(volt_of[name] * abs(weight) for name, weight in zip(plan.zones, weights[0], strict=True))
    louder_db = 20 * np.log10(np.sqrt(300 * 4) / at_terminals)
    expected = 10 * np.log10(np.mean(np.abs(total) ** 2, axis=0)) + louder_db
    said = json.loads(run("headroom", "p.h5", "--json").stdout)
    band = next(one for one in said["bands"] if one["nominal_hz"] == 40)
    np.testing.assert_allclose(band["highest_db"], expected, atol=0.1)
    assert (band["limited_by"], band["one_sub_1m_db"], band["room_gain_db"][0]) == ("amplifier's voltage", None, None)
    text = run("headroom", "p.h5")
    assert "only limit that is known" in " ".join(text.stdout.split())
    assert words in " ".join(text.stdout.split())
    assert run("report", "p.h5", "-o", "r.html", "-q").exit_code == 0
    assert "dB SPL" in Path("r.html").read_text()
