"""A general outline followed along its own stroke, where that leaves its place for a while: a dent, a bump.

What is like the reference is found by its likeness, and a stretch drawn three or four millimetres off over one or two centimetres
is not like it any more. But where the rest of the outline lies on its stroke, the stroke itself leads there and back: the darkest
smooth path along the outline tells. It is believed only where nothing else could be meant: clear pencil all the way, none where
the outline belongs, no second path, and no edge of the reference for which another line would be drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from featurediff.geometry import normals, runs
from featurediff.matching.found import Found
from featurediff.paths import best_path, peak_shift

# As shares of the size: steps along and across, the blur, where the paper beside a line begins, how far a stroke is followed.
ALONG = 0.0020
ACROSS = 0.0010
BLUR = 0.0016
ASIDE = 0.0050
REACH = 0.052
# A stroke nearer to its place than this has not left it; one that comes as far as `LEFT` has.
ON = 0.0045
LEFT = 0.010
SHORTEST, LONGEST = 0.02, 0.35
# Of the outline, the share that must lie on its stroke.
ON_PLACE = 0.5
# Depths, as shares of what the outline's stroke has elsewhere: of the departing stroke, of its faintest stretch, and of what may
# be seen at the outline's own place.
DEEP, FAINTEST, EMPTY = 0.3, 0.1, 0.4
# A second path as deep as this share of the first leaves both in doubt.
SECOND = 0.7
# An outline can't be followed when that is so along this share of it.
CROWDED = 0.4
# An edge of the reference under the departing stroke that rises by this share of the outline's own there, both seen at this blur.
OTHER_EDGE = 0.14
EDGE_BLUR = 0.0032
# A followed stroke's place is known to this share of the size.
KNOWN = 0.0020
# What a step aside by one column costs (squared), and the farthest column, in usual depths.
BENT, ASTRAY = 0.02, 0.15
# What is said of an outline whose stroke can't be followed.
UNFOLLOWED = "short dents: the outline can't be told from the pencil around it"
# Of the drawing's range from dark to light: a fainter stroke is not followed.
LEAST_DEPTH = 0.02


@dataclass(frozen=True)
class _Lane:
    """An outline sampled evenly: ``drawn`` (n, 2) where it was found, ``across`` (n, 2) its unit normals, ``meant`` (n, 2) the
    reference's own line and ``shift`` (2,) how far the drawn one has moved from it on the whole, ``place`` (n,) along its points
    (1.5: between the second and the third).

    ``depth`` (n, m): how much darker than the paper to both its sides the drawing is at the offsets ``aside`` (m,) px, 1 for the
    outline's usual stroke. ``path`` (n,) columns and ``offset`` (n,) px: the stroke that was followed.
    """

    drawn: np.ndarray
    across: np.ndarray
    meant: np.ndarray
    shift: np.ndarray
    place: np.ndarray
    depth: np.ndarray
    aside: np.ndarray
    closed: bool
    path: np.ndarray = field(default_factory=lambda: np.zeros(0, int))
    offset: np.ndarray = field(default_factory=lambda: np.zeros(0))


def strokes_of(laid: np.ndarray, size: float) -> np.ndarray:
    """(h, w) how much darker each px of a drawing (h, w) is than the paper to both sides of a line through it, whichever way the
    line runs; 0 to 1."""
    smooth = cv2.GaussianBlur(laid.astype(np.float32), (0, 0), BLUR * size)
    straight, slanting = max(round(ASIDE * size), 1), max(round(ASIDE * size / 2**0.5), 1)
    depth = np.zeros_like(smooth)
    for x, y in ((straight, 0), (0, straight), (slanting, slanting), (slanting, -slanting)):
        there, back = (cv2.warpAffine(smooth, np.float32([[1, 0, way * x], [0, 1, way * y]]), smooth.shape[::-1],
                                      borderMode=cv2.BORDER_REPLICATE) for way in (1, -1))  # fmt: skip
        depth = np.maximum(depth, np.minimum(there, back) - smooth)
    return depth


def smoothed_for_edges(picture: np.ndarray, size: float) -> np.ndarray:
    """A picture (h, w) or (h, w, 3) in the frame, as (h, w, 3) float32 smoothed so that its edges can be told from its grain."""
    colours = picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, 2)
    return cv2.GaussianBlur(colours.astype(np.float32), (0, 0), EDGE_BLUR * size)


def followed(curve: np.ndarray, closed: bool, place: Found, strokes: np.ndarray, smooth: np.ndarray, size: float) -> Found:
    """``place`` with those points of a smooth outline moved that its own stroke leads elsewhere; points from which the stroke has
    gone, no one knows where, are marked as not seen, and it is said when the stroke can't be followed at all.

    ``curve`` (n, 2) frame px; ``strokes`` (h, w): of the drawing in the frame, see `strokes_of`; ``smooth`` (h, w, 3): the
    reference there, see `smoothed_for_edges`.
    """
    lane = _lane(curve, curve + place.shifts, closed, strokes, size)
    if lane is None:
        return replace(place, partly=UNFOLLOWED)
    path = best_path((lane.depth - ASTRAY * (lane.aside / lane.aside[-1]) ** 2).astype(np.float32), BENT, closed)
    offset = _smoothed(lane.aside[path] + ACROSS * size * peak_shift(lane.depth, path), closed)
    departed = np.abs(offset) > ON * size
    lane = replace(lane, path=path, offset=offset)
    if departed.mean() > 1 - ON_PLACE or _crowded(lane, size):
        return replace(place, partly=UNFOLLOWED)
    if not departed.any():
        return place
    moved, unseen = np.zeros(len(offset)), np.zeros(len(offset), bool)
    for run in runs(departed, closed):
        if np.abs(offset[run]).max() <= LEFT * size:
            continue
        if _believed(lane, run, smooth, size):
            whole = _whole(run, offset, closed)
            moved[whole] = offset[whole]
        elif _left(lane, run, size):
            unseen[run] = True
    place = _moved(place, lane, moved, size) if moved.any() else place
    return _unseen(place, lane, unseen) if unseen.any() else place


def _lane(curve: np.ndarray, drawn: np.ndarray, closed: bool, strokes: np.ndarray, size: float) -> _Lane | None:
    ring = [0] if closed else []
    meant, line = (np.vstack([each, each[ring]]) for each in (curve, drawn))
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    count = round(arc[-1] / (ALONG * size))
    if count < 3 * SHORTEST / ALONG:
        return None
    place = np.interp(np.linspace(0, arc[-1], count, endpoint=not closed), arc, np.arange(len(line)))
    line, meant = (
        np.column_stack([np.interp(place, np.arange(len(each)), each[:, i]) for i in (0, 1)]) for each in (line, meant)
    )
    across = normals(line, closed)
    steps = round(REACH / ACROSS)
    aside = np.arange(-steps, steps + 1) * ACROSS * size
    depth = _sampled(strokes, line, across, aside)
    usual = float(np.median(depth[:, np.abs(aside) <= ON * size].max(1)))
    if usual < LEAST_DEPTH:
        return None
    return _Lane(line, across, meant, np.median(drawn - curve, axis=0), place, np.clip(depth / usual, 0.0, 1.0), aside, closed)


def _sampled(layers: np.ndarray, line: np.ndarray, across: np.ndarray, aside: np.ndarray) -> np.ndarray:
    """(n, m, ...) values beside a line (n, 2), at ``aside`` (m,) px along its normals."""
    where = (line[:, None] + aside[None, :, None] * across[:, None]).astype(np.float32)
    return cv2.remap(layers, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _whole(run: np.ndarray, offset: np.ndarray, closed: bool) -> np.ndarray:
    """The run, and before and after it what leads to it from where the stroke crosses its place."""
    count, way = len(offset), np.sign(offset[run].sum())
    start, stop = int(run[0]), int(run[0]) + len(run)
    while stop - start < count and (closed or start > 0) and way * offset[(start - 1) % count] > 0:
        start -= 1
    while stop - start < count and (closed or stop < count) and way * offset[stop % count] > 0:
        stop += 1
    return np.arange(start, stop) % count


def _smoothed(offset: np.ndarray, closed: bool) -> np.ndarray:
    reach = min(6, len(offset) - 1)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / 2.0) ** 2)
    return np.convolve(np.pad(offset, reach, mode="wrap" if closed else "edge"), kernel / kernel.sum(), "valid")


def _believed(lane: _Lane, run: np.ndarray, smooth: np.ndarray, size: float) -> bool:
    """Whether the path's departure along ``run`` is the outline's own stroke."""
    if not SHORTEST <= len(run) * ALONG <= LONGEST:
        return False
    if not lane.closed and (run[0] == 0 or run[-1] == len(lane.offset) - 1):
        return False  # it does not come back
    along = lane.depth[run, lane.path[run]]
    part = max(round(0.01 / ALONG), 2)
    if along.mean() < DEEP or np.convolve(along, np.ones(part) / part, "valid").min(initial=1.0) < FAINTEST:
        return False
    if not _left(lane, run, size):
        return False
    away = np.abs(lane.offset[run]) > 2 * ON * size
    return not _second(lane, run, size) and not _other_edge(lane, run[away], smooth, size)


def _left(lane: _Lane, run: np.ndarray, size: float) -> bool:
    """Whether there is no stroke where the outline was found, along so much of ``run`` that it matters."""
    away = np.abs(lane.offset[run]) > 2 * ON * size
    own = lane.depth[run][:, np.abs(lane.aside) <= ON * size].max(1)
    return bool(away.sum() * ALONG >= 0.5 * SHORTEST and own[away].mean() <= EMPTY)


def _crowded(lane: _Lane, size: float) -> bool:
    """Whether others, nearly as deep, run beside much of the stroke, as hatching does: where it goes can't be told then."""
    depth = lane.depth.copy()
    depth[np.abs(lane.aside[None] - lane.offset[:, None]) <= 1.3 * ON * size] = 0.0
    rows, part = np.arange(len(depth)), np.ones(max(round(SHORTEST / ALONG), 1))
    first = np.convolve(lane.depth[rows, lane.path], part, "same")
    other = np.convolve(depth[rows, best_path(depth, BENT, lane.closed)], part, "same")
    return float((other > SECOND * first).mean()) > CROWDED


