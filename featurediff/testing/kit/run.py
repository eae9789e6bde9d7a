"""Try a detector in a process of its own: one that hangs or takes its process down costs its step, not the trial."""

from __future__ import annotations

import json
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from featurediff.errors import CallError
from featurediff.testing.kit.records import Check, Measured, Trial, measured_from

START_S = 60.0
# A detector that brings down its process again and again is told and left.
MOST_STARTS = 5


def tried(
    target: str | Path,
    references: Sequence[str | Path] = (),
    *,
    settings: Mapping[str, Any] | None = None,
    name: str = "",
    quick: bool = False,
    verbose: bool = False,
    keep: str | Path | None = None,
    progress: Callable[[str], None] = lambda what: None,
) -> Trial:
    """All checks on the first reference, and a table for each.

    ``target``: a file that holds a detector or marks, or the name of an installed detector. ``references``: picture files;
    without any, a rendered scene on which it finds its subject. ``settings``: the ``detector`` block of a settings file.
    ``name`` picks one of several detectors in a file. ``quick``: fewer and smaller tries. ``keep``: a folder for pictures of the
    drawings. What the detector prints goes to standard error. What goes wrong is in the `Trial`, never raised, but CallError for
    a reference that is not there.
    """
    if is_marks(target) and not references:
        raise CallError("Marks know one picture only.", "Name the picture they were made on: --reference PICTURE")
    for path in references:
        if not Path(path).is_file():
            raise CallError(f"The reference '{path}' is no file.", "Check its name.")
    job = {
        "target": str(target),
        "file": is_file(target),
        "marks": is_marks(target),
        "name": name,
        "references": [str(path) for path in references],
        "settings": dict(settings or {}),
        "quick": quick,
        "verbose": verbose,
        "keep": str(keep) if keep is not None else None,
        "done": [],
    }
    begun = time.monotonic()
    trial = _Told(str(target))
    for _ in range(MOST_STARTS):
        if _one_process(job, trial, progress):
            break
    else:
        trial.fault = trial.fault or "It brought its process down again and again."
    return Trial(trial.detector, tuple(trial.checks), tuple(trial.tables), time.monotonic() - begun, trial.fault)


def is_file(target: str | Path) -> bool:
    """Is a file meant, or the name of an installed detector?"""
    path = Path(target)
    return bool(path.suffix) or len(path.parts) > 1 or path.is_file()


def is_marks(target: str | Path) -> bool:
    """Is a marks file meant?"""
    return Path(target).suffix.lower() in (".yaml", ".yml")


class _Told:
    """What the processes have told so far."""

    def __init__(self, detector: str) -> None:
        self.detector, self.fault = detector, ""
        self.checks: list[Check] = []
        self.tables: list[Measured] = []


def _one_process(job: dict[str, Any], told: _Told, progress: Callable[[str], None]) -> bool:
    """Let one process go as far as it can. True when there is nothing left to do."""
    process = subprocess.Popen(
        [sys.executable, "-m", "featurediff.testing.kit.child"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
        errors="replace",
    )
    lines: queue.Queue[str | None] = queue.Queue()
    threading.Thread(target=_read, args=(process, lines), daemon=True).start()
    try:
        _give(process, job)
        return _listen(job, told, lines, progress, process)
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def _give(process: subprocess.Popen, job: dict[str, Any]) -> None:
    try:
        process.stdin.write(json.dumps(job) + "\n")
        process.stdin.close()
    except BrokenPipeError:
        pass  # it ended already; why is seen when nothing comes


def _read(process: subprocess.Popen, lines: queue.Queue) -> None:
    for line in process.stdout:
        lines.put(line)
    lines.put(None)


def _listen(job, told: _Told, lines: queue.Queue, progress: Callable[[str], None], process: subprocess.Popen) -> bool:
    step, within = "starting", START_S
    deadline = time.monotonic() + within
    while True:
        try:
            line = lines.get(timeout=max(deadline - time.monotonic(), 0.01))
        except queue.Empty:
            return _broke_off(job, told, step, f"no answer within {within:g} s; it hangs where only ending its process helps")
        if line is None:
            if process.wait() == 0:
                return True
            return _broke_off(job, told, step, f"it took its process down ({_how(process.returncode)})")
        try:
            message = json.loads(line)
        except ValueError:
            continue  # not ours
        if "begin" in message:
            step, within = message["begin"], message["within"]
            deadline = time.monotonic() + within
            progress(step)
        elif "tell" in message:
            progress(message["tell"])
        elif "check" in message:
            told.checks.append(Check(**message["check"]))
            job["done"].append(told.checks[-1].name)
        elif "table" in message:
            told.tables.append(measured_from(message["table"]))
            job["done"].append(f"table {told.tables[-1].picture}")
        elif "fault" in message:
            told.fault = message["fault"]
            if message["trace"]:
                print(message["trace"], file=sys.stderr)
            return True


def _broke_off(job: dict[str, Any], told: _Told, step: str, why: str) -> bool:
    """A step that could not be ended: told, and the next process leaves it out. True when nothing can follow it."""
    if step in ("starting", "the reference", "light to load"):
        told.fault = f"While it was at {step}: {why}." if step != "starting" else f"It could not be started: {why}."
        return True
    if step.startswith("table "):
        told.fault = f"While drawings of {step.removeprefix('table ')} were measured: {why}."
    else:
        told.checks.append(Check(step, False, why))
    job["done"].append(step)
    return False


def _how(status: int) -> str:
    import signal

    if status < 0:
        try:
            return f"signal {signal.Signals(-status).name}"
        except ValueError:
            return f"signal {-status}"
    return f"exit status {status}"
