"""A time limit on code that is not ours.

In the main thread of a process that has alarm signals (not on Windows), an overdue call is interrupted wherever it runs Python
code or waits. What is busy inside a library's own machine code notices no signal: only ending the process helps there, which
`featurediff try` does, because it runs the detector in a process of its own.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager

# A call that swallows the first interruption ("except:") is interrupted again.
AGAIN_S = 0.5


class TimeUp(BaseException):
    """The limit has passed. Not an Exception, so that a detector's own ``except Exception`` does not swallow it."""


@contextmanager
def time_limit(seconds: float) -> Iterator[None]:
    """Raise TimeUp inside the block once ``seconds`` have passed; without alarm signals, or beside another's, do nothing."""
    if not _can_interrupt():
        yield
        return

    def overdue(number: int, frame: object) -> None:
        raise TimeUp

    before = signal.signal(signal.SIGALRM, overdue)
    try:
        signal.setitimer(signal.ITIMER_REAL, seconds, AGAIN_S)
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


def _can_interrupt() -> bool:
    if not hasattr(signal, "setitimer") or threading.current_thread() is not threading.main_thread():
        return False
    return signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0) and signal.getsignal(signal.SIGALRM) is not None