def _second(lane: _Lane, run: np.ndarray, size: float) -> bool:
    """Whether another path beside the first is nearly as deep."""
    depth = lane.depth[run].copy()
    depth[np.abs(lane.aside[None] - lane.offset[run, None]) <= 1.3 * ON * size] = 0.0
    other = best_path(depth, BENT)
    first = lane.depth[run, lane.path[run]].mean()
    return float(depth[np.arange(len(run)), other].mean()) > SECOND * float(first)


def _other_edge(lane: _Lane, run: np.ndarray, smooth: np.ndarray, size: float) -> bool:
    """Whether the reference shows an edge along the path beside the outline's own: another line may be drawn there.

    An edge is where the colours step more than on the way there from the outline: a rounded thing's shade runs out slowly.
    """
    steps = _steps(lane, smooth)
    own = float(np.mean(steps[run][:, np.abs(lane.aside) <= ON * size].max(1)))
    across = normals(lane.meant, lane.closed)
    at = np.sum((lane.drawn + lane.offset[:, None] * lane.across - lane.shift - lane.meant) * across, 1)[run]
    # Where the path runs on the outline's own edge, only its place had been told badly.
    away = np.abs(at) > 1.5 * ON * size
    if away.mean() <= 0.3:
        return False
    clear = [_rise(steps[row], lane.aside, each, ON * size) for row, each in zip(run[away], at[away], strict=True)]
    return float(np.mean(clear)) > OTHER_EDGE * own


