"""Sets that cannot be what they say are named with their cause; sound sets of another solver raise no doubt."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from roommodes.arrays import Complexes, Floats
from roommodes.errors import ProjectInvalid
from roommodes.measured.loading import load_manifest
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from tests.independent.image_impulses import image_impulse
from tests.measuring import manifest_text, table_text, wav

RATE_HZ = 4000
HZ = np.arange(18.0, 122.0, 0.5)
SEATS = ("front 1", "front 2", "front 3", "rear 1", "rear 2")
SUBS = {"left": (0.3, 0.6, 0.3), "right": (0.3, 3.7, 0.3)}
PROJECT = """
format = 1
name = "another room"
[room]
length_m = 6.1
width_m = 4.3
height_m = 2.5
loss_factor = 0.02
[walls]
front = "board"
rear = "board"
left = "board"
right = "board"
[constructions.board]
kind = "impedance"
mass_kg_m2 = 12.0
resistance_pa_s_m = 2500
stiffness_pa_m = 9.0e5
[[rows]]
name = "front"
x_m = 3.1
y_m = [0.9, 2.0, 3.3]
ear_height_m = 1.1
[[rows]]
name = "rear"
x_m = 4.7
y_m = [1.3, 3.0]
ear_height_m = 1.2
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 4.0, 0.3]
[search]
band_hz = [20, 120]
points_per_octave = 24
"""
ROOMS = {"dead": 0.45, "ordinary": 0.8, "hard": 0.95}  # part of the sound that walls reflect


@dataclass(frozen=True)
class Site:
    """A room measured: project (walls and size somewhat wrong), impulse responses (n_sample, n_seat, n_sub)."""

    project: Project
    impulse: Floats

    def transfer(self) -> Complexes:
        """(n_freq, n_seat, n_sub) at HZ."""
        turn = np.exp(-2j * np.pi * np.outer(HZ, np.arange(len(self.impulse)) / RATE_HZ))
        return np.einsum("ft,tsc->fsc", turn, self.impulse)


def site(reflects: float) -> Site:
    project = parse_project(PROJECT, source="room.toml")
    size = np.array([6.0, 4.36, 2.47])
    walls = reflects * np.array([[1.0, 0.95], [1.02, 0.98], [1.0, 0.93]])
    found = [
        [image_impulse(size, walls, np.array(sub), seat, rate_hz=RATE_HZ, duration_s=0.35) for sub in SUBS.values()]
        for seat in project.seats.position_m
    ]
    return Site(project=project, impulse=np.moveaxis(np.array(found), -1, 0))


@pytest.fixture(scope="module")
def sites() -> Mapping[str, Site]:
    return {name: site(reflects) for name, reflects in ROOMS.items()}


def own(kind: str) -> Complexes:
    """A sub's own response: closed or vented box, with or without a low pass."""
    s = 1j * HZ / (32.0 if "closed" in kind else 24.0)
    value = s**2 / (s**2 + 1.3 * s + 1.0)
    if "vented" in kind:
        value = value * s**2 / (s**2 + 0.7 * s + 1.0)
    if "low-passed" in kind:
        p = 1j * HZ / 80.0
        value = value / (p**2 + 1.41 * p + 1.0) ** 2
    return value


Tables = Mapping[tuple[int, int], str]


def save(
    folder: Path, transfer: Complexes, *, extra: str = "", instead: Tables | None = None, known: bool = True
) -> Path:
    """The set as text tables: `instead` by (seat, sub) replaces a file's text, `known` gives the subs' places."""
    files = {}
    for s, seat in enumerate(SEATS):
        for c, sub in enumerate(SUBS):
            files[sub, seat] = f"{sub}-{s + 1}.txt"
            text = (instead or {}).get((s, c)) or table_text(HZ, transfer[:, s, c])
            (folder / files[sub, seat]).write_text(text)
    text = manifest_text(files=files, subs=SUBS, extra=extra)
    if not known:
        text = "\n".join(line for line in text.splitlines() if not line.startswith("position_m"))
    (folder / "set.toml").write_text(text)
    return folder / "set.toml"


def doubts(path: Path, project: Project) -> list[tuple[str, str]]:
    """File (the manifest: empty) and message of each doubt."""
    try:
        load_manifest(path, project)
    except ProjectInvalid as faults:
        return [(Path(fault.file).name if fault.file else "", fault.message) for fault in faults.faults]
    return []


def columns(level: Floats, phase: Floats) -> str:
    return "\n".join(f"{a:.3f}\t{b:.6f}\t{c:.6f}" for a, b, c in zip(HZ, level, phase, strict=True)) + "\n"


