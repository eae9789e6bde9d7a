"""Whether a correction is a hit: it names what is truly wrong, the right way, by about the right amount.

The simulator knows by how much each place of the drawing is off. An item is a hit when, at its arrows (of a turn: at the ends of
what it turns), the true error along them is more than half of the item's limit, and the told amount differs from the true one by
`NEAR_MM` or two stated sigmas of what it explains at most. What was meant can be laid on the sheet where the hand meant to draw
it or by the line-up, which the list is told by; one of the two must make it a hit.
"""

from __future__ import annotations

import math

import numpy as np

NEAR_MM = 1.0
# All that a move explains is off alike; what lies beyond a gap goes with its far end, some of it by less; of other kinds each
# arrow speaks for its own place.
MOVE, GAP = "move", "gap"


def is_hit(correction, result, drawing) -> bool | None:
    """Of a comparison ``result`` of a simulated ``drawing``; None for a statement without a place and a direction (a redraw)."""
    from featurediff.geometry import apply
    from featurediff.lineup import matrix_of

    features = [f for f in result.subject.features if f.name in correction.explains]
    if not features:
        return None
    points = np.vstack([f.points for f in features])
    owners = np.repeat(np.arange(len(features)), [len(f.points) for f in features])
    true = drawing.true_mm(points)
    arrows = _arrows(correction, true)
    if not arrows:
        return None
    told = float(np.mean([np.hypot(*move) for _, move in arrows]))
    least, near = 0.5 * told / max(correction.size, 1e-9), max(NEAR_MM, 2.0 * _sigma(correction, result.report))
    for matrix in (drawing.placement.matrix, matrix_of(result.report.lineup)):
        wanted = apply(matrix, points) - true
        if not correction.arrows:
            wanted = wanted - wanted.mean(0)
        really = _along(correction.kind, arrows, true, wanted, owners)
        if really > least and abs(told - really) <= near:
            return True
    return False


def _arrows(correction, true: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """(place, move to make there) in mm; of a pure turn at the two places farthest from its middle."""
    if correction.arrows or not correction.turn_deg:
        return [(np.array(at), np.array(move)) for at, move in correction.arrows if np.hypot(*move) > 0]
    arm = true - true.mean(0)
    ends = [int((arm**2).sum(1).argmax())]
    ends.append(int((arm @ arm[ends[0]]).argmin()))
    angle = math.radians(correction.turn_deg)
    return [(true[k], angle * np.array([-arm[k, 1], arm[k, 0]])) for k in ends]


def _along(kind: str, arrows, true: np.ndarray, wanted: np.ndarray, owners: np.ndarray) -> float:
    """Mean of the true moves to make along the arrows; ``owners`` (n,): to which feature each place belongs."""
    found = []
    for at, move in arrows:
        along = wanted @ move / float(np.hypot(*move))
        if kind == MOVE:
            found.append(along.mean())
        elif kind == GAP:
            found.append(max(along[owners == k].mean() for k in np.unique(owners)))
        else:
            found.append(along[int(np.hypot(*(true - at).T).argmin())])
    return float(np.mean(found))


def _sigma(correction, report) -> float:
    """Median stated standard uncertainty in mm of the lengths of what it explains."""
    sigmas = [d.sigma for d in report.deviations if d.feature in correction.explains and d.unit == report.sheet.unit]
    return float(np.median(sigmas)) if sigmas else 0.0
