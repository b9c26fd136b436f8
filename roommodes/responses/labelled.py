"""Arrays with named axes, for those who have xarray."""

import importlib
from typing import TYPE_CHECKING, Any

from roommodes.errors import PackageMissing

if TYPE_CHECKING:
    import xarray


def xarray_package(wanted: str) -> Any:
    """The package xarray; `wanted` says what for.

    Raises
    ------
    PackageMissing : it is not installed.
    """
    try:
        return importlib.import_module("xarray")
    except ImportError:
        raise PackageMissing(
            f"{wanted} needs the package xarray, which is not installed; install roommodes with its extra: "
            "pip install 'roommodes[xarray]'"
        ) from None


def dataset(
    variables: dict[str, tuple[tuple[str, ...], Any, dict[str, str]]],
    coordinates: dict[str, tuple[tuple[str, ...], Any, dict[str, str]]],
    attributes: dict[str, Any],
) -> "xarray.Dataset":
    """A Dataset from (axes, values, attributes) by name; PackageMissing as above."""
    found: xarray.Dataset = xarray_package("to_xarray").Dataset(variables, coords=coordinates, attrs=attributes)
    return found
