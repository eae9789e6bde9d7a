"""Ctrl-C ends a command with the same exit status at whatever moment it comes."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager


class Interrupted(KeyboardInterrupt):
    """Ctrl-C was pressed."""


@contextmanager
def orderly_interrupt() -> Iterator[None]:
    """Within it Ctrl-C raises `Interrupted`, if it would have raised KeyboardInterrupt.

    When run with ``-m``, Python notes a KeyboardInterrupt, but no subclass of it, that leaves code made from text, as records
    are made while modules load, and then ends the process by the signal although the interrupt was caught.
    """
    if (
        threading.current_thread() is not threading.main_thread()
        or signal.getsignal(signal.SIGINT) is not signal.default_int_handler
    ):
        yield
        return

    def interrupted(*_):
        raise Interrupted

    signal.signal(signal.SIGINT, interrupted)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)
