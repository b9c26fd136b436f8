"""First milliseconds of impulse responses, from image sources in rooms that have nothing to do with the project."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from roommodes.arrays import Floats
from roommodes.errors import ProjectInvalid
from roommodes.measured.doubts import Judged
from roommodes.measured.files import Impulse
from roommodes.measured.first_sound import first_sound_doubts
from roommodes.measured.loading import MeasuredSet, load_manifest
from tests.independent.image_impulses import image_impulse
from tests.independent.image_sources import image_sum
from tests.measuring import SEATS, SUBS, manifest_text, room_project, wav

RATE = 4000
SPEED = 343.2
ALL = Judged(polarity=True, level=True, time=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """A seeded box, its sub, its seats, and what was measured there with noise: (n_seat, n_sample)."""

    sub_m: Floats
    seat_m: Floats
    sample: Floats

    @property
    def away_s(self) -> Floats:
        return np.linalg.norm(self.seat_m - self.sub_m, axis=1) / SPEED


def seeded_room(seed: int) -> Room:
    """Walls from nearly rigid to soft and absorbing, any box, crossover and latency."""
    rng = np.random.default_rng(seed)
    size = rng.uniform([3.5, 2.8, 2.2], [11.0, 8.0, 3.6])
    walls = rng.uniform(0.75, 0.98, (3, 2))
    for _ in range(rng.integers(0, 3)):
        walls[rng.integers(3), rng.integers(2)] = rng.uniform(-0.3, 0.7)
    sub = np.array([rng.uniform(0.2, 1.0), rng.uniform(0.2, size[1] - 0.2), rng.uniform(0.15, 0.5)])
    across = rng.uniform(0.4, size[1] - 0.4, rng.integers(3, 8))
    seats = np.array([[rng.uniform(0.45, 0.9) * size[0], y, rng.uniform(1.0, 1.3)] for y in across])
    chain = butter(int(rng.choice([2, 4])), rng.uniform(16, 40), "high", fs=RATE, output="sos")
    if rng.random() < 0.8:
        chain = np.vstack([chain, *[butter(2, rng.uniform(60, 180), fs=RATE, output="sos")] * rng.integers(1, 3)])
    latency = np.zeros(int(rng.uniform(0.0, 0.03) * RATE))
    sample = []
    for seat in seats:
        one = image_impulse(size, walls, sub, seat, rate_hz=RATE, duration_s=0.5)
        sample.append(sosfilt(chain, np.concatenate([latency, one, np.zeros(400 - len(latency))])))
    noise = np.abs(sample).max() * 10.0 ** rng.uniform(-3.0, -1.5)
    return Room(sub_m=sub, seat_m=seats, sample=np.array(sample) + 0.3 * noise * rng.normal(size=(len(seats), 2400)))


def impulses(sample: Floats) -> list[Impulse]:
    return [Impulse(sample=one, rate_hz=float(RATE)) for one in sample]


def test_the_image_impulses_are_the_image_sum() -> None:
    size, source, seat = np.array([5.0, 4.0, 2.5]), np.array([0.3, 0.4, 0.3]), np.array([3.0, 2.2, 1.1])
    sample = image_impulse(size, np.ones((3, 2)), source, seat, rate_hz=16000, duration_s=0.25)
    for hz in (30.0, 70.0):
        omega = 2.0 * np.pi * hz - 60j  # damped by e^{-60 t}, so that the end does not count
        mine = (sample * np.exp(-1j * omega * np.arange(len(sample)) / 16000.0)).sum()
        (theirs,) = image_sum(size, source, seat, np.array([omega / SPEED]), reach_m=85.8)
        assert abs(mine - theirs) < 1e-3 * abs(theirs)


@pytest.mark.parametrize("placed", [True, False])
def test_sound_responses_are_not_blamed_and_a_turned_one_is_found(placed: bool) -> None:
    judged = ALL if placed else Judged(polarity=True, level=False, time=False)
    for seed in range(25):
        room = seeded_room(seed)
        away = room.away_s if placed else np.full(len(room.seat_m), np.nan)
        assert not first_sound_doubts(impulses(room.sample), away, judged=judged), seed
        turned = room.sample.copy()
        odd = seed % len(turned)
        turned[odd] *= -1.0
        (doubt,) = first_sound_doubts(impulses(turned), away, judged=judged)
        assert (doubt.seat, "its polarity differs" in doubt.message) == (odd, True), seed


def test_a_scaled_and_a_late_response_are_found() -> None:
    found = 0
    for seed in range(25):
        room = seeded_room(seed)
        odd = seed % len(room.sample)
        soft, late = room.sample.copy(), room.sample.copy()
        soft[odd] *= 0.1
        late[odd] = np.roll(late[odd], RATE * 15 // 1000)
        (doubt,) = first_sound_doubts(impulses(soft), room.away_s, judged=ALL)
        assert doubt.seat == odd, seed
        assert "dB softer than its distance" in doubt.message, seed
        doubts = first_sound_doubts(impulses(late), room.away_s, judged=ALL)
        assert all(doubt.seat == odd for doubt in doubts), seed
        found += any("15 ms later than its distance" in doubt.message for doubt in doubts)
    assert found >= 24


def loaded(folder: Path, *, turned: str = "", reference: str = "", sub: str = "") -> MeasuredSet:
    """The test room's project, with impulse responses of a far larger, softer room; one of `turned` is upside down."""
    project = room_project()
    seats = project.seats.position_m
    files = {}
    for name, place in SUBS.items():
        for number, (seat, at) in enumerate(zip(SEATS, seats, strict=True), 1):
            one = image_impulse(
                np.array([9.0, 6.5, 3.1]),
                np.array([[0.9, 0.4], [0.95, 0.85], [0.9, -0.2]]),
                np.array(place),
                at,
                rate_hz=RATE,
                duration_s=1.0,
            )
            files[name, seat] = f"{name}-{number}.wav"
            sign = -1.0 if files[name, seat] == turned else 1.0
            chain = butter(2, [25.0, 150.0], "bandpass", fs=RATE, output="sos")
            (folder / files[name, seat]).write_bytes(wav((sign * sosfilt(chain, one)).astype(np.float32), RATE))
    text = manifest_text(files=files, subs=SUBS, extra=f"[reference]\n{reference}")
    text = text.replace('[[subs]]\nname = "left"', f'[[subs]]\nname = "left"\n{sub}')
    (folder / "set.toml").write_text(text, encoding="utf-8")
    return load_manifest(folder / "set.toml", project)


def test_a_set_of_another_room_is_read_and_its_one_turned_file_is_named(tmp_path: Path) -> None:
    loaded(tmp_path)
    with pytest.raises(ProjectInvalid) as caught:
        loaded(tmp_path, turned="left-2.wav")
    (fault,) = caught.value.faults
    assert Path(fault.file).name == "left-2.wav"
    assert "its first milliseconds run opposite" in fault.message
    assert 'checked = ["polarity"]' in fault.message


def test_what_a_person_has_checked_is_not_doubted(tmp_path: Path) -> None:
    word = 'checked = ["polarity"]'
    loaded(tmp_path, turned="left-2.wav", reference=word)
    loaded(tmp_path, turned="left-2.wav", sub=word)
    with pytest.raises(ProjectInvalid, match=r"right-1\.wav.*polarity"):
        loaded(tmp_path, turned="right-1.wav", sub=word)  # of the other sub
    with pytest.raises(ProjectInvalid, match="polarity"):
        loaded(tmp_path, turned="left-2.wav", sub='checked = ["time"]')
    with pytest.raises(ProjectInvalid, match=r"polarity.*level.*time"):
        loaded(tmp_path, reference='checked = ["phase"]')
