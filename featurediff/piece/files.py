"""Files of a piece: read within bounds, written whole or not at all, never through a symbolic link.

Only names of our own are used inside the folder; nothing that a file says is taken for a path.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from featurediff.errors import PieceError

LARGEST_JSON = 20_000_000
LARGEST_PICTURE = 400_000_000
# Where the system knows it, a symbolic link in place of the file is refused while opening, without a gap in time.
_NO_LINK = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0)
_BINARY = getattr(os, "O_BINARY", 0)


def read(path: Path, most: int) -> bytes:
    """The bytes of a plain file of at most ``most`` bytes. Raises PieceError; FileNotFoundError when there is none."""
    check_plain(path, stat.S_ISREG, "file")
    try:
        handle = os.open(path, os.O_RDONLY | _NO_LINK | _BINARY)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise PieceError(
            f"'{path.name}' of the piece can't be read: {error.strerror or error}.", "Check its permissions."
        ) from None
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise _not_plain(path, "file")
        try:
            data = file.read(most + 1)
        except OSError as error:
            raise PieceError(f"'{path.name}' of the piece can't be read: {error.strerror or error}.") from None
    if len(data) > most:
        raise PieceError(
            f"'{path.name}' of the piece is larger than {most} bytes.", "It was not written by featurediff; remove it."
        )
    return data


def check_plain(path: Path, wanted: Callable[[int], bool], what: str) -> None:
    """Raise PieceError when ``path`` is a symbolic link or no plain ``what``; FileNotFoundError when there is none."""
    try:
        mode = os.lstat(path).st_mode
    except NotADirectoryError as error:
        raise FileNotFoundError(str(error)) from None
    except FileNotFoundError:
        raise
    except (OSError, ValueError) as error:
        raise PieceError(f"'{path.name}' of the piece can't be read: {error}.", "Check its permissions.") from None
    if not wanted(mode):
        raise _not_plain(path, what)


def _not_plain(path: Path, what: str) -> PieceError:
    return PieceError(
        f"'{path.name}' in the folder of the piece is no plain {what}; links are not followed.",
        "Put the real thing in its place, or take it out of the folder.",
    )


def write(path: Path, data: bytes) -> None:
    """Put ``data`` in place of ``path``, all of it or nothing; it is on the disk when this returns. Raises PieceError."""
    temporary = path.with_name(f".new-{os.getpid()}-{path.name}")
    try:
        write_through(temporary, data)
        os.replace(temporary, path)
        sync_folder(path.parent)
    except OSError as error:
        raise cannot_write(path.name, error) from None
    finally:
        forget(temporary)


def write_through(path: Path, data: bytes) -> None:
    """Write a new file and wait until it is on the disk. Raises OSError."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _NO_LINK | _BINARY, 0o666)
    with os.fdopen(handle, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(handle)


def sync_folder(folder: Path) -> None:
    """Wait until names in ``folder`` are on the disk, where the system can do that."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):  # some network folders can't
            raise
    finally:
        os.close(handle)


def cannot_write(name: str, error: OSError) -> PieceError:
    """What to tell when writing into the folder failed."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        what = "There is no space left for this round; it was not kept. The rounds before it are as they were."
        return PieceError(what, "Make room and check the photograph again.")
    return PieceError(
        f"'{name}' can't be written into the folder of the piece: {error.strerror or error}.",
        "Nothing was changed. Check the folder's permissions.",
    )


def forget(path: Path) -> None:
    """Remove a file of our own, if that can be done."""
    with suppress(OSError):  # a leftover is cleared away by the next run
        path.unlink(missing_ok=True)


def remove_folder(folder: Path, names: tuple[str, ...]) -> None:
    """Remove a folder of our own with the files ``names``; anything else in it stays, and so does the folder then."""
    for name in names:
        forget(folder / name)
    with suppress(OSError):
        os.rmdir(folder)
