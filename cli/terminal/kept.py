"""Where the commands keep fields and modes of rooms, and filters, between runs."""

import os
from pathlib import Path

from roommodes.storage.kept import Kept

VARIABLE, OFF = "ROOMMODES_KEPT", "off"


def kept_here() -> Kept | None:
    """The folder that the environment names, else one in the user's cache; None where it says `off`."""
    asked = os.environ.get(VARIABLE, "")
    if asked == OFF:
        return None
    return Kept(folder=Path(asked) if asked else _own_folder(), software=_software)


def _own_folder() -> Path:
    import platformdirs  # noqa: PLC0415 (waits until it is needed)

    return Path(platformdirs.user_cache_dir("roommodes")) / "rooms"


def _software() -> str:
    from solvers.study.software import processor, software  # noqa: PLC0415 (the libraries load when they are needed)

    return f"{software()}; {processor()}"
