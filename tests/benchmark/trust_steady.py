"""The same sheet photographed again and again: which corrections appear or disappear, and how far amounts spread.

Each sheet holds one known mistake and the hand's own slips. Its photographs differ in tilt, turn, distance, lens, light, shadow,
noise, floor and size, as an artist's would over an evening.
"""

from __future__ import annotations

import multiprocessing
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

SUBJECTS = ("faces", "architecture", "still-life")
HANDS = {"faces": ("clean", "tonal"), "architecture": ("clean", "restated"), "still-life": ("clean", "hatched")}
MISTAKE_MM = 3.0
# Two statements are one when they share so much of what they explain.
SAME = 0.5


@dataclass(frozen=True)
class Job:
    """One photograph of a sheet."""

    subject: str
    scene: int
    hand: str
    repeat: int


@dataclass
class Seen:
    """``items``: (kind, what it explains, move x, y, error over tolerance, its sigma, text); ``measures``: (feature, measure) ->
    (value, sigma)."""

    job: Job
    failure: str = ""
    items: list[tuple] = field(default_factory=list)
    measures: dict[tuple[str, str], tuple[float, float]] = field(default_factory=dict)


def jobs(subjects: Sequence[str], scenes: Sequence[int], repeats: int) -> list[Job]:
    """Every sheet's photographs."""
    return [Job(s, scene, hand, r) for scene in scenes for s in subjects for hand in HANDS[s] for r in range(repeats)]


def camera(repeat: int, seed: int) -> dict:
    """How the photograph of that number is taken."""
    rng = np.random.default_rng([seed, repeat, 5])
    return {
        "tilt_deg": float(rng.uniform(0, 4)), "tilt_axis_deg": float(rng.uniform(0, 360)), "turn_deg": float(rng.uniform(-5, 5)),
        "lens_mm": float(rng.choice([24.0, 26.0, 28.0, 35.0])), "fill": float(rng.uniform(0.72, 0.92)),
        "light_falloff": float(rng.uniform(0.05, 0.4)), "shadow": float(rng.choice([0.0, 0.0, 0.6])),
        "noise_level": float(rng.uniform(0.5, 3.0)), "blur_px": float(rng.uniform(0.5, 1.2)),
        "floor": ("wood", "dark", "cloth")[repeat % 3], "megapixels": float(rng.choice([5.0, 6.0, 8.0])), "seed": repeat % 3,
    }  # fmt: skip


_MOTIF: dict = {}


def run(job: Job) -> Seen:
    """Photograph and compare."""
    import cv2

    from featurediff.testing.camera import photograph
    from featurediff.testing.captures import drawn
    from featurediff.testing.motifs import MOTIFS
    from featurediff.testing.shots import Shot, compare_shot

    cv2.setNumThreads(1)
    if (job.subject, job.scene) not in _MOTIF:
        _MOTIF.clear()
        _MOTIF[job.subject, job.scene] = MOTIFS[job.subject](job.scene)
    motif, seen = _MOTIF[job.subject, job.scene], Seen(job)
    try:
        sheet = drawn(motif, MISTAKE_MM, job.hand)
    except (ValueError, IndexError, KeyError) as error:
        seen.failure = f"not drawn: {error}"
        return seen
    photo = photograph(sheet, **camera(job.repeat, job.scene))
    outcome = compare_shot(Shot(motif, motif.scene.pixels, photo.pixels, MISTAKE_MM, sheet, photo))
    if outcome.error is not None:
        seen.failure = str(outcome.error)
        return seen
    report = outcome.result.report
    seen.measures = {(d.feature, d.measure): (d.value, d.sigma) for d in report.deviations}
    for each in report.corrections + report.later:
        sigmas = [d.sigma for d in report.deviations if d.feature in each.explains and d.unit == report.sheet.unit]
        move = each.move_mm or (0.0, 0.0)
        sigma = float(np.median(sigmas)) if sigmas else 0.0
        seen.items.append((each.kind, each.explains, *move, each.size, sigma, each.text))
    return seen


