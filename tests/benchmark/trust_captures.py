"""The table of difficult captures: case, asked behaviour, what happened, error in mm."""

from __future__ import annotations

import multiprocessing
import sys
import tempfile
import textwrap
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from trust_worst import Bad

NOT_DRAWN = "not drawn"
ASKED_WIDE, HAPPENED_WIDE = 50, 78


@dataclass(frozen=True)
class Job:
    """One picture of a case."""

    capture: str
    subject: str
    scene: int
    amount: float
    seed: int


@dataclass
class Told:
    """What came of it: ``complaint`` "" when all that is asked was done; ``errors`` mm of features' places; ``bad``: a
    picture of it where something was wrong."""

    job: Job
    complaint: str
    happened: str
    errors: list[float] = field(default_factory=list)
    bad: Bad | None = None
    seconds: float = 0.0


def jobs(names: Sequence[str], subjects: Sequence[str], scenes: Sequence[int]) -> list[Job]:
    """Every case of every subject and scene: on a true copy and with the known mistake."""
    from featurediff.testing.captures import CAPTURES

    chosen = []
    for scene in scenes:
        for subject in subjects:
            for n, capture in enumerate(CAPTURES):
                if subject not in capture.subjects or (names and not any(name in capture.name for name in names)):
                    continue
                chosen += [
                    Job(capture.name, subject, scene, amount, 10 * scene + n)
                    for amount, checks in ((0.0, capture.copy), (capture.amount, capture.wrong))
                    if checks
                ]
    return chosen


_MOTIFS: dict = {}


def run(job: Job) -> Told:
    """Make the pictures, compare, judge."""
    import cv2

    from featurediff.testing.captures import CAPTURES, judge, take
    from featurediff.testing.motifs import MOTIFS
    from featurediff.testing.shots import compare_shot

    cv2.setNumThreads(1)
    capture = next(each for each in CAPTURES if each.name == job.capture)
    if (job.subject, job.scene) not in _MOTIFS:
        _MOTIFS.clear()
        _MOTIFS[job.subject, job.scene] = MOTIFS[job.subject](job.scene)
    began = time.perf_counter()
    try:
        with tempfile.TemporaryDirectory() as folder:
            outcome = compare_shot(take(capture, _MOTIFS[job.subject, job.scene], job.amount, job.seed, Path(folder)))
    except (ValueError, IndexError) as error:
        if job.amount:  # a scene without the thing that the known mistake is about
            return Told(job, "", f"{NOT_DRAWN}: {error}")
        raise
    complaint = judge(capture, outcome)
    bad = Bad.of(f"{job.capture}, {job.subject} {job.scene}, {job.amount:g} mm: {complaint}", outcome) if complaint else None
    return Told(job, complaint, _in_words(outcome), outcome.position_errors().tolist(), bad, time.perf_counter() - began)


def _in_words(outcome) -> str:
    if outcome.error is not None:
        return f"refused: {outcome.error.what}"
    sheet = outcome.result.report.sheet
    trust = f"trusted to {sheet.trust_mm:.2f} {sheet.unit}"
    said = f"{len(outcome.said)} items" if not outcome.shot.amount else "; ".join(outcome.said)[:60] or "nothing told"
    return f"{said}, {trust}"


def show(done: list[Told]) -> None:
    """Print the table, then every picture on which something asked for is missing."""
    from featurediff.testing.captures import CAPTURES

    for each in done:
        if each.happened.startswith(NOT_DRAWN):
            print(line(each))
    done = [each for each in done if not each.happened.startswith(NOT_DRAWN)]
    print(f"\nDifficult captures: {len(done)} pictures\n")
    print(f"{'case':44s} {'ok':>7s} {'mm':>6s} {'95 %':>6s}  {'asked':{ASKED_WIDE}s} what happened")
    count = good = 0
    for capture in CAPTURES:
        some = [each for each in done if each.job.capture == capture.name]
        if not some:
            continue
        right = sum(not each.complaint for each in some)
        count, good = count + len(some), good + right
        errors = [error for each in some for error in each.errors]
        mm = f"{np.median(errors):6.2f} {np.percentile(errors, 95):6.2f}" if errors else f"{'-':>6s} {'-':>6s}"
        shown = next((each.complaint for each in some if each.complaint), some[0].happened)
        asked, happened = textwrap.shorten(capture.asked, ASKED_WIDE), textwrap.shorten(shown, HAPPENED_WIDE)
        print(f"{capture.name[:44]:44s} {right:3d}/{len(some):<3d} {mm}  {asked:{ASKED_WIDE}s} {happened}")
    print(f"\nas asked on {good} of {count} pictures")
    print("\nNot as asked")
    for each in done:
        if each.complaint:
            print(f"  {line(each)}")
    if done:
        print(f"\nseconds a picture, drawing and photographing included: {np.median([each.seconds for each in done]):.1f}")


def line(told: Told) -> str:
    """One picture in one line."""
    job = told.job
    kind = f"{job.amount:g} mm" if job.amount else "copy"
    return f"{job.capture} ({job.subject} {job.scene}, {kind}): {told.complaint or 'as asked'} | {told.happened}"


def captures(names: Sequence[str], subjects: Sequence[str], scenes: Sequence[int], workers: int) -> list[Told]:
    """Run the cases."""
    todo, done = jobs(names, subjects, scenes), []
    # OpenCV's threads and fork deadlock: spawn.
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        for told in pool.imap(run, todo, chunksize=8):
            done.append(told)
            print(f"{len(done)}/{len(todo)} {line(told)}", file=sys.stderr, flush=True)
    return done
