"""The opening in the wall itself: where a row's sides end, and the jamb that shows beside its sashes.

A sash stands back in the wall. So on the far side of an opening its jamb shows, and the first edge met from within is the
sash's, not the wall's. Below it, the sill's lower edge, or the sill's shadow, is often stronger than the opening's own.
People draw the opening in the wall.
"""

from __future__ import annotations

import numpy as np

from featurediff_architecture.openings_arched import segmental_head
from featurediff_architecture.openings_edges import FAINTEST, TRIM, Edges, column_profile, row_profile

# A jamb covers no more than this share of the opening's width; a sash's frame, seen whole, is no wider
# than that share, and what is nearer than the last may be part of one.
JAMB, FRAME, NEAR = 0.45, 0.085, 0.11
# Top and bottom are looked for so far out and in, by the opening's height.
OUTWARD, INWARD = 0.14, 0.4
# So much of a stretch must a side run along for the opening to go on there.
RUNS = 0.6
# An edge stands out from what is usual around by this factor.
CLEAR = 2.5


def wall_sides(edges: Edges, boxes: np.ndarray, widest: np.ndarray, springing: float = 0.0) -> tuple[np.ndarray, float]:
    """Boxes (n, 4) of one row, all of one size and level, with all their sides where the wall ends.

    ``widest`` (n,): share of the width that the jamb of each can show at most, on its right where positive, on its left where
    negative, 0 for none. ``springing``: share of the height that an arched head takes, whose top then stays; 0 for a flat one.
    Second result: the rise px of the low arc that a flat head turned out to be, or 0.
    """
    low_arc = None if springing > 0 else segmental_head(edges, boxes)
    if low_arc is not None:
        boxes = boxes.copy()
        boxes[:, 1] = low_arc[0]
        springing = low_arc[1] / (boxes[0, 3] - boxes[0, 1])
    return _run_ends(edges, beyond_jamb(edges, boxes, widest, springing), springing), (low_arc[1] if low_arc else 0.0)


def beyond_jamb(edges: Edges, boxes: np.ndarray, widest: np.ndarray, springing: float = 0.0) -> np.ndarray:
    """Boxes as for `wall_sides` with only their left and right sides moved."""
    moved = np.empty_like(boxes)
    for side in np.unique(np.sign(widest)):
        own = np.sign(widest) == side
        moved[own] = _widened(edges, boxes[own], float(np.median(widest[own])), springing)
    return moved


def _widened(edges: Edges, boxes: np.ndarray, widest: float, springing: float) -> np.ndarray:
    """Boxes with their sides beyond the sash's frame and beyond the jamb that shows, at most ``widest`` of the width."""
    top, bottom = boxes[0, 1], boxes[0, 3]
    high, wide = bottom - top, boxes[0, 2] - boxes[0, 0]
    columns = _strength(column_profile(edges, top + max(TRIM, springing) * high, bottom - TRIM * high))
    share = min(abs(widest), JAMB)
    room = share / (1 - share) * wide + 2.0
    out = np.arange(0.0, max(room, 0.25 * wide) + 2.0, 0.5)
    right = _peaks(out, _median_at(columns, boxes[:, 2, None] + out))
    left = _peaks(out, _median_at(columns, boxes[:, 0, None] - out))
    frame = _frame(left, right, max(FRAME * wide, 2.5))
    moved = boxes + np.array([-frame[0], 0, frame[1], 0])
    beyond = [[d - own for d, _ in side if d > own + 1.5] for side, own in ((left, frame[0]), (right, frame[1]))]
    if widest > 0:
        moved[:, 2] += _jamb(beyond[1], beyond[0], room, NEAR * wide)
    elif widest < 0:
        moved[:, 0] -= _jamb(beyond[0], beyond[1], room, NEAR * wide)
    return moved


def _run_ends(edges: Edges, boxes: np.ndarray, springing: float) -> np.ndarray:
    """Boxes of one row with top and bottom at the outermost edges to which their upright sides run."""
    top, bottom = boxes[0, 1], boxes[0, 3]
    high = bottom - top
    runs = _side_runs(edges, boxes, springing)
    wide = boxes[:, 2] - boxes[:, 0]
    rows = np.median(
        [_strength(row_profile(edges, a, b)) for a, b in zip(boxes[:, 0] + TRIM * wide, boxes[:, 2] - TRIM * wide, strict=True)],
        axis=0,
    )
    moved = boxes.copy()
    moved[:, 3] = _end(rows, runs, bottom, high, 1)
    if springing == 0:
        moved[:, 1] = _end(rows, runs, top, high, -1)
    return moved


