"""One writer at a time in the folder of a piece.

The lock is the system's own on an open file, so it ends with its process, however that ends: a file left behind locks nothing.
Where the system has no such lock (some network folders) the run goes on without: a round is put in place by one rename to a
name of its own, which only one of two runs can win.
"""

from __future__ import annotations

import errno
import os
import stat
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from featurediff.errors import PieceError
from featurediff.piece import files

NAME = "lock"
SECONDS = 30.0
_EVERY = 0.05


@contextmanager
def locked(folder: Path, seconds: float = SECONDS) -> Iterator[bool]:
    """Hold the folder's lock; True, or False where the system can't lock.

    Raises PieceError when another run holds it for ``seconds``, or when it can't be opened.
    """
    handle = _open(folder / NAME)
    try:
        yield _wait(handle, seconds)
    finally:
        os.close(handle)  # gives the lock up


def _open(path: Path) -> int:
    with suppress(FileNotFoundError):
        files.check_plain(path, stat.S_ISREG, "file")
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
    try:
        return os.open(path, flags, 0o666)
    except OSError as error:
        raise files.cannot_write(NAME, error) from None


def _wait(handle: int, seconds: float) -> bool:
    until = time.monotonic() + seconds
    while (taken := _take(handle)) is None:
        if time.monotonic() >= until:
            raise PieceError(
                f"Another run has been writing into this piece for {seconds:.0f} seconds.",
                "Wait until it is done, then try again.",
            )
        time.sleep(_EVERY)
    return taken


def _take(handle: int) -> bool | None:
    """True when the lock is ours, None when another run has it, False when the system can't lock here."""
    try:
        import fcntl
    except ImportError:  # Windows
        return _take_windows(handle)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
            return None
        if error.errno in (errno.ENOLCK, errno.ENOTSUP, errno.EINVAL, errno.ENOSYS):
            return False
        raise
    return True


def _take_windows(handle: int) -> bool | None:
    import msvcrt

    try:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
    except OSError:
        return None
    return True
