"""Runs one hostile case at a time in a process that is watched: time, memory, files touched, what reaches the terminal.

    python tests/benchmark/hostile_run.py       # the worker's end: one JSON job a line on stdin, one answer a line on stdout

A job is a command line (``featurediff ...``), or a single reader ("picture", "marks", "settings") on one file, which is faster.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import resource
import select
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

SECONDS = 60.0  # of processor time: the stated limit for one command
PATIENCE = 4.0  # times that by the clock, where other work is going on
MEGABYTES = 2000.0  # the stated limit of memory
KILL_MEGABYTES = 6000.0  # for this machine's sake
# Letters that a terminal obeys, or that turn the order of the rest: no name of a file may bring them there.
OBEYED = {*map(chr, (*range(9), *range(11, 32), *range(127, 160), *range(0x202A, 0x202F), *range(0x2066, 0x206A))), "\u200f"}


@dataclass
class Case:
    """``argv`` of a command, or ("read", what, file). ``may``: what in its folder it may write. ``own``: a process of its own."""

    kind: str
    name: str
    argv: list[str]
    may: tuple[str, ...] = ("out",)
    own: bool = False
    out_of_room: bool = False
    pages: tuple[str, ...] = ()
    environment: dict[str, str] = field(default_factory=dict)


@dataclass
class Outcome:
    """``what``: compared, refused, fault, crash, hang. ``seconds`` of processor time.

    ``outside``: files touched that should not be; ``raw``: letters obeyed; ``markup``: elements of a page out of a name.
    """

    case: Case
    what: str
    seconds: float
    peak_mb: float
    outside: list[str]
    raw: bool
    markup: bool
    told: str


# ---------------------------------------------------------------- what a case left behind


def snapshot(folder: Path, may: tuple[str, ...] = ()) -> dict[str, Any]:
    """Every name below ``folder`` but those in ``may``, with what it is and holds. Links are not followed."""
    found: dict[str, Any] = {}
    for at, folders, files in os.walk(folder):
        inside = os.path.relpath(at, folder)
        for name in list(folders):
            path = os.path.normpath(os.path.join(inside, name))
            if path in may:
                folders.remove(name)
            else:
                found[path] = os.readlink(os.path.join(at, name)) if os.path.islink(os.path.join(at, name)) else "folder"
        for name in files:
            path = os.path.normpath(os.path.join(inside, name))
            if path not in may:
                status = os.lstat(os.path.join(at, name))
                found[path] = (status.st_mode, status.st_size, status.st_mtime_ns, status.st_ino)
    return found


def changed(before: dict[str, Any], after: dict[str, Any]) -> list[str]:
    """The names that are new, gone or other."""
    return sorted(name for name in {*before, *after} if before.get(name) != after.get(name))


# ---------------------------------------------------------------- the watching end


class Worker:
    """A process that runs case after case; begun anew when one hangs it or takes it down."""

    def __init__(self) -> None:
        self.process: subprocess.Popen | None = None

    def _begin(self) -> subprocess.Popen:
        environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1", "FEATUREDIFF_SETTINGS": ""}
        self.process = subprocess.Popen(
            [sys.executable, __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            env=environment,
            start_new_session=True,
        )
        self._line(120)  # ready
        return self.process

    def _line(self, seconds: float) -> str | None:
        """A line of its answers; None when it did not come in time, "" when the process is gone."""
        ready, _, _ = select.select([self.process.stdout], [], [], seconds)
        return self.process.stdout.readline() if ready else None

    def ask(self, job: dict[str, Any], seconds: float) -> tuple[str, dict[str, Any]]:
        """("done", answer), ("hang", {}) or ("crash", {})."""
        process = self.process if self.process is not None and self.process.poll() is None else self._begin()
        guard = _Guard(process.pid)
        try:
            process.stdin.write(json.dumps(job) + "\n")
            process.stdin.flush()
            line = self._line(seconds)
        except BrokenPipeError:
            line = ""
        peak = guard.stop()
        if line:
            return "done", json.loads(line)
        self.close()
        return ("hang" if line is None and peak < KILL_MEGABYTES else "crash"), {"peak_mb": peak}

    def close(self) -> None:
        """End the process."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


class _Guard:
    """Watches the memory of a process and ends it before the machine suffers."""

    def __init__(self, pid: int):
        self.pid, self.peak, self.over = pid, 0.0, threading.Event()
        self.thread = threading.Thread(target=self._watch, daemon=True)
        self.thread.start()

    def _watch(self) -> None:
        while not self.over.wait(0.05):
            self.peak = max(self.peak, _megabytes(self.pid, "VmRSS"))
            if self.peak > KILL_MEGABYTES:
                os.kill(self.pid, 9)
                return

    def stop(self) -> float:
        self.over.set()
        self.thread.join()
        return self.peak


def _megabytes(pid: int | str, what: str) -> float:
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
        return next(int(line.split()[1]) / 1024 for line in lines if line.startswith(what))
    except (OSError, StopIteration):
        return 0.0


