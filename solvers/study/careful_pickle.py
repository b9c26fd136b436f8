"""Reading pickles without running anything in them, in a process that talks to strangers.

A pickle is a program: read as usual, it may call any function. Here only plain data and the exceptions of Python itself
are made; whatever else a pickle names becomes a `Stranger` that does nothing. For a process that does little else:
`install` puts this in place of Python's own readers, so that libraries loaded after it use it too.
"""

import builtins
import io
import pickle
from collections.abc import Iterable
from typing import Any

PLAIN = frozenset({"bytes", "bytearray", "str", "int", "float", "bool", "complex", "list", "tuple", "dict", "set"})

TBLIB = "tblib.pickling_support"  # how dask sends exceptions and tracebacks


class Stranger(Exception):  # an exception, since errors are what strangers send most
    """Stands for an object of a class that is not let in; `name` says which."""

    name = "unknown"

    def __init__(self, *arguments: object, **named: object) -> None:
        super().__init__(self.name)

    def __setstate__(self, state: object) -> None:
        """Take no state."""

    def append(self, item: object) -> None:
        """Take no items."""

    def extend(self, items: Iterable[object]) -> None:
        """Take no items."""

    def __setitem__(self, key: object, value: object) -> None:
        """Take no items."""


def _no_traceback(*frames: object) -> None:
    """In place of the traceback of a stranger's error."""


def _exception(kind: Any, arguments: Any, *about: object) -> Any:
    """An error by its class and arguments, without what went before it."""
    return kind(*arguments)


def _exception_with_attributes(kind: Any, attributes: Any, *about: object) -> Any:
    """The same where the arguments stand among attributes; no other of them is set."""
    return kind(*attributes["args"])


SENT = {
    (TBLIB, "unpickle_traceback"): _no_traceback,
    (TBLIB, "unpickle_exception"): _exception,
    (TBLIB, "unpickle_exception_with_attrs"): _exception_with_attributes,
}


class _Reader(pickle.Unpickler):
    def find_class(self, module: str, name: str, /) -> Any:
        if (module, name) in SENT:
            return SENT[module, name]
        found = getattr(builtins, name, None) if module == "builtins" else None
        if isinstance(found, type) and (name in PLAIN or issubclass(found, Exception)):
            return found
        return type("Stranger", (Stranger,), {"name": f"{module}.{name}"[:200]})


def careful_loads(data: Any, /, *, buffers: Iterable[Any] | None = None, **ignored: object) -> Any:
    """What a pickle holds; a `Stranger` for one that cannot be read."""
    try:
        return _Reader(io.BytesIO(bytes(data)), buffers=buffers).load()
    except Exception as error:
        return Stranger(str(error))


def install() -> None:
    """From now on every pickle that is read in this process is read like this."""
    pickle.loads = careful_loads
    pickle.Unpickler = _Reader  # type: ignore[misc]