def _side_runs(edges: Edges, boxes: np.ndarray, springing: float) -> np.ndarray:
    """(h,) share of the boxes whose upright sides run along each row of px."""
    top, bottom = boxes[0, 1], boxes[0, 3]
    first, last = int(top + max(0.3, springing) * (bottom - top)), int(bottom - 0.3 * (bottom - top)) + 1
    first = min(first, last - 3)
    shown = []
    for index in (0, 2):
        on = []
        for at in boxes[:, index]:
            centre = int(np.clip(round(at), 2, edges.size[0] - 3))
            strip = edges.gx[:, centre - 1 : centre + 2]
            mean = strip[first:last].mean(0)
            own = mean[int(np.argmax((mean**2).sum(1)))]
            length = float(np.linalg.norm(own))
            if length < 0.7 * FAINTEST:
                continue
            on.append((strip @ (own / length)).max(1) > max(0.7 * FAINTEST, 0.3 * length))
        if on:
            shown.append(np.mean(on, axis=0))
    return np.mean(shown, axis=0) if shown else np.zeros(edges.size[1])


def _end(rows: np.ndarray, runs: np.ndarray, at: float, high: float, way: int) -> float:
    """The outermost place, going ``way`` (1 down, -1 up), with an edge across to which the sides run; ``at`` if there is none."""
    reach = np.arange(-INWARD * high, OUTWARD * high, 0.5)
    found = _peaks(reach, _median_at(rows, at + way * reach[None]))
    strongest = max((v for _, v in found), default=0.0)
    for d, v in sorted(found, reverse=True):
        place = at + way * d
        inner = place - way * (0.25 * high)
        low, stop = sorted((round(place - 2 * way), round(inner)))
        near = sorted((round(place - 2 * way), round(place - way * (0.05 * high + 3))))
        runs_here = min(_mean(runs, low, stop), _mean(runs, *near))
        if v > 0.25 * strongest and runs_here >= RUNS:
            return place
    return at


def _mean(values: np.ndarray, low: int, stop: int) -> float:
    part = values[max(low, 0) : max(stop, low + 1, 1)]
    return float(part.mean()) if len(part) else 0.0


def _frame(left: list, right: list, widest: float) -> tuple[float, float]:
    """How far the sash's frame reaches out on the left and on the right: an edge at the same small distance on both sides."""
    pairs = [(a, b) for a, _ in left for b, _ in right if 1.5 < a <= widest and 1.5 < b <= widest and abs(a - b) <= 1.5]
    return max(pairs, default=(0.0, 0.0))


def _jamb(own: list[float], other: list[float], widest: float, frame: float) -> float:
    """Width of the jamb on one side, whose outward edges are ``own``: the first that the other side has not as well and that is
    not so near that it may be the sash's frame (``frame``), or such a near one where there is no other.

    Edges on both sides are a surround's or shutters', and no jamb lies beyond them; moved out by the jamb, they are still theirs.
    """

    def shared(d: float) -> bool:
        return any(abs(d - o) <= max(1.5, 0.12 * d) for o in other)

    limit = min([d for d in own if shared(d)], default=np.inf)
    alone = [d for d in own if d <= widest and d < limit]
    beyond = [d for d in alone if d > frame]
    return min(beyond) if beyond else max(alone, default=0.0)


def _peaks(places: np.ndarray, values: np.ndarray) -> list[tuple[float, float]]:
    """Places and values of the peaks of ``values`` that rise clearly over its low quarter."""
    if len(values) < 3:
        return []
    middle = values[1:-1]
    top = (middle > values[:-2]) & (middle >= values[2:])
    clear = middle > max(0.6 * FAINTEST, CLEAR * float(np.percentile(values, 25)))
    return [(float(places[k + 1]), float(values[k + 1])) for k in np.flatnonzero(top & clear)]


def _median_at(profile: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Median over rows of ``places`` (n, m) of ``profile`` there."""
    return np.median(np.interp(places, np.arange(len(profile)), profile), axis=0)


def _strength(profile: np.ndarray) -> np.ndarray:
    return np.sqrt((profile**2).sum(1))
