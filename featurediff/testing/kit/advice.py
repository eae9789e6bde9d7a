"""Advice in words for one feature: what on the reference makes it hard to find, and what its author can do about it.

The limits are judgement, read off simulated drawings; each advice names the value it stands on.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.geometry import normals, resample
from featurediff.records import Feature, Subject
from featurediff.testing.kit.mistaken import OTHER, STAYED
from featurediff.testing.kit.moves import main_normal
from featurediff.testing.kit.records import Row

# Grey levels (0..255) of the step or line that an edge shows across itself.
HARDLY_AN_EDGE, WEAK_EDGE = 8.0, 25.0
# mm on the paper: two lines nearer than this are one pencil line, or the matching can't tell them apart.
TOO_NEAR_MM = 1.5
TOO_SMALL_MM = 3.0
# An edge beside is another feature when they lie equally far away to within this, mm.
BESIDE_MM = 1.0
# The share of its line that must be seen to move one way only (see `main_normal`).
STRAIGHT = 0.95
LOW_GAIN, HIGH_GAIN = 0.85, 1.15
FOUND_ENOUGH = 0.75


@dataclass(frozen=True)
class Hints:
    """What advice is read from: the reference (h, w, 3), what was found on it, and ``mm_per_px`` on the simulated sheet."""

    pixels: np.ndarray
    subject: Subject
    mm_per_px: float


def advise(k: int, row: Row, reasons: list[str], mistakes: list[tuple[str, str]], hints: Hints) -> str:
    """A sentence or more for the ``k``-th feature, or "" when it did well.

    ``reasons``: why it was not found; ``mistakes``: what it was taken for elsewhere (see `mistaken.taken_for`).
    """
    trouble = _trouble(row, hints, hints.subject.features[k])
    if not trouble:
        return ""
    why = _happened(row, mistakes)
    if reasons and row.found < FOUND_ENOUGH * row.drawn:
        why.append(f"mostly because {_lowered(Counter(reasons).most_common(1)[0][0])}")
    speaks = causes(k, hints)
    if not speaks:
        edge = edge_strength(hints.subject.features[k], hints.pixels, hints.subject.size_px)
        speaks = [f"its edge is plain ({edge:.0f} of 255 grey levels) and the reference shows no cause; {_next(mistakes)}"]
    return f"{trouble}: {'; '.join([*why, *speaks])}."


def _lowered(reason: str) -> str:
    return reason[:1].lower() + reason[1:].rstrip(".")


def _happened(row: Row, mistakes: list[tuple[str, str]]) -> list[str]:
    """What it was taken for most often, in words."""
    if not mistakes:
        return []
    kind = Counter(kind for kind, _ in mistakes).most_common(1)[0][0]
    words = [word for own, word in mistakes if own == kind]
    count = f"on {len(words)} of {row.found} drawings"
    if kind == OTHER:
        return [f"{count} it was taken for '{Counter(words).most_common(1)[0][0]}'"]
    if kind == STAYED:
        return [f"{count} it was found where it was before it was moved"]
    return [f"{count} it was found on something else, {words[0]}"]


def _next(mistakes: list[tuple[str, str]]) -> str:
    """What to try when the reference shows no cause."""
    kinds = {kind for kind, _ in mistakes}
    if OTHER in kinds:
        return "name one of the two only, or take in a bend or a corner that the other has not"
    if STAYED in kinds:
        return "something there does not move with it, such as a texture or a second edge: take a longer piece of it"
    if kinds:
        return "take a longer piece of it, with a bend or a corner; --keep DIR shows the drawings"
    return "a hand's own wobble is in this figure too; --keep DIR shows the drawings"


def _trouble(row: Row, hints: Hints, feature: Feature) -> str:
    if not row.drawn:
        return ""
    if row.found < FOUND_ENOUGH * row.drawn:
        return "seldom found" if row.found else "never found"
    if row.gain is not None and not LOW_GAIN <= row.gain <= HIGH_GAIN:
        return f"shows {100 * row.gain:.0f} % of its moves"
    if row.false_items:
        return "listed on a perfect copy"
    if row.error_mm is not None and row.error_mm > class_limit_mm(feature, hints.subject.size_px * hints.mm_per_px):
        return f"off by {row.error_mm:.1f} mm, more than its class {feature.tolerance} allows"
    return ""


def class_limit_mm(feature: Feature, size_mm: float) -> float:
    """The limit of a feature's class in mm, for a subject of ``size_mm``."""
    from featurediff.settings import Tolerances

    own = getattr(Tolerances(), feature.tolerance)
    return max(own.floor_mm, own.percent / 100 * size_mm)


