"""Stated against true doubt: measures within one and two of their sigmas, "how sure" against hits.

A measure (place, size, tilt, openness of a feature) is a linear function of its located points, so its true error is known
exactly, whatever the line-up.
"""

from __future__ import annotations

import itertools
import multiprocessing
import pickle
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from trust_hits import is_hit
from trust_mistakes import mistakes

HANDS = ("clean", "restated", "tonal", "hatched", "faint")
SUBJECTS = ("faces", "architecture", "still-life")
FLOORS = ("wood", "dark", "cloth")
ONE, TWO = 0.683, 0.954
COPY = ""
# Bounds of the bins of "how sure".
SURE = (0.0, 0.3, 0.5, 0.8, 0.9, 1.01)


@dataclass(frozen=True)
class Job:
    """One sheet: a true copy (`COPY`) or with a known ``mistake``. ``scan``: taken as it is, without a camera."""

    subject: str
    scene: int
    hand: str
    mistake: str
    scan: bool


@dataclass(frozen=True)
class Said:
    """A correction: ``hit`` as `trust_hits` has it; ``size`` in limits, for `trust_fit`."""

    kind: str
    sure: float
    hit: bool
    text: str
    size: float


@dataclass
class Doubt:
    """``readings``: of every measure; ``items``: of every correction that has a place and a direction."""

    job: Job
    failure: str = ""
    readings: list = field(default_factory=list)
    items: list[Said] = field(default_factory=list)


def jobs(subjects: Sequence[str], scenes: Sequence[int], hands: Sequence[str], scan: bool, share: int) -> list[Job]:
    """Of every subject and scene a true copy in every hand, and one in ``share`` of its known mistakes (0: none)."""
    todo = []
    for scene in scenes:
        for subject in subjects:
            names = list(mistakes(subject)) if share else []
            for h, hand in enumerate(hands):
                some = [name for n, name in enumerate(names) if (n + h + scene) % share == 0]
                todo += [Job(subject, scene, hand, name, scan) for name in (COPY, *some)]
    return todo


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
        warp = mistakes(job.subject)[job.mistake](motif.scene, motif.placement.mm_per_px) if job.mistake else None
        sheet = draw(motif.scene, warp, hand=job.hand, placement=motif.placement, seed=turn, px_per_mm=6.0)
    except (ValueError, IndexError, KeyError) as error:
        doubt.failure = f"not drawn: {error}"
        return doubt
    if job.mistake and not _shows(motif.scene, sheet):
        doubt.failure = "not drawn: the scene has nothing of the kind"
        return doubt
    photo = None
    if not job.scan:
        photo = photograph(
            sheet, tilt_deg=float(turn % 5), tilt_axis_deg=37.0 * turn, turn_deg=1.5 * (turn % 5 - 2), megapixels=4.5,
            floor=FLOORS[turn % 3], seed=turn % 3,
        )  # fmt: skip
    taken, options = (sheet.pixels, {"scan": True}) if photo is None else (photo.pixels, {})
    outcome = compare_shot(Shot(motif, motif.scene.pixels, taken, 0.0, sheet, photo, whole=photo is not None, options=options))
    if outcome.error is not None:
        doubt.failure = str(outcome.error)
        return doubt
    report = outcome.result.report
    doubt.readings = list(outcome.readings)
    for each in report.corrections + report.later:
        hit = is_hit(each, outcome.result, sheet)
        if hit is not None:
            doubt.items.append(Said(each.kind, each.sure, hit, each.text, each.size))
    return doubt


def _shows(scene, sheet) -> bool:
    """Whether anything is drawn elsewhere than the placement has it."""
    from featurediff.geometry import apply

    points = np.vstack(list(scene.curves.values()))
    return bool(np.nanmax(np.hypot(*(sheet.true_mm(points) - apply(sheet.placement.matrix, points)).T), initial=0.0) > 0.1)


# ---------------------------------------------------------------- tables


def show(done: list[Doubt]) -> None:
    """Print both tables."""
    from featurediff.doubt import sort_of

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
        for key in sorted({(r.form, sort_of(r.measure)) for _, r in own}):
            _row(f"  {key[0]}: {key[1]}", [r for _, r in own if (r.form, sort_of(r.measure)) == key])
    show_sure(compared)
    for d in done:
        if d.failure:
            print(f"not compared: {d.job}: {d.failure}")


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
    """How sure the corrections say they are, against how many are hits."""
    said = [(d, each) for d in compared for each in d.items]
    wrong = sum(bool(d.job.mistake) for d in compared)
    print(f"\nHow sure corrections are, against hits: {len(said)} corrections on {wrong} sheets with known mistakes and")
    print(f"{len(compared) - wrong} true copies; a hit names what is wrong, the right way, about the right amount\n")
    print(f"{'':24s} {'n':>5s} {'said':>6s} {'hits':>6s}")
    for low, high in itertools.pairwise(SURE):
        _sure_row(f"sure {low:.2f} to {min(high, 1.0):.2f}", [each for _, each in said if low <= each.sure < high])
    for subject in dict.fromkeys(d.job.subject for d in compared):
        _sure_row(subject, [each for d, each in said if d.job.subject == subject])
    _sure_row("with known mistakes", [each for d, each in said if d.job.mistake])
    _sure_row("true copies", [each for d, each in said if not d.job.mistake])
    for d, each in said:
        if not each.hit:
            what = d.job.mistake or "true copy"
            print(f"  no hit ({each.sure:.2f}, {each.kind}; {d.job.subject} {d.job.scene} {d.job.hand}, {what}): {each.text}")


def _sure_row(label: str, items: list[Said]) -> None:
    if items:
        print(f"{label:24s} {len(items):5d} {np.mean([i.sure for i in items]):6.2f} {np.mean([i.hit for i in items]):6.2f}")


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
