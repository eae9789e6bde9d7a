"""Stated against true doubt: measures within one and two of their sigmas, "how sure" against hits.

A measure (place, size, tilt, openness of a feature) is a linear function of its located points, so its true error is known
exactly, whatever the line-up.
"""

from __future__ import annotations

import multiprocessing
import pickle
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

HANDS = ("clean", "restated", "tonal", "hatched", "faint")
SUBJECTS = ("faces", "architecture", "still-life")
FLOORS = ("wood", "dark", "cloth")
ONE, TWO = 0.683, 0.954
MISTAKE_MM = 3.0


@dataclass(frozen=True)
class Job:
    """One sheet; ``scan``: taken as it is, without a camera, which is quicker."""

    subject: str
    scene: int
    hand: str
    amount: float
    scan: bool


@dataclass
class Doubt:
    """``readings``: of every measure; ``items``: (kind, how sure, whether it is a true error, its text) of every correction."""

    job: Job
    failure: str = ""
    readings: list = field(default_factory=list)
    items: list[tuple[str, float, bool, str]] = field(default_factory=list)


def jobs(subjects: Sequence[str], scenes: Sequence[int], hands: Sequence[str], scan: bool) -> list[Job]:
    """A true copy and one with the known mistake in every hand, of every subject and scene."""
    return [
        Job(subject, scene, hand, amount, scan)
        for scene in scenes
        for subject in subjects
        for hand in hands
        for amount in ((0.0, MISTAKE_MM) if not scan else (0.0,))
    ]


_MOTIF: dict = {}


def run(job: Job) -> Doubt:
    """Draw, photograph, compare, hold against the truth."""
    import cv2

    from featurediff.testing.camera import photograph
    from featurediff.testing.hands import draw
    from featurediff.testing.motifs import MOTIFS
    from featurediff.testing.shots import Shot, compare_shot

    cv2.setNumThreads(1)
    if (job.subject, job.scene) not in _MOTIF:
        _MOTIF.clear()
        _MOTIF[job.subject, job.scene] = MOTIFS[job.subject](job.scene)
    motif, doubt = _MOTIF[job.subject, job.scene], Doubt(job)
    turn = 10 * job.scene + HANDS.index(job.hand)
    try:
        sheet = draw(motif.scene, motif.mistaken(job.amount), hand=job.hand, placement=motif.placement, seed=turn, px_per_mm=6.0)
    except (ValueError, IndexError, KeyError) as error:
        doubt.failure = f"not drawn: {error}"
        return doubt
    photo = None
    if not job.scan:
        photo = photograph(
            sheet, tilt_deg=float(turn % 5), tilt_axis_deg=37.0 * turn, turn_deg=1.5 * (turn % 5 - 2), megapixels=4.5,
            floor=FLOORS[turn % 3], seed=turn % 3,
        )  # fmt: skip
    taken, options = (sheet.pixels, {"scan": True}) if photo is None else (photo.pixels, {})
    outcome = compare_shot(
        Shot(motif, motif.scene.pixels, taken, job.amount, sheet, photo, whole=photo is not None, options=options)
    )
    if outcome.error is not None:
        doubt.failure = str(outcome.error)
        return doubt
    report = outcome.result.report
    doubt.readings = list(outcome.readings)
    doubt.items = [
        (each.kind, each.sure, _true(each, outcome.result, sheet), each.text) for each in report.corrections + report.later
    ]
    return doubt


def _true(correction, result, drawing) -> bool:
    """Whether the error is really more than half its tolerance, as "how sure" says.

    By the drawing's true displacements, from where it was meant to lie or from the line-up, at the features that it explains.
    """
    from featurediff.geometry import apply
    from featurediff.lineup import matrix_of

    features = [f for f in result.subject.features if f.name in correction.explains]
    if not features or not correction.arrows:
        return False
    points = np.vstack([f.points for f in features])
    true = drawing.true_mm(points)
    half = 0.5 / max(correction.size, 1e-9)
    shares = []
    for matrix in (drawing.placement.matrix, matrix_of(result.report.lineup)):
        wanted = apply(matrix, points) - true
        along = []
        for at, move in correction.arrows:
            length = float(np.hypot(*move))
            near = int(np.hypot(*(true - np.array(at)).T).argmin())
            along.append(float(wanted[near] @ np.array(move)) / max(length, 1e-9) ** 2)
        shares.append(float(np.mean(along)))
    return max(shares) > half