def causes(k: int, hints: Hints) -> list[str]:
    """What on the reference speaks against the ``k``-th feature, the weightiest first."""
    feature = hints.subject.features[k]
    out = []
    edge = edge_strength(feature, hints.pixels, hints.subject.size_px)
    if edge < HARDLY_AN_EDGE:
        out.append(f"hardly any edge there ({edge:.0f} of 255 grey levels): lay it where tone changes, or leave it out")
    elif edge < WEAK_EDGE:
        out.append(f"only a weak edge there ({edge:.0f} of 255 grey levels): hands draw it faintly or not at all")
    name, gap = nearest(k, hints)
    if gap < TOO_NEAR_MM:
        out.append(f"too near '{name}' ({gap:.1f} mm on the paper): a hand draws one line for both; keep one of them")
    away = edge_beside(feature, hints.pixels, hints.subject.size_px) * hints.mm_per_px
    if np.isfinite(away):
        named = abs(gap - away) < BESIDE_MM
        what = f"'{name}'" if named else "another edge"
        cure = "only their order tells them apart" if named else "take the stronger, or name it in 'beside'"
        out.append(f"{what} runs along it, {away:.1f} mm away: a hand may draw one line for both; {cure}")
    reach = float(np.hypot(*np.ptp(feature.points, axis=0))) * hints.mm_per_px
    if feature.kind not in ("segment", "point") and not feature.slides and main_normal(feature)[1] > STRAIGHT:
        out.append(
            "this curve is ambiguous: it slides along itself; make it a segment if it is straight, or take in the bends at its "
            "ends, or set slides=True"
        )
    if feature.kind != "point" and reach < TOO_SMALL_MM:
        out.append(f"it is small ({reach:.1f} mm on the paper): name the larger thing it belongs to")
    return out


def edge_strength(feature: Feature, pixels: np.ndarray, size_px: float) -> float:
    """Median over the feature's line of the step or line across it, in grey levels, within 1 % of the size to either side."""
    step, ridge = _steps(_profiles(feature, pixels, size_px, np.linspace(-0.02, 0.02, 17)))
    return float(np.median(np.maximum(step, ridge)))


def edge_beside(feature: Feature, pixels: np.ndarray, size_px: float) -> float:
    """How far from a line, px, another edge runs along it that is at least half as strong; inf when none does.

    Looked for within 3.5 % of the size; what lies nearer than 0.9 % belongs to the line itself. Medians along the line, so that
    what only crosses it does not count.
    """
    if len(feature.points) < 2:
        return float("inf")
    offsets = np.linspace(-0.035, 0.035, 57)
    slope = np.median(np.abs(np.gradient(_profiles(feature, pixels, size_px, offsets), axis=1)), axis=0)
    near = np.abs(offsets) < 0.009
    peak = np.r_[False, (slope[1:-1] >= slope[:-2]) & (slope[1:-1] > slope[2:]), False]
    others = np.flatnonzero(peak & ~near & (slope > 0.5 * slope[near].max()) & (slope > 1.0))
    return float(np.abs(offsets[others]).min() * size_px) if len(others) else float("inf")


def _profiles(feature: Feature, pixels: np.ndarray, size_px: float, offsets: np.ndarray) -> np.ndarray:
    """(n, k) grey levels across the feature at n places of it; ``offsets`` (k,) as shares of the size."""
    scale = min(1.0, 500.0 / size_px)
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY).astype(np.float32)
    grey = cv2.GaussianBlur(grey, (0, 0), max(0.003 * size_px, 0.7))
    if len(feature.points) == 1:
        angles = np.linspace(0, 2 * np.pi, 16, endpoint=False)
        line = np.repeat(feature.points, 16, 0)
        across = np.column_stack([np.cos(angles), np.sin(angles)])
    else:
        line = resample(feature.points, max(2.0 / scale, 0.25), feature.closed)
        across = normals(line, feature.closed)
    at = (line[:, None] + size_px * offsets[None, :, None] * across[:, None]).astype(np.float32)
    return cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _steps(profile: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of profiles (n, 17): the largest step between neighbouring means, and the largest dark or light line, near the middle."""
    step, ridge = np.zeros(len(profile)), np.zeros(len(profile))
    for at in range(5, 12):
        before, here, after = profile[:, at - 4 : at - 1].mean(1), profile[:, at], profile[:, at + 2 : at + 5].mean(1)
        step = np.maximum(step, np.abs(after - before))
        both = np.minimum(np.abs(here - before), np.abs(here - after))
        ridge = np.maximum(ridge, np.where((here - before) * (here - after) > 0, both, 0.0))
    return step, ridge


def nearest(k: int, hints: Hints) -> tuple[str, float]:
    """The feature that runs beside the ``k``-th for most of its length, and how near in mm; ("", inf) when there is none.

    A point may well lie on a line (a mouth's corner): it is compared with points only.
    """
    point = hints.subject.features[k].kind == "point"
    mine = _line(hints.subject.features[k])
    best = ("", float("inf"))
    for j, other in enumerate(hints.subject.features):
        if j == k or (point and other.kind != "point"):
            continue
        theirs = _line(other)
        away = np.sqrt(((mine[:, None] - theirs[None]) ** 2).sum(2).min(1))
        gap = float(np.percentile(away, 60)) * hints.mm_per_px
        if gap < best[1]:
            best = (other.name, gap)
    return best


def _line(feature: Feature) -> np.ndarray:
    reach = float(np.hypot(*np.ptp(feature.points, axis=0)))
    return resample(feature.points, max(reach / 150, 0.25), feature.closed)