def run(case: Case, folder: Path, worker: Worker, seconds: float = SECONDS) -> Outcome:
    """Run one case in its folder, which holds what ``case`` is about already."""
    for name in ("home", "tmp"):
        (folder / name).mkdir(exist_ok=True)
    before = snapshot(folder, case.may)
    begun = time.monotonic()
    patience = PATIENCE * seconds
    how, answer = _alone(case, folder, patience) if case.own else worker.ask(_job(case, folder), patience)
    took = answer.get("seconds", time.monotonic() - begun)
    if took > seconds:
        how = "hang"
    outside = changed(before, snapshot(folder, case.may))
    told = answer.get("out", "") + answer.get("err", "")
    what = judged(case, how, answer)
    return Outcome(case, what, took, answer.get("peak_mb", 0.0), outside, bool(OBEYED & set(told)), _markup(case, folder), told)


def _job(case: Case, folder: Path) -> dict[str, Any]:
    return {"folder": str(folder), "argv": case.argv, "environment": case.environment}


def judged(case: Case, how: str, answer: dict[str, Any]) -> str:
    """In one word what became of a case."""
    if how != "done":
        return how
    status, told = answer["status"], answer["err"]
    if status < 0 or status > 128:
        return "crash"
    if "Traceback" in told or "fault of featurediff itself" in told:
        return "fault"
    if status in (0, 4):
        return "compared"
    # A trial tells what kept it from being finished among its results.
    clear = "featurediff: " in told or "usage: " in told or "Not finished: " in answer["out"]
    return "refused" if clear and (status in (2, 3) or case.out_of_room or case.own) else "fault"


def _markup(case: Case, folder: Path) -> bool:
    """Whether a page holds an element or a handler that came from a name."""
    from html.parser import HTMLParser

    bad = []

    class Look(HTMLParser):
        def handle_starttag(self, tag, attributes):
            if tag in ("iframe", "object", "embed", "marquee") or any(name.startswith("on") for name, _ in attributes):
                bad.append(tag)

    for name in case.pages:
        if (folder / name).is_file():
            Look().feed((folder / name).read_text("utf-8"))
    return bool(bad)


def _alone(case: Case, folder: Path, seconds: float) -> tuple[str, dict[str, Any]]:
    """A case in a process of its own, with what the system alone can show: its real exit status, a full disk, programs begun."""
    environment = {
        **os.environ,
        "HOME": str(folder / "home"),
        "TMPDIR": str(folder / "tmp"),
        "PYTHONDONTWRITEBYTECODE": "1",
        "FEATUREDIFF_SETTINGS": "",
        **case.environment,
    }
    limit = int(environment.pop("LIMIT_FILE_BYTES", 0))

    def limited():
        if limit:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    used = os.times()
    full = open("/dev/full", "wb") if environment.pop("STDOUT_FULL", "") else None  # noqa: SIM115
    process = subprocess.Popen(
        [sys.executable, "-m", "featurediff", *case.argv],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=full or subprocess.PIPE,  # pipes: a limit on files would cut them short
        stderr=subprocess.PIPE,
        text=True,
        errors="replace",
        preexec_fn=limited,
        start_new_session=True,
    )
    guard, how = _Guard(process.pid), "done"
    try:
        out, err = process.communicate(timeout=seconds)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, 9)
        out, err = process.communicate()
        how = "hang"
    seconds = sum(os.times()[2:4]) - sum(used[2:4])  # of the children
    answer = {"out": out or "", "err": err or "", "status": process.returncode, "peak_mb": guard.stop()}
    return how, {**answer, "seconds": seconds}


# ---------------------------------------------------------------- the worker's end


def serve() -> None:
    """Answer jobs until stdin ends."""
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    import cv2  # noqa: F401

    from featurediff.cli import main

    print("ready", file=answers, flush=True)
    for line in sys.stdin:
        job = json.loads(line)
        _forget_peak()
        print(json.dumps(_answer(job, main)), file=answers, flush=True)


def _forget_peak() -> None:
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")


def _answer(job: dict[str, Any], main) -> dict[str, Any]:
    folder = Path(job["folder"])
    os.chdir(folder)
    os.environ.update(HOME=str(folder / "home"), TMPDIR=str(folder / "tmp"), **job["environment"])
    tempfile.tempdir = str(folder / "tmp")
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True) for _ in range(2))
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = out, err
    status, begun = 1, time.process_time()
    try:
        status = _read(job["argv"]) if job["argv"][0] == "read" else main(job["argv"])
    except BaseException:
        import traceback

        traceback.print_exc(file=err)
    finally:
        sys.stdout, sys.stderr = before
    texts = [stream.buffer.getvalue().decode("utf-8", "replace") for stream in (out, err)]
    seconds = time.process_time() - begun
    return {"status": status, "out": texts[0], "err": texts[1], "peak_mb": _megabytes("self", "VmHWM"), "seconds": seconds}


def _read(argv: list[str]) -> int:
    """A single reader on one file, with the command line's own way of telling failures."""
    from featurediff.errors import FeaturediffError

    _, what, file = argv
    try:
        if what == "picture":
            from featurediff.pictures import read_picture, taking
            from featurediff.piece.pictures import copy_of

            picture = read_picture(file)
            taking(file)
            if picture.pixels.size < 30_000_000:
                copy_of(file)
        elif what == "marks":
            from featurediff.marking.read import read_marks

            read_marks(file)
        else:
            from featurediff.configuration import load_settings

            load_settings(file)
    except FeaturediffError as error:
        print(f"featurediff: {error.what}\n{error.remedy}", file=sys.stderr)
        return error.exit_status
    return 0


if __name__ == "__main__":
    serve()