def linear(value: Complexes) -> str:
    return columns(np.abs(value), np.rad2deg(np.angle(value)))


def radians(value: Complexes) -> str:
    return columns(20.0 * np.log10(np.abs(value)), np.angle(value))


def noise(count: int, seed: int = 3) -> Complexes:
    random = np.random.default_rng(seed)
    return random.standard_normal(count) + 1j * random.standard_normal(count)


@pytest.mark.parametrize("room", ROOMS)
@pytest.mark.parametrize("kind", ["closed", "vented", "vented, low-passed"])
@pytest.mark.parametrize(
    ("gain_db", "late_s", "noise_db"),
    [(0.0, 0.0, -60.0), (70.0, 0.05, -25.0), (-60.0, -0.02, -25.0), (22.0, 0.0, -30.0)],
)
def test_sound_sets_raise_no_doubt(
    sites: Mapping[str, Site], room: str, kind: str, gain_db: float, late_s: float, noise_db: float, tmp_path: Path
) -> None:
    value = sites[room].transfer() * own(kind)[:, None, None]
    value[:, :, 1] *= -0.4 * np.exp(-2j * np.pi * HZ * 0.011)[:, None]  # one sub inverted, quieter and late: no fault
    rms = float(np.sqrt(np.mean(np.abs(value) ** 2)))
    value = value + rms * 10.0 ** (noise_db / 20.0) * noise(value.size).reshape(value.shape)
    value = value * 10.0 ** (gain_db / 20.0) * np.exp(-2j * np.pi * HZ * late_s)[:, None, None]
    for known in (True, False):
        assert doubts(save(tmp_path, value, known=known), sites[room].project) == []


ODD: dict[str, tuple[Callable[[Complexes], str], str]] = {  # what is done to one file -> what is said of it
    "130 dB down": (lambda v: table_text(HZ, v * 10.0**-6.5), "nothing of the sub is in it. Was the sub muted"),
    "in dB SPL": (lambda v: table_text(HZ, v * 10.0**4.7), "it seems to be in dB SPL"),
    "linear": (lambda v: linear(v * 0.7), "varies as a linear magnitude does"),
    "radians": (radians, "it is in radians, and is read as degrees"),
    "reversed": (lambda v: table_text(HZ, np.conj(v)), "it runs backwards in time"),
    "own peak": (lambda v: table_text(HZ, v / np.abs(v).max()), "it alone peaks at exactly 0 dB"),
    "noise": (lambda v: table_text(HZ, 0.3 * noise(len(HZ)) * np.abs(v).mean()), "nothing of the sub is in it"),
    "late": (lambda v: table_text(HZ, v * np.exp(-2j * np.pi * HZ * 0.09)), "its time zero is another"),
    "a sweep": (
        lambda v: table_text(HZ, v * np.exp(-2j * np.pi * np.cumsum(0.45 * np.log(HZ / HZ[0]) * 0.5))),
        "it looks like the recorded sweep itself",
    ),
}


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("room", ROOMS)
@pytest.mark.parametrize("name", ODD)
def test_an_odd_file_is_named_with_its_cause(
    sites: Mapping[str, Site], name: str, room: str, known: bool, tmp_path: Path
) -> None:
    change, said = ODD[name]
    value = sites[room].transfer() * own("closed")[:, None, None] * (0.01 if name == "own peak" else 1.0)
    path = save(tmp_path, value, instead={(3, 1): change(value[:, 3, 1])}, known=known)
    ((file, message),) = doubts(path, sites[room].project)
    assert file == "right-4.txt"
    assert said in message


@pytest.mark.parametrize("room", ROOMS)
def test_a_fault_of_the_whole_set_comes_alone_and_its_word_mends_it(
    sites: Mapping[str, Site], room: str, tmp_path: Path
) -> None:
    project, value = sites[room].project, sites[room].transfer() * own("vented")[:, None, None]
    path = save(tmp_path, np.conj(value))
    ((file, message),) = doubts(path, project)
    assert file == ""
    assert "The sign of the phase is opposite" in message
    assert "10 of 10 responses arrive before time zero" in message
    mended = load_manifest(save(tmp_path, np.conj(value), extra='[reference]\nphase_sign = "opposite"'), project)
    sound = load_manifest(save(tmp_path, value), project)
    assert np.abs(mended.transfer - sound.transfer).max() < 1e-12 * np.abs(sound.transfer).max()
    texts = {(s, c): linear(value[:, s, c]) for s in range(len(SEATS)) for c in range(len(SUBS))}
    ((file, message),) = doubts(save(tmp_path, value, instead=texts), project)
    assert (file, "varies as a linear magnitude does" in message) == ("", True)
    mend = save(tmp_path, value, instead=texts)
    mend.write_text(mend.read_text().replace('.txt"\n', '.txt"\nform = "magnitude and phase"\n'))
    found = load_manifest(mend, project)
    assert np.abs(found.transfer - sound.transfer).max() < 1e-3 * np.abs(sound.transfer).max()
    texts = {(s, c): radians(value[:, s, c]) for s in range(len(SEATS)) for c in range(len(SUBS))}
    ((file, message),) = doubts(save(tmp_path, value, instead=texts), project)
    assert (file, "it is in radians" in message) == ("", True)


