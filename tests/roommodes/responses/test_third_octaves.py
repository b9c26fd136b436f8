"""Third-octave bands against the standard, and the mean over a band."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roommodes.responses.third_octaves import (
    band_levels,
    band_named,
    bands_within,
    edges_hz,
    exact_hz,
    nearest_band,
    nominal_hz,
)


def test_centres_and_edges_are_those_of_the_standard(published, close) -> None:
    table = published("subwoofers", "third_octaves")
    bands = [band_named(hz) for hz in table["nominal_hz"]]
    assert bands == list(range(13, 24))
    close([exact_hz(band) for band in bands], table["exact_hz"], rtol=3e-5)
    assert [nominal_hz(band) for band in bands] == table["nominal_hz"]
    for band in bands:
        low, high = edges_hz(band)
        close(np.log10([exact_hz(band) / low, high / exact_hz(band)]), [table["edge_exponent"]] * 2, rtol=1e-9)
        close(high, edges_hz(band + 1)[0], rtol=1e-12)  # neighbours touch


def test_no_band_has_another_name() -> None:
    assert band_named(30.0) is None
    assert band_named(31.5) == 15


@given(st.floats(min_value=10.0, max_value=300.0))
def test_every_frequency_lies_in_its_band(hz: float) -> None:
    low, high = edges_hz(nearest_band(hz))
    assert low * (1 - 1e-9) <= hz <= high * (1 + 1e-9)


def test_levels_in_a_band_are_mean_squares(close) -> None:
    hz = np.array([49.0, 51.0, 100.0])
    bands = bands_within(hz)
    assert [nominal_hz(band) for band in bands] == [50.0, 100.0]
    levels = band_levels(hz, np.array([[0.0, 3.0], [10.0, 3.0], [3.0, 3.0]]), bands)
    close(levels, [[10 * np.log10(5.5), 3.0], [3.0, 3.0]], rtol=1e-12)


def test_bands_without_a_name_are_left_out() -> None:
    assert bands_within(np.array([7.0, 20.0, 390.0])) == (13,)
    with pytest.raises(IndexError):
        nominal_hz(40)
