"""Files of a class folder, written whole or not at all."""

from __future__ import annotations

import errno
import os
import secrets
from contextlib import suppress
from pathlib import Path

from featurediff.errors import CompareError
from featurediff.piece.files import write_through

_READY = ".new-"


def put(path: Path, data: bytes) -> None:
    """Put ``data`` in place of ``path``, all of it or nothing. Raises CompareError."""
    temporary = path.with_name(f"{_READY}{os.getpid()}-{secrets.token_hex(3)}-{path.name}")
    try:
        write_through(temporary, data)
        os.replace(temporary, path)
    except OSError as error:
        raise cannot_write(path.name, error) from None
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def make_folder(path: Path, mode: int = 0o777) -> None:
    """The folder, made if there is none; never one that a link leads to. Raises CompareError."""
    try:
        path.mkdir(mode=mode, parents=True, exist_ok=True)
        if path.is_symlink():
            what = f"'{path.name}' in the class folder is a link; links are not followed."
            raise CompareError(what, "Take it out, or name another folder after --out.")
    except OSError as error:
        raise cannot_write(path.name, error) from None


def cannot_write(name: str, error: OSError) -> CompareError:
    """What to tell when writing into the class folder failed."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return CompareError("There is no space left for the class.", "Make room and run it again; what is done is kept.")
    return CompareError(f"'{name}' can't be written: {error.strerror or error}.", "Name another folder after --out.")


def clear(folder: Path) -> None:
    """Take away what a run that was killed may have left in a folder of ours."""
    with suppress(OSError):
        for path in folder.iterdir():
            if path.name.startswith((_READY, ".report-", ".numbers-")) and path.is_file() and not path.is_symlink():
                path.unlink(missing_ok=True)
