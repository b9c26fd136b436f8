"""The comparison that the other tests rely on must itself be able to fail."""

import numpy as np
import pytest

from tests.conftest import Close


def test_close_passes_and_fails_where_it_should(close: Close) -> None:
    close([1.0, 2.0], [1.0005, 2.001], 1e-3)
    close(1.0 + 1e-4j, 1.0, 1e-3)
    with pytest.raises(AssertionError, match=r"2\.7 digits match"):
        close(1.002, 1.0, 1e-3)
    with pytest.raises(AssertionError, match="1 of 2 outside"):
        close([1.0, np.nan], [1.0, 1.0], 1e-3)


@pytest.mark.parametrize(
    ("expected", "rtol", "scale", "why"),
    [
        (0.0, 1e-3, None, "is zero"),
        (1.0, 1.0, None, "would let zero pass"),
        (1.0, 0.1, 20.0, "exceeds the largest"),
        (np.inf, 0.1, None, "not finite"),
    ],
)
def test_close_refuses_a_tolerance_that_zero_would_pass(
    close: Close, expected: float, rtol: float, scale: float | None, why: str
) -> None:
    with pytest.raises(AssertionError, match=why):
        close(0.0, expected, rtol, scale=scale)


def test_close_refuses_another_shape(close: Close) -> None:
    with pytest.raises(AssertionError, match="shapes differ"):
        close([1.0], [[1.0]], 0.1)