def show(done: list[Seen]) -> None:
    """Print which corrections come and go, and how far amounts spread."""
    print("\nThe same sheet photographed again")
    print("clear: beyond its limit by more than 2 sigma; steady: in all photographs of its sheet, or in all but one of twenty\n")
    head = ("photos", "items", "steady", "clear", "steady", "as most", "spread/sigma", "<1")
    print(" " * 34 + " ".join(f"{word:>{wide}s}" for word, wide in zip(head, (6, 6, 7, 6, 7, 8, 13, 5), strict=True)))
    flickers = []
    for subject in dict.fromkeys(s.job.subject for s in done):
        own = [s for s in done if s.job.subject == subject]
        sheets = dict.fromkeys((s.job.scene, s.job.hand) for s in own)
        total = []
        for scene, hand in sheets:
            some = [s for s in own if (s.job.scene, s.job.hand) == (scene, hand) and not s.failure]
            if len(some) < 3:
                continue
            counted, lines = _sheet(some)
            total.append(counted)
            flickers += [f"{subject} {scene} {hand}: {line}" for line in lines]
            _print(f"  {subject} {scene} {hand}", counted)
        if total:
            _print(subject, [sum(row) if i < 6 else np.concatenate(row) for i, row in enumerate(zip(*total, strict=True))])
    print("\nWhat comes and goes")
    for line in flickers:
        print(f"  {line}")
    for s in done:
        if s.failure:
            print(f"not compared: {s.job}: {s.failure}")


def _sheet(some: list[Seen]) -> tuple[list, list[str]]:
    """Counts of one sheet, as `_print` takes them, and what comes and goes on it."""
    groups: list[list[tuple[int, tuple]]] = []
    for number, seen in enumerate(some):
        for item in seen.items:
            home = next((g for g in groups if _same(g[0][1], item)), None)
            if home is None:
                groups.append([(number, item)])
            else:
                home.append((number, item))
    most = int(np.ceil(0.95 * len(some)))
    steady = [len({n for n, _ in g}) >= most for g in groups]
    clear = [_clear(g) for g in groups]
    lists = Counter(tuple(sorted(k for k, g in enumerate(groups) if n in {m for m, _ in g})) for n in range(len(some)))
    lines = [
        f"in {len({n for n, _ in g})} of {len(some)}{' (clear)' if c else ''}: {g[0][1][6]}"
        for g, s, c in zip(groups, steady, clear, strict=True)
        if not s
    ]
    numbers = [len(some), len(groups), sum(steady), sum(clear), sum(s and c for s, c in zip(steady, clear, strict=True))]
    return [*numbers, lists.most_common(1)[0][1], _spreads(some)], lines


def _same(one: tuple, other: tuple) -> bool:
    """The same statement: about mostly the same features, not the other way round."""
    a, b = set(one[1]), set(other[1])
    against = one[2] * other[2] + one[3] * other[3] < 0
    return not against and len(a & b) >= SAME * max(len(a | b), 1)


def _clear(group: list[tuple[int, tuple]]) -> bool:
    """Whether its amount is beyond its limit by more than two of its sigmas, in the median of the photographs."""
    beyond = []
    for _, (_, _, x, y, size, sigma, _) in group:
        amount = float(np.hypot(x, y))
        beyond.append((amount - amount / max(size, 1e-9)) - 2 * sigma if amount else (size - 2.0))
    return float(np.median(beyond)) > 0


def _spreads(some: list[Seen]) -> np.ndarray:
    """Standard deviation over the photographs in stated sigmas, of every measure seen in all of them."""
    shared = set.intersection(*(set(s.measures) for s in some))
    values = [np.array([s.measures[key] for s in some]) for key in sorted(shared)]
    return np.array([v[:, 0].std(ddof=1) / max(float(np.median(v[:, 1])), 1e-9) for v in values])


def _print(label: str, row: list) -> None:
    photos, items, steady, clear, clear_steady, alike, spreads = row
    print(
        f"{label:34s} {photos:6d} {items:6d} {steady:7d} {clear:6d} {clear_steady:7d} {100 * alike / photos:7.0f}% "
        f"{np.median(spreads):13.2f} {100 * np.mean(spreads < 1):4.0f}%"
    )


def repeats(todo: list[Job], workers: int) -> list[Seen]:
    """Run the photographs."""
    done = []
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        for seen in pool.imap(run, todo, chunksize=5):
            done.append(seen)
            print(f"\r{len(done)}/{len(todo)} photographs", end="", file=sys.stderr, flush=True)
    return done
