"""A lock on an open file, which the system lets go of when the process ends, however it ends."""

import sys


def take_lock(descriptor: int) -> bool:
    """Take the lock of an open file without waiting; False when another process has it.

    Closing the descriptor lets go of it. File systems without such locks (some shared ones) say False or lie.
    """
    try:
        if sys.platform == "win32":
            import msvcrt  # noqa: PLC0415 (there only)

            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl  # noqa: PLC0415 (not there)

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
