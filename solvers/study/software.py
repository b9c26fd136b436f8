"""Which software computes: the code of this program and the libraries under it, as one line that can be compared.

Two processes with the same line compute the same, but for the last bits where their processors differ.
"""

import platform
import sys
from functools import lru_cache
from hashlib import sha256
from importlib.metadata import version
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from threadpoolctl import threadpool_info

from roommodes.version import __version__

PACKAGES = ("roommodes", "solvers")  # whose code shapes a result
LIBRARIES = ("numpy", "scipy", "numba", "llvmlite")
SUFFIXES = (".py", ".toml")
CODE_DIGITS = 16


@lru_cache(maxsize=1)
def software() -> str:
    """The program with the fingerprint of its code, Python, the numerical libraries and their linear algebra."""
    libraries = [f"{name} {version(name)}" for name in LIBRARIES]
    algebra = sorted({_linear_algebra(np), _linear_algebra(scipy)})
    python = f"{sys.implementation.name} {platform.python_version()}"
    return "; ".join([f"roommodes {__version__}, code {_code()}", ", ".join([python, *libraries]), ", ".join(algebra)])


@lru_cache(maxsize=1)
def processor() -> str:
    """The kind of processor, as numpy's linear algebra sees it; results of different kinds differ in last bits.

    SciPy's own library sees the same processor, and takes a tenth of a second to load.
    """
    kinds = {
        str(entry.get("architecture") or "")
        for entry in threadpool_info()
        if entry["user_api"] == "blas" and not _of_scipy(entry["filepath"])
    }
    return " ".join([platform.machine(), *sorted(kinds - {""})])


def _of_scipy(library: str) -> bool:
    """Whether it lies in a folder of SciPy's: scipy.libs, scipy/.dylibs."""
    return any(part.startswith("scipy") for part in Path(library).parts[-3:-1])


def _code() -> str:
    digest = sha256()
    for package in PACKAGES:
        for name, content in sorted(_sources(files(package), package)):
            digest.update(f"{name}\0{len(content)}\0".encode() + content)
    return digest.hexdigest()[:CODE_DIGITS]


def _sources(folder: Traversable, name: str) -> list[tuple[str, bytes]]:
    found = []
    for entry in folder.iterdir():
        if entry.is_dir() and entry.name != "__pycache__":
            found += _sources(entry, f"{name}/{entry.name}")
        elif entry.name.endswith(SUFFIXES):
            found.append((f"{name}/{entry.name}", entry.read_bytes()))
    return found


def _linear_algebra(library: Any) -> str:
    built: dict[str, Any] = library.show_config(mode="dicts")
    blas = built.get("Build Dependencies", {}).get("blas", {})
    return f"{blas.get('name', 'linear algebra')} {blas.get('version', 'unknown')}"
