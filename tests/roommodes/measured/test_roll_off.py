"""Which sub falls off earlier than the others, in boxes by their modes that are drawn wrong by 2 %."""

import numpy as np
import pytest

from roommodes.measured.across_seats.roll_off import roll_off_notes, roll_offs
from roommodes.responses.frequency_grid import log_grid
from tests.roommodes.measured.test_far_rooms import box

HZ = log_grid(20.0, 110.0, 24)
NAMES = ("left", "right", "rear")


@pytest.mark.parametrize("vented", [True, False])
def test_a_sub_that_rolls_off_is_told_with_its_corner(vented: bool) -> None:
    told = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        size = rng.uniform([4.0, 3.2, 2.2], [7.0, 5.0, 3.0])
        seat = np.array([[x * size[0], y * size[1], 1.1] for x in (0.5, 0.7) for y in (0.3, 0.5, 0.65)])
        subs = np.array([[0.3, 0.5, 0.3], [0.3, size[1] - 0.4, 0.3], [size[0] - 0.3, 0.4 * size[1], 0.3]])
        heard, drawn = (
            np.stack([box(size * part, sub * part, seat * part, HZ, loss) for sub in subs], axis=2)
            for part, loss in ((1.0, 0.06), (1.0 + rng.uniform(-0.02, 0.02, 3), 0.03))
        )
        assert roll_offs(HZ, heard, drawn, NAMES) == (), seed
        corner = rng.uniform(28.0, 32.0) if vented else rng.uniform(38.0, 43.0)
        s = 1j * HZ / corner
        falls = (s**2 / (s**2 + 1.4142 * s + 1.0)) ** (2 if vented else 1)
        heard[:, :, 2] *= falls[:, None]
        found = roll_offs(HZ, heard, drawn, NAMES)
        if not found:
            continue
        (one,), told = found, told + 1
        level = 20.0 * np.log10(np.abs(falls))
        level -= np.median(level[(HZ > 35.0) & (HZ < 75.0)])
        assert one.name == "rear"
        assert one.below_hz == pytest.approx(float(np.interp(-6.0, level, HZ)), rel=0.15)
        assert "rear rolls off below" in roll_off_notes(found)[0]
        assert ("vented" in roll_off_notes(found)[0]) <= vented
    assert told >= (8 if vented else 5)


def test_nothing_is_said_without_places_or_others() -> None:
    rng = np.random.default_rng(1)
    heard = rng.normal(size=(len(HZ), 4, 2)) + 1j * rng.normal(size=(len(HZ), 4, 2))
    heard[:, :, 1] *= (HZ / 110.0)[:, None] ** 4
    assert roll_offs(HZ, heard, np.full_like(heard, np.nan), NAMES[:2]) == ()
    assert roll_offs(HZ, heard[:, :, 1:], np.ones_like(heard[:, :, 1:]), NAMES[1:2]) == ()
