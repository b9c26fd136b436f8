"""What every test may use."""

import os
import tomllib
from pathlib import Path
from typing import Any, Protocol

# One process per core does the work: threads of the linear algebra library would only wait for each other (a third
# of the processor time). Read when NumPy is loaded, and by every program that a test starts.
if "OPENBLAS_NUM_THREADS" not in os.environ:
    os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ["ROOMMODES_KEPT"] = "off"  # what is tested is worked out

import numpy as np
import pytest
from hypothesis import settings
from numpy.typing import ArrayLike

settings.register_profile("untimed", deadline=None)  # no test hangs on how busy the machine is
settings.load_profile("untimed")


def pytest_xdist_auto_num_workers() -> int:
    """For `-n auto`: one more than there are processors, since tests of clusters, signals and locks wait."""
    return int(os.environ.get("PYTEST_XDIST_AUTO_NUM_WORKERS") or (os.cpu_count() or 1) + 1)


class Close(Protocol):
    """The shape of the `close` fixture, for annotations."""

    def __call__(self, actual: ArrayLike, expected: ArrayLike, rtol: float, *, scale: float | None = None) -> None: ...


def check_close(actual: ArrayLike, expected: ArrayLike, rtol: float, *, scale: float | None = None) -> None:
    """Fail unless |actual - expected| <= rtol * |expected|, entry by entry.

    Parameters
    ----------
    actual, expected : numbers or arrays of one shape, real or complex.
    rtol : relative tolerance, above 0 and below 1: a result of zero must fail.
    scale : compares with this one size in place of each entry's own, for arrays with zeros or deep nulls;
        it may not exceed the largest |expected|.
    """
    want, got = np.asarray(expected), np.asarray(actual)
    size = np.abs(want)
    assert got.shape == want.shape, f"shapes differ: got {got.shape}, expected {want.shape}"
    assert 0.0 < rtol < 1.0, f"a tolerance of {rtol} would let zero pass"
    assert np.all(np.isfinite(want)), "an expected value is not finite"
    if scale is None:
        assert np.all(size > 0.0), "an expected value is zero: give a scale, or test a bound of its own"
        allowed = rtol * size
    else:
        assert 0.0 < scale <= size.max(), f"the scale {scale} exceeds the largest expected value {size.max()}"
        allowed = np.full(want.shape, rtol * scale)
    error = np.abs(got - want)
    wrong = ~(error <= allowed)  # catches NaN
    if not wrong.any():
        return
    worst = np.unravel_index(np.argmax(np.where(np.isnan(error), np.inf, error / allowed)), error.shape)
    relative = error[worst] / (size[worst] if scale is None else scale)
    with np.errstate(divide="ignore", invalid="ignore"):
        digits = -np.log10(relative)
    raise AssertionError(
        f"{int(wrong.sum())} of {wrong.size} outside rtol {rtol:g}; worst at {tuple(map(int, worst))}: "
        f"got {got[worst]!r}, expected {want[worst]!r}, {digits:.1f} digits match"
    )


@pytest.fixture
def close() -> Close:
    """`close(actual, expected, rtol)`: a comparison whose tolerance can fail."""
    return check_close


class Published(Protocol):
    """The shape of the `published` fixture, for annotations."""

    def __call__(self, file: str, table: str) -> dict[str, Any]: ...


@pytest.fixture
def published() -> Published:
    """`published(file, table)`: one table of outside values with its source, from tests/published/<file>.toml."""

    def read(file: str, table: str) -> dict[str, Any]:
        path = Path(__file__).parent / "published" / f"{file}.toml"
        values: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))[table]
        assert values["source"], f"{path.name} [{table}] names no source"
        return values

    return read
