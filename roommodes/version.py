"""Which version of the program this is."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("roommodes")
except PackageNotFoundError:  # a checkout that was never installed
    __version__ = "0+unknown"
