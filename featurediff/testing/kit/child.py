"""The process in which a detector is tried: ``python -m featurediff.testing.kit.child``; `run` starts it and talks with it.

It reads one line of JSON, what to do, and answers in lines of JSON: {"begin": what, "within": s} before each step, {"tell":
words} while one goes on, then {"check": ...}, {"table": ...} or {"fault": words}. It writes them to what was its standard output;
what the detector prints goes to standard error.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

# What belongs into a detector's methods: `featurediff subjects` loads every detector to list it.
HEAVY = ("cv2", "mediapipe", "torch", "tensorflow", "onnxruntime", "sklearn", "scipy", "skimage", "matplotlib", "pandas", "PIL")
LIGHT_S = 0.5
SPARE_S = 15.0
# How many odd pictures there are; each is prepared and looked at.
ODD = 12
# What can't be asked of marks: they lie where they were made, whatever the picture shows.
ONE_PICTURE = ("sides right when mirrored", "same when turned a little", "odd pictures")


def main() -> int:
    """Do what the line on standard input says."""
    # Ctrl-C reaches every process of a terminal: the one that started this ends it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    out = os.fdopen(os.dup(1), "w", encoding="ascii")
    os.dup2(2, 1)
    job = json.loads(sys.stdin.readline())

    def send(**message: Any) -> None:
        try:
            print(json.dumps(message), file=out, flush=True)
        except BrokenPipeError:
            os._exit(1)  # nobody listens any more

    _work(job, send)
    return 0


def _work(job: dict[str, Any], send: Callable[..., None]) -> None:
    from featurediff.errors import FeaturediffError

    try:
        detector = _load(job, send)
        for step in _steps(job, detector, send):
            step()
    except FeaturediffError as error:
        send(fault=f"{error.what} {error.remedy}".strip(), trace=_trace(error) if job["verbose"] else "")


def _trace(error: BaseException) -> str:
    import traceback

    return "".join(traceback.format_exception(error))


def _load(job: dict[str, Any], send: Callable[..., None]) -> Any:
    """The detector, and what loading it loads besides."""
    from featurediff.discovery import LOAD_LIMIT_S, load_detector, load_detector_file

    send(begin="light to load", within=LOAD_LIMIT_S + SPARE_S)
    if job["marks"]:
        return _marked(job)
    # Processor time: other work on the machine does not count.
    before, begun = set(sys.modules), time.process_time()
    detector = load_detector_file(job["target"], job["name"] or None) if job["file"] else load_detector(job["target"])
    seconds = time.process_time() - begun
    if "light to load" not in job["done"]:
        heavy = [name for name in HEAVY if name in sys.modules and name not in before]
        told = (
            f"loading it loads {', '.join(heavy)}: import them inside find()" if heavy else f"{seconds:.2f} s of processor time"
        )
        send(check={"name": "light to load", "passed": not heavy and seconds < LIGHT_S, "told": told, "seconds": seconds})
    return detector


def _marked(job: dict[str, Any]) -> Any:
    """The detector of a marks file; the marks go into its settings."""
    from featurediff.marking.detector import detector_for, with_marks
    from featurediff.marking.read import read_marks
    from featurediff.settings import Settings

    settings = with_marks(Settings(), read_marks(job["target"]))
    job["settings"] = dict(settings.detector)
    return detector_for(settings)


def _steps(job: dict[str, Any], detector: Any, send: Callable[..., None]) -> Iterator[Callable[[], None]]:
    from featurediff.handover.calls import limit_of
    from featurediff.testing.kit import checks
    from featurediff.testing.kit.measure import DRAWINGS, QUICK_DRAWINGS, measured

    limit = limit_of(detector)
    # `prepare` and `find` may take their limit each.
    send(begin="the reference", within=2 * limit + SPARE_S + 30.0)
    case, cases = None, _cases(job, detector)
    for picture, scene in cases:
        if case is None:
            case = checks.case_of(detector, picture, job["settings"], job["quick"])
        yield from _checked(job, case, limit, send)
        if f"table {picture.name}" in job["done"]:
            continue
        drawings = QUICK_DRAWINGS if job["quick"] else DRAWINGS
        send(begin=f"table {picture.name}", within=2 * limit + drawings * (60.0 + limit))

        def table(picture=picture, scene=scene) -> None:
            found = measured(
                detector, picture, settings=job["settings"], quick=job["quick"], scene=scene, keep=job["keep"],
                progress=lambda what: send(tell=f"{picture.name}: {what}"),
            )  # fmt: skip
            send(table=asdict(found))

        yield table
    yield detector.close


def _checked(job: dict[str, Any], case: Any, limit: float, send: Callable[..., None]) -> Iterator[Callable[[], None]]:
    """The checks, on the first reference only."""
    from featurediff.testing.kit import checks

    for name, check in checks.CHECKS.items():
        if name in job["done"]:
            continue
        if job["marks"] and name in ONE_PICTURE:
            job["done"].append(name)
            told = {"name": name, "passed": None, "told": "marks know their own picture only", "seconds": 0.0}
            yield lambda told=told: send(check=told)
            continue
        calls = 2 * ODD if name == "odd pictures" else 4
        send(begin=name, within=calls * limit + SPARE_S)
        job["done"].append(name)
        yield lambda name=name, check=check: send(check=asdict(checks.run(name, check, case)))


def _cases(job: dict[str, Any], detector: Any) -> Iterator[tuple[Any, Any]]:
    """(picture, scene or None): the author's references, or the rendered scene on which the detector finds its subject."""
    from featurediff.errors import CallError, SubjectError
    from featurediff.testing.kit import pictures
    from featurediff.testing.kit.checks import case_of

    for path in job["references"]:
        yield pictures.own(Path(path)), None
    if job["references"]:
        return
    for picture, scene in pictures.rendered(detector.name):
        try:
            case_of(detector, picture, job["settings"])
        except SubjectError:
            continue
        yield picture, scene
        return
    raise CallError(
        f"The detector '{detector.name}' finds its subject on none of the rendered scenes.",
        "Name a picture that shows it: --reference PICTURE",
    )


if __name__ == "__main__":
    sys.exit(main())
