"""Watch for network use: Python's own sockets announce it to audit hooks (PEP 578). What a library does by itself is not seen."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

_EVENTS = {
    "socket.connect", "socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr", "socket.sendto", "socket.sendmsg",
    "urllib.Request", "http.client.connect", "ftplib.connect", "smtplib.connect",
}  # fmt: skip
_seen: list[str] | None = None
_installed = False


class NoNetwork(PermissionError):
    """Raised inside the detector when it reaches for the network while it is tried."""


@contextmanager
def watched() -> Iterator[list[str]]:
    """Refuse network use inside the block; the list tells what was tried. An audit hook can't be taken away, only left idle."""
    global _installed, _seen
    if not _installed:
        sys.addaudithook(_look)
        _installed = True
    before, _seen = _seen, []
    try:
        yield _seen
    finally:
        _seen = before


def _look(event: str, arguments: tuple[Any, ...]) -> None:
    if _seen is None or event not in _EVENTS:
        return
    if event in ("socket.connect", "socket.sendto", "socket.sendmsg") and isinstance(arguments[-1], (str, bytes, type(None))):
        return  # a socket of this machine, by its file
    _seen.append(event)
    raise NoNetwork("no network while a detector is tried")