# ---------------------------------------------------------------- tables


def show(done: list[Doubt]) -> None:
    """Print the three tables."""
    compared = [d for d in done if not d.failure]
    print(f"\nStated against true doubt: measures of features on {len(compared)} sheets")
    print(f"within 1 sigma (aim {100 * ONE:.0f} %) and 2 sigma (aim {100 * TWO:.0f} %), robust spread of error / sigma (aim 1)\n")
    print(f"{'':46s} {'n':>6s} {'1 s':>6s} {'2 s':>6s} {'spread':>7s} {'sigma, error mm':>16s}")
    rows = [(d.job.subject, d.job.hand, r) for d in compared for r in d.readings]
    for subject in dict.fromkeys(s for s, _, _ in rows):
        own = [(h, r) for s, h, r in rows if s == subject]
        _row(subject, [r for _, r in own])
        for hand in dict.fromkeys(h for h, _ in own):
            _row(f"  {hand}", [r for h, r in own if h == hand])
        for key in sorted({(r.form, _sort(r.measure)) for _, r in own}):
            _row(f"  {key[0]}: {key[1]}", [r for _, r in own if (r.form, _sort(r.measure)) == key])
    show_sure(compared)
    for d in done:
        if d.failure:
            print(f"not compared: {d.job}: {d.failure}")


def _sort(measure: str) -> str:
    return "place" if measure in ("across", "down", "normal") else measure


def _row(label: str, rows: list) -> None:
    if not rows:
        return
    z = np.abs([r.error / max(r.sigma, 1e-9) for r in rows])
    lengths = [(r.sigma, abs(r.error)) for r in rows if r.unit == "mm"]
    both = "{:7.2f} {:7.2f}".format(*np.median(lengths, axis=0)) if lengths else ""
    flag = "" if abs(np.mean(z < 1) - ONE) <= 0.05 and abs(np.mean(z < 2) - TWO) <= 0.05 else "  off"
    print(
        f"{label:46s} {len(rows):6d} {100 * np.mean(z < 1):5.0f}% {100 * np.mean(z < 2):5.0f}% {np.median(z) / 0.6745:7.2f} "
        f"{both:>16s}{flag}"
    )


def show_sure(compared: list[Doubt]) -> None:
    """How sure the corrections say they are against how many are true."""
    items = [(sure, true) for d in compared for _, sure, true, _ in d.items]
    print(f"\nHow sure corrections are, against hits: {len(items)} corrections")
    print(f"{'sure':>12s} {'n':>5s} {'said':>6s} {'true':>6s}")
    for low, high in ((0.0, 0.5), (0.5, 0.7), (0.7, 0.8), (0.8, 0.9), (0.9, 0.95), (0.95, 1.01)):
        some = [(s, t) for s, t in items if low <= s < high]
        if some:
            said, true = np.mean(some, axis=0)
            print(f"{low:6.2f}-{min(high, 1.0):5.2f} {len(some):5d} {said:6.2f} {true:6.2f}")
    for d in compared:
        for kind, sure, true, text in d.items:
            if not true:
                print(f"  not true ({sure:.2f}, {kind}; {d.job.subject} {d.job.scene} {d.job.hand}): {text}")


def doubts(todo: list[Job], workers: int, keep: Path | None = None) -> list[Doubt]:
    """Run the cases; with ``keep`` the outcomes stay there as a pickle, for `tests/benchmark/trust_fit.py`."""
    done = []
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        for doubt in pool.imap(run, todo):
            done.append(doubt)
            print(f"\r{len(done)}/{len(todo)} sheets", end="", file=sys.stderr, flush=True)
            if keep is not None:
                keep.write_bytes(pickle.dumps(done))
    return done
