"""Weak matches of a thing's outline that lie far from where the rest of the thing is are not believed.

Under hatching, the edge of a shadow or of the shaded area looks as much like a faint outline as the outline does. On simulated
tables one match in eight of a likeness below `WEAK` had gone to such an edge, one in a hundred above it.
"""

from __future__ import annotations

import numpy as np

from featurediff.geometry import apply, normals
from featurediff.matching.found import Found
from featurediff.records import Subject, under

WEAK = 0.6
# As a share of the subject's size: so far off the thing's own move, a weak match is more likely wrong than the drawing is.
FAR = 0.014
# Up to this likeness a match is not believed when it lies twice as far off: in hatching a side of a bowl went along its rim.
FAIR = 0.75
# So far off from what most features agree on, a weak match is more likely wrong wherever the outline belongs.
ASTRAY = 0.035
# No thing is taken to have moved further than this.
_MOST = 0.04
WHY = "no line that is surely meant for it is seen near its place"


def without_doubtful(subject: Subject, curves: list[np.ndarray], found: list[Found], size: float) -> list[Found]:
    """``found`` without weakly matched curves of things apart that lie far off; ``curves`` are the features' points, frame px."""
    out = list(found)
    for group in subject.groups:
        members = [k for k, f in enumerate(subject.features) if group.apart and under(f.part, group.part)]
        members = [k for k in members if found[k].shifts is not None and len(curves[k]) > 2]
        for k in members:
            if found[k].score >= FAIR or subject.features[k].kind != "curve":
                continue
            others = [j for j in members if j != k and found[j].score > found[k].score]
            move = _move(subject, curves, found, others, size)
            across = normals(curves[k], subject.features[k].closed)
            away = np.sum((found[k].shifts - move) * across, 1)
            limit = FAR if found[k].score < WEAK else 2 * FAR
            if np.percentile(np.abs(away), 75) > limit * size:
                out[k] = Found(why=WHY, score=found[k].score)
    return out


def _move(subject: Subject, curves: list[np.ndarray], found: list[Found], others: list[int], size: float) -> np.ndarray:
    """(2,): the move that these features' normals tell, each counted alike; small where they do not tell it."""
    a, b = np.eye(2) * 0.05, np.zeros(2)
    for k in others:
        across = normals(curves[k], subject.features[k].closed)
        a += across.T @ across / len(across)
        b += across.T @ np.sum(across * found[k].shifts, 1) / len(across)
    move = np.linalg.solve(a, b)
    return move * min(1.0, _MOST * size / max(float(np.hypot(*move)), 1e-9))


def without_strayed(outlines: dict[int, np.ndarray], found: list[Found], base: np.ndarray, size: float) -> list[Found]:
    """``found`` without weakly matched closed outlines that lie far from where ``base`` (3, 3), what most features agree on, puts
    them. ``outlines``: their points (n, 2) frame px, by index."""
    out = list(found)
    for k, outline in outlines.items():
        place = found[k]
        if place.shifts is None or place.score >= WEAK:
            continue
        away = (outline + place.shifts - apply(base, outline)).mean(0)
        if float(np.hypot(*away)) > ASTRAY * size:
            out[k] = Found(why=WHY, score=place.score)
    return out
