"""The acoustics: air, walls, modes, ports, transfer functions, metrics, and the two file formats."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("roommodes")
except PackageNotFoundError:  # a checkout that was never installed
    __version__ = "0+unknown"
