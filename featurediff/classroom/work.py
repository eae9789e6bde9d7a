"""What runs in each worker process: the reference and the models are made ready once, then sheet after sheet is compared."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from featurediff.classroom.sheets import COMPARED, FAILED, REFUSED, Outcome, begin, finish
from featurediff.errors import CallError, CompareError, FeaturediffError
from featurediff.settings import Settings


@dataclass(frozen=True)
class Job:
    """What all sheets have in common. ``write`` (comparison, folder) writes a sheet's report; ``alone``: there is one worker."""

    reference: str
    settings: Settings
    detector_file: str
    out: Path
    write: Callable[[Any, Path], None]
    alone: bool


class Stopped(FeaturediffError):
    """Something that concerns all sheets went wrong: the reference, the settings. Ends the run."""

    def __init__(self, what: str, remedy: str = "", exit_status: int = 3):
        super().__init__(what, remedy)
        self.args = (what, remedy, exit_status)  # what travels between processes
        self.exit_status = exit_status


_job: Job | None = None
_prepared: Any = None


def start(job: Job) -> None:
    """Called once in each worker process."""
    global _job
    _job = job
    # Ctrl-C reaches every process of a terminal: the main one decides, and lets the sheets at work be finished.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    if not job.alone:
        import cv2

        # One core each: threads of several processes only stand in each other's way.
        cv2.setNumThreads(1)


def _end_with_parent() -> None:
    """A main process that is killed can't call its workers off."""
    import multiprocessing

    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def compare_sheet(number: int, picture: str, key: str) -> Outcome:
    """Compare one sheet and write its report. Whatever is wrong with its picture becomes the outcome.

    Raises Stopped when the fault lies with all sheets.
    """
    from featurediff.comparison import compare

    job, begun = _job, time.perf_counter()
    reference = _reference()
    folder = begin(job.out, number)
    try:
        job.write(compare(reference, picture, config=job.settings), folder)
        outcome = Outcome(number, COMPARED)
    except CallError as error:
        raise Stopped(error.what, error.remedy, error.exit_status) from None
    except CompareError as error:
        outcome = Outcome(number, REFUSED, _nameless(error.what, picture), _nameless(error.remedy, picture))
    except FeaturediffError as error:  # a full disk, a library that is missing
        raise Stopped(error.what, error.remedy, error.exit_status) from None
    except MemoryError:
        outcome = Outcome(
            number, FAILED, "The memory is not enough for this picture.", "Export it smaller and run the class again."
        )
    except Exception as error:
        fault = _nameless(f"A fault of featurediff itself: {type(error).__name__}: {error}", picture)
        outcome = Outcome(number, FAILED, fault, "Please report it.")
    finish(job.out, outcome, key)
    return Outcome(number, outcome.what, outcome.why, outcome.remedy, time.perf_counter() - begun)


def _reference():
    global _prepared
    if _prepared is None:
        from featurediff.comparison import prepare
        from featurediff.discovery import load_detector_file

        try:
            if _job.detector_file:
                load_detector_file(_job.detector_file, _job.settings.subject)
            _prepared = prepare(_job.reference, _job.settings)
        except FeaturediffError as error:
            raise Stopped(error.what, error.remedy, error.exit_status) from None
    return _prepared


def _nameless(text: str, picture: str) -> str:
    """A message without the picture's name: a sheet's folder may be passed on."""
    from featurediff.pictures import shown_name

    name = shown_name(Path(picture))
    text = text.replace(picture, name)
    text = f"The picture{text[len(name) :]}" if text.startswith(name) else text
    return text.replace(name, "the picture")