def _steps(lane: _Lane, smooth: np.ndarray) -> np.ndarray:
    """(n, m) how much the colours of a picture (h, w, 3) change per column across the reference's own line."""
    colours = _sampled(smooth, lane.meant, normals(lane.meant, lane.closed), lane.aside)
    steps = np.sqrt((np.gradient(colours, axis=1) ** 2).sum(2)).astype(np.float32)
    return cv2.GaussianBlur(steps, (1, 13), 2.0, borderType=cv2.BORDER_REPLICATE)


def _rise(steps: np.ndarray, aside: np.ndarray, at: float, near: float) -> float:
    """How far the steps (m,) near the place ``at`` rise above the least of them between it and the line at 0."""
    between = (aside >= min(at, 0.0)) & (aside <= max(at, 0.0))
    return float(steps[np.abs(aside - at) <= near].max(initial=0.0) - steps[between].min(initial=np.inf))


def _moved(place: Found, lane: _Lane, moved: np.ndarray, size: float) -> Found:
    """``place`` with its points moved by ``moved`` (n,) px across, along the lane; a stroke tells their place well."""
    count = len(place.shifts)
    period = count if lane.closed else None
    amount, *across = (np.interp(np.arange(count), lane.place, each, period=period) for each in (moved, *lane.across.T))
    known = np.where((np.abs(amount) > 0)[:, None, None], (KNOWN * size) ** 2 * np.eye(2), place.covariances)
    return replace(place, shifts=place.shifts + amount[:, None] * np.column_stack(across), covariances=known)


def _unseen(place: Found, lane: _Lane, unseen: np.ndarray) -> Found:
    """``place`` with the points marked that lie on ``unseen`` (n,) rows of the lane."""
    count = len(place.shifts)
    near = np.interp(np.arange(count), lane.place, unseen.astype(float), period=count if lane.closed else None)
    return replace(place, unseen=near > 0.5)
