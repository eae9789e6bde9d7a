"""A class, start to finish: number the sheets, compare what is missing or has changed, tell what they have in common."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context, resource_tracker
from pathlib import Path
from typing import Any

from featurediff.classroom import roster, sheets, work
from featurediff.classroom.sheets import FAILED, Outcome
from featurediff.errors import CompareError, PieceError
from featurediff.piece.lock import locked
from featurediff.settings import Settings

# What one worker needs in MB at most: models, a 12-megapixel pair, its squared sheet (tests/benchmark/class_run.py).
_WORKER_MB = 700


@dataclass(frozen=True)
class Class:
    """All sheets of a run with what became of each; ``done_now``: how many of them were compared in this run."""

    entries: tuple[roster.Entry, ...]
    outcomes: dict[int, Outcome]
    done_now: int


def run_class(
    reference: Path,
    folder: Path,
    out: Path,
    settings: Settings,
    write: Callable[[Any, Path], None],
    workers: int | None = None,
    detector_file: str = "",
) -> Class:
    """Compare every sheet in ``folder``; ``write`` (a function that other processes can import) writes each one's report.

    Raises CallError, CompareError, and KeyboardInterrupt after the sheets at work were finished; what is done is kept always.
    """
    with _only_run(out):
        reference_content = roster.content_of(reference)
        entries = roster.numbered(out, roster.pictures_in(folder, reference), reference_content)
        detector = roster.content_of(Path(detector_file)) if detector_file else ""
        keys = {each.number: sheets.key_of(each.content, reference_content, settings, detector) for each in entries}
        known = {each.number: sheets.done(out, each.number, keys[each.number]) for each in entries}
        outcomes = {number: outcome for number, outcome in known.items() if outcome is not None}
        todo = [(each.number, str(each.picture), keys[each.number]) for each in entries if each.number not in outcomes]
        count = workers_for(len(todo), workers)
        job = work.Job(str(reference), settings, detector_file, out, write, count == 1)
        for outcome in _shown(_all_done(job, todo, count), len(todo)):
            outcomes[outcome.number] = outcome
        return Class(tuple(entries), outcomes, len(todo))


@contextmanager
def _only_run(out: Path) -> Iterator[None]:
    """One run at a time in a class folder."""
    entered = False
    try:
        with locked(out, seconds=0.0):
            entered = True
            yield
    except PieceError as error:
        if entered:
            raise
        raise CompareError(
            f"Another run is at work in '{out}', or it can't be written to.", "Wait until it is done, then run this again."
        ) from error


def workers_for(todo: int, asked: int | None) -> int:
    """How many worker processes: as asked, else one a core as far as the memory goes; never more than sheets."""
    if asked is not None:
        return max(min(asked, todo), 1)
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    try:
        room = os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // (_WORKER_MB * 1_000_000)
    except (AttributeError, ValueError, OSError):
        room = cores
    return max(min(cores, room, todo), 1)


def _shown(outcomes: Iterator[Outcome], total: int) -> Iterator[Outcome]:
    """The outcomes, with a bar on the process's own stderr, which may draw, when that is a terminal."""
    from tqdm import tqdm

    bar = tqdm(
        outcomes, total=total, unit="sheet", desc="Comparing", file=sys.__stderr__, disable=None if total else True, leave=False
    )
    yield from bar


def _all_done(job: work.Job, todo: list[tuple[int, str, str]], workers: int) -> Iterator[Outcome]:
    """Each sheet's outcome as it is done. A picture that takes its process down is tried once more, by itself."""
    lost: list[tuple[int, str, str]] = []
    while todo:
        todo, taken_down = yield from _one_pool(job, todo, workers)
        lost += taken_down
    for sheet in lost:
        _, again = yield from _one_pool(job, [sheet], 1)
        if again:
            outcome = Outcome(
                sheet[0],
                FAILED,
                "The comparison ended without a word, most likely for lack of memory.",
                "Export the picture smaller.",
            )
            sheets.begin(job.out, sheet[0])
            sheets.finish(job.out, outcome, sheet[2])
            yield outcome


def _one_pool(job: work.Job, todo: list[tuple[int, str, str]], workers: int):
    """Outcomes of one pool; returns (sheets not begun, sheets at work) when a process of it was taken down."""
    waiting, at_work = list(todo), {}
    # OpenCV's threads and fork deadlock: spawn.
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=work.start, initargs=(job,))
    try:
        while waiting or at_work:
            # No more than are at work: what is handed over can't be called back.
            while waiting and len(at_work) < workers:
                with _deaf():
                    future = pool.submit(work.compare_sheet, *waiting[0])
                at_work[future] = waiting.pop(0)
            for future in _next(at_work):
                yield future.result()
                del at_work[future]
    except BrokenProcessPool:
        return waiting, list(at_work.values())
    finally:
        # Those at work are finished and kept, whatever ended this.
        pool.shutdown(wait=True, cancel_futures=True)
    return [], []


@contextmanager
def _deaf() -> Iterator[None]:
    """Processes begun meanwhile are deaf to Ctrl-C from their first moment on: what they do then is for the main one to say.

    The main one itself hears afterwards what came meanwhile.
    """
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    resource_tracker.ensure_running()  # begun later it would lift the block
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _next(at_work: dict[Future, Any]) -> list[Future]:
    return list(wait(at_work, return_when=FIRST_COMPLETED).done)
