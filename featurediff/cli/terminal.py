"""All that is printed passes here: no name of a file, a setting or a mark gives orders to the terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from featurediff.naming import printable


class PlainStream:
    """A text stream that shows a question mark for every letter that a terminal obeys, but for ends of lines and tabs."""

    def __init__(self, stream: Any):
        self._stream = stream

    def write(self, text: str) -> int:
        """Pass ``text`` on; see `io.TextIOBase.write`."""
        plain = "\n".join("\t".join(map(printable, line.split("\t"))) for line in text.split("\n"))
        self._stream.write(plain)
        return len(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def beneath(stream: Any) -> Any:
    """The stream beneath a plain one, for a line that is written over: what is shown in it must be made `printable` first."""
    return stream._stream if isinstance(stream, PlainStream) else stream


@contextmanager
def plain_output() -> Iterator[None]:
    """Within it, stdout and stderr are plain streams; what a terminal has no letter for is shown by a substitute."""
    before = sys.stdout, sys.stderr
    for stream, errors in zip(before, ("replace", "backslashreplace"), strict=True):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=errors)
    sys.stdout, sys.stderr = (stream and PlainStream(stream) for stream in before)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before