@pytest.mark.parametrize("known", [True, False])
def test_a_scale_that_cannot_be(sites: Mapping[str, Site], known: bool, tmp_path: Path) -> None:
    project, value = sites["ordinary"].project, sites["ordinary"].transfer()
    loud = value * 10.0 ** (78.0 / 20.0)
    ((_, message),) = doubts(save(tmp_path, loud, extra='[reference]\nlevel = "per metre"', known=known), project)
    assert 'They look like dB SPL: say level = "pascal"' in message
    assert doubts(save(tmp_path, value, extra='[reference]\nlevel = "per metre"', known=known), project) == []
    assert doubts(save(tmp_path, loud, extra='[reference]\nlevel = "pascal"', known=known), project) == []
    ((_, message),) = doubts(save(tmp_path, value, extra='[reference]\nlevel = "pascal"', known=known), project)
    assert "quieter than a quiet room's own noise" in message


@pytest.mark.parametrize("which", [(1,), (0, 1)])
def test_two_seats_exchanged(sites: Mapping[str, Site], which: tuple[int, ...], tmp_path: Path) -> None:
    value = sites["ordinary"].transfer()
    for sub in which:
        value[:, [0, 4], sub] = value[:, [4, 0], sub]
    found = doubts(save(tmp_path, value), sites["ordinary"].project)
    assert len(found) == 2
    assert all("front 1 and rear 2 seem to be exchanged" in message for _, message in found)


def wav_site(folder: Path, samples: list[Floats]) -> Path:
    for index, sample in enumerate(samples):
        (folder / f"{index}.wav").write_bytes(wav(sample.astype(np.float32), RATE_HZ))
    files = {("left", seat): f"{index}.wav" for index, seat in enumerate(SEATS)}
    (folder / "set.toml").write_text(manifest_text(files=files, subs={"left": SUBS["left"]}))
    return folder / "set.toml"


@pytest.mark.parametrize("room", ROOMS)
def test_impulse_responses(sites: Mapping[str, Site], room: str, tmp_path: Path) -> None:
    impulse = np.concatenate([sites[room].impulse[:, :, 0], np.zeros((2 * RATE_HZ, len(SEATS)))])
    quiet = 1e-4 * np.abs(impulse).max() * noise(impulse.size).real.reshape(impulse.shape)
    sound = list((impulse + quiet).T)
    project = sites[room].project
    assert doubts(wav_site(tmp_path, sound), project) == []
    time = np.arange(len(impulse)) / RATE_HZ
    sweep = 0.3 * np.sin(2.0 * np.pi * 10.0 * 0.8 * (np.exp(time / 0.8) - 1.0)) * (time < 2.0)
    for odd, said in (
        (sound[2][::-1], "it runs backwards in time"),
        (0.01 * noise(len(time)).real, "nothing of the sub is in it"),
        (sweep, "it looks like the recorded sweep itself"),
    ):
        ((file, message),) = doubts(wav_site(tmp_path, [*sound[:2], odd, *sound[3:]]), project)
        assert file == "2.wav"
        assert said in message


@pytest.mark.parametrize(("name", "word"), [("in dB SPL", "level"), ("late", "time"), ("noise", "noise")])
def test_the_word_that_a_message_names_ends_the_question(
    sites: Mapping[str, Site], name: str, word: str, tmp_path: Path
) -> None:
    value = sites["ordinary"].transfer()
    odd = {(3, 1): ODD[name][0](value[:, 3, 1])}
    ((_, message),) = doubts(save(tmp_path, value, instead=odd, known=False), sites["ordinary"].project)
    assert f'checked = ["{word}"]' in message
    extra = f'[reference]\nchecked = ["{word}"]'
    assert doubts(save(tmp_path, value, instead=odd, extra=extra, known=False), sites["ordinary"].project) == []
