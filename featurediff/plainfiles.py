"""Plain files: read within bounds, and begun under a name that nobody can have prepared.

A pipe would keep a run waiting for ever, and a device never ends. A folder that came from elsewhere may hold links under any name
that can be foreseen, and what is written to a link goes where it leads.
"""

from __future__ import annotations

import errno
import os
import secrets
import stat
from pathlib import Path

_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)


class NotPlainError(OSError):
    """A pipe, a device or a socket."""

    def __init__(self) -> None:
        super().__init__("it is no plain file")
        self.strerror = "it is no plain file"


class TooLargeError(OSError):
    """More bytes than were allowed; ``size`` of them."""

    def __init__(self, size: int) -> None:
        super().__init__(f"{size} bytes are too many")
        self.size, self.strerror = size, f"{size} bytes are too many"


def read_plain(path: Path, most: int) -> bytes:
    """The bytes of a plain file; links to one are followed.

    Raises NotPlainError, TooLargeError when there are more than ``most``, IsADirectoryError, any other OSError, and ValueError
    for a name that no file can have.
    """
    _check(os.stat(path), most)  # before it is opened: opening alone may make a device do something
    with os.fdopen(os.open(path, _FLAGS), "rb") as file:
        _check(os.fstat(file.fileno()), most)
        data = file.read(most + 1)
    if len(data) > most:  # it grows, or does not tell its size
        raise TooLargeError(len(data))
    return data


def new_beside(path: Path) -> Path:
    """An empty new file in the folder of ``path`` with its ending, to be filled and put there. Raises OSError, ValueError."""
    new = path.with_name(f".{path.stem[:60]}-{secrets.token_hex(8)}{path.suffix}")
    os.close(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_CLOEXEC", 0), 0o666))
    return new


def _check(status: os.stat_result, most: int) -> None:
    if stat.S_ISDIR(status.st_mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    if not stat.S_ISREG(status.st_mode):
        raise NotPlainError
    if status.st_size > most:
        raise TooLargeError(status.st_size)
