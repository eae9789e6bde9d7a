"""Long straight edges: OpenCV's line segment detector, merged over gaps, refitted to a fraction of a px.

The detector is that of von Gioi, Jakubowicz, Morel and Randall 2012, "LSD: a Line Segment Detector", IPOL 2.
All coordinates are working px; all arrays are float64.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from featurediff_architecture.working import Working, sample

# Shorter segments are texture; no more than so many of the longest are looked at, which bounds the time.
SHORTEST = 10.0
AT_MOST = 1500
# Merged lines shorter than this are dropped.
SCRAP = 18.0
# Collinear: ends within this many px of the line, and the directions within this many degrees.
BESIDE = 1.6
TURNED = 2.5
# A gap is closed when it is shorter than the first share of the shorter piece, or when it is shorter than the second and a
# share of it, `SHOWN`, shows the edge.
GAP, WIDEST = 0.4, 4.0
SHOWN = 0.6
# An edge "shows" where its slope reaches this share of the slope on the segments beside it, and this many grey levels per px.
FAINT = 0.3
FAINTEST = 1.0
# Where an edge shows in colour, its two sides differ by so much (Lab) over so large a share of it.
DIFFERS, STEADY = 4.0, 0.85
# The two edges of a line thinner than this (px) are one line.
THIN = 9.0


@dataclass(frozen=True)
class Lines:
    """n straight edges.

    ``ends`` (n, 2, 2): first and second end. ``step`` (n,): mean slope across, grey levels per px, positive when the right
    hand side (looking from the first end to the second, y down) is the lighter one; of a thin line that of its stronger edge.
    ``shown`` (n,): share of the length that detected segments cover. ``thin`` (n,): thickness in px of a line drawn in paint,
    wire or mortar, 0 for an edge.
    """

    ends: np.ndarray
    step: np.ndarray
    shown: np.ndarray
    thin: np.ndarray

    def __len__(self) -> int:
        return len(self.ends)

    @cached_property
    def vector(self) -> np.ndarray:
        """(n, 2) from the first end to the second."""
        return self.ends[:, 1] - self.ends[:, 0]

    @cached_property
    def length(self) -> np.ndarray:
        """(n,) px."""
        return np.hypot(*self.vector.T)

    @cached_property
    def direction(self) -> np.ndarray:
        """(n, 2) unit vectors."""
        return self.vector / np.maximum(self.length, 1e-9)[:, None]

    @cached_property
    def normal(self) -> np.ndarray:
        """(n, 2) unit vectors to the right hand side (y down)."""
        return np.column_stack([-self.direction[:, 1], self.direction[:, 0]])

    @cached_property
    def middle(self) -> np.ndarray:
        """(n, 2)."""
        return self.ends.mean(1)

    @cached_property
    def angle(self) -> np.ndarray:
        """(n,) degrees from the x axis, clockwise on the picture, in -90..90."""
        return (np.degrees(np.arctan2(*self.vector.T[::-1])) + 90.0) % 180.0 - 90.0

    def take(self, index: np.ndarray) -> Lines:
        """The lines of ``index`` (numbers or a mask)."""
        return Lines(self.ends[index], self.step[index], self.shown[index], self.thin[index])


def find_lines(working: Working, raw: np.ndarray | None = None) -> Lines:
    """Straight edges of the working copy, longest first; ``raw``: its `raw_segments`, where they are known already."""
    raw = raw_segments(working.grey) if raw is None else raw
    merged = merge(raw, working)
    fitted = refit(merged, working.gradient)
    single = join_thin(fitted)
    return single.take(np.argsort(-single.length))


def raw_segments(grey: np.ndarray) -> np.ndarray:
    """(n, 2, 2) ends of the detector's segments on ``grey`` (h, w), longest first, at most `AT_MOST`."""
    # ADV is the published detector: only it validates by the number of false alarms.
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_ADV).detect(np.clip(grey, 0, 255).astype(np.uint8))[0]
    if found is None:
        return np.zeros((0, 2, 2))
    # OpenCV 4 hands over (n, 1, 4), OpenCV 5 (n, 4).
    ends = np.asarray(found, float).reshape(-1, 2, 2)
    length = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    order = np.argsort(-length)
    return ends[order[length[order] >= SHORTEST][:AT_MOST]]


# ---------------------------------------------------------------- merging


def merge(ends: np.ndarray, working: Working) -> Lines:
    """Collinear segments (n, 2, 2), longest first, joined into lines where the gap is short or shows the edge."""
    free = np.ones(len(ends), bool)
    lines: list[np.ndarray] = []
    shown: list[float] = []
    length = np.hypot(*(ends[:, 1] - ends[:, 0]).T) if len(ends) else np.zeros(0)
    angle = np.degrees(np.arctan2(*(ends[:, 1] - ends[:, 0]).T[::-1])) if len(ends) else np.zeros(0)
    for seed in range(len(ends)):
        if not free[seed]:
            continue
        if length[seed] < SCRAP / 1.5:
            break  # what is left is too short to grow from
        free[seed] = False
        line, cover = _grow(seed, ends, length, angle, free, working)
        lines.append(line)
        shown.append(cover)
    n = len(lines)
    merged = Lines(np.array(lines).reshape(n, 2, 2), np.zeros(n), np.array(shown), np.zeros(n))
    return merged.take(merged.length > SCRAP)


def _grow(seed, ends, length, angle, free, working) -> tuple[np.ndarray, float]:
    """The line that grows from one segment, and the share of it that segments cover; takes what it uses out of ``free``."""
    own = [seed]
    line = ends[seed]
    for _ in range(3):
        start, way = line[0], line[1] - line[0]
        reach = float(np.hypot(*way))
        way = way / reach
        turned = np.abs((angle - np.degrees(np.arctan2(way[1], way[0])) + 90.0) % 180.0 - 90.0)
        near = np.flatnonzero(free & (turned < np.maximum(TURNED, np.degrees(np.arctan2(1.5, length)))))
        rel = ends[near] - start
        along = np.sort(rel @ way, axis=1)
        across = np.abs(rel @ np.array([-way[1], way[0]]))
        # What lies far beyond the ends may stray a little more: the line's own angle is known only so well.
        beyond = np.maximum(np.maximum(-along[:, 0], along[:, 1] - reach), 0.0)
        fits = across.max(1, initial=0.0) < BESIDE + 0.004 * np.minimum(beyond, reach)
        near, along = near[fits], along[fits]
        taken = _reachable(near, along, reach, start, way, working)
        if not taken:
            break
        free[taken] = False
        own += taken
        line = _through(ends[own], way)
    spans = np.sort((ends[own] - line[0]) @ ((line[1] - line[0]) / np.hypot(*(line[1] - line[0]))), axis=1)
    return line, _covered(spans) / float(np.hypot(*(line[1] - line[0])))


def _reachable(near, along, reach, start, way, working) -> list[int]:
    """Those of ``near`` whose gap to what is already there can be closed, going outwards on both sides."""
    low, high = 0.0, reach
    taken: list[int] = []
    for k in np.argsort(np.maximum(-along[:, 0], along[:, 1] - reach)):
        a, b = along[k]
        gap = max(low - b, a - high, 0.0)
        piece = min(b - a, high - low)
        if gap > WIDEST * piece or (gap > 4.0 and gap > GAP * piece and not _shows(start, way, low, high, a, b, working)):
            continue
        taken.append(int(near[k]))
        low, high = min(low, a), max(high, b)
    return taken


def _shows(start, way, low, high, a, b, working) -> bool:
    """Is there an edge in the gap between the span (low, high) and the span (a, b)? It must rise the same way nearly throughout
    (texture rises now this way, now that), or part two colours."""
    first, last = (high, a) if a > high else (b, low)
    side = np.array([-way[1], way[0]])

    def on(t: np.ndarray) -> np.ndarray:
        return (start + t[:, None] * way)[None]

    t = np.linspace(first, last, min(max(int(last - first), 3), 80))
    gap = sample(working.gradient, on(t))[0] @ side
    beside = np.abs(sample(working.gradient, on(np.linspace(a, b, 9)))[0] @ side)
    least = max(FAINT * float(np.median(beside)), FAINTEST)
    if max((gap > least).mean(), (gap < -least).mean()) > SHOWN:
        return True
    apart = sample(working.colour, on(t) + 4.0 * side)[0] - sample(working.colour, on(t) - 4.0 * side)[0]
    mean = apart.mean(0)
    return float((apart @ (mean / max(float(np.linalg.norm(mean)), 1e-6)) > DIFFERS).mean()) > STEADY


def _through(ends: np.ndarray, way: np.ndarray) -> np.ndarray:
    """(2, 2) ends of the least-squares line through segments (k, 2, 2), weighted by their lengths."""
    points = ends.reshape(-1, 2)
    weight = np.repeat(np.hypot(*(ends[:, 1] - ends[:, 0]).T), 2)
    mean = weight @ points / weight.sum()
    rel = points - mean
    _, vectors = np.linalg.eigh((rel * weight[:, None]).T @ rel)
    direction = vectors[:, 1] if vectors[:, 1] @ way > 0 else -vectors[:, 1]
    along = rel @ direction
    return mean + np.outer([along.min(), along.max()], direction)


def _covered(spans: np.ndarray) -> float:
    """Length of the union of spans (k, 2)."""
    total, end = 0.0, -np.inf
    for a, b in spans[np.argsort(spans[:, 0])]:
        total += max(b - max(a, end), 0.0)
        end = max(end, b)
    return total


# ---------------------------------------------------------------- fitting

_ALONG = np.linspace(0.0, 1.0, 48)
_ACROSS = np.arange(-3.0, 3.01, 0.5)


def refit(lines: Lines, gradient: np.ndarray) -> Lines:
    """Each line laid through the steepest places across it (parabola at the peak, outliers dropped); its ends keep their place
    along it."""
    if not len(lines):
        return lines
    ends = lines.ends.copy()
    for _ in range(2):
        current = Lines(ends, lines.step, lines.shown, lines.thin)
        normal = current.normal
        on = ends[:, :1] + _ALONG[None, :, None] * current.vector[:, None]
        grid = on[:, :, None] + _ACROSS[None, None, :, None] * normal[:, None, None]
        # Linear in between would pull the peak towards whole px.
        slope = sample(gradient, grid.reshape(len(ends), -1, 2), smooth=True).reshape(*grid.shape)
        slope = np.einsum("npqc,nc->npq", slope, normal)
        step = slope[:, :, 4:9].mean((1, 2))
        sign = np.where(step < 0, -1.0, 1.0)
        offset, weight = _peaks(slope * sign[:, None, None])
        shift, tilt = _robust_fit(offset, weight)
        ends = ends + normal[:, None] * (shift[:, None] + np.array([-0.5, 0.5]) * tilt[:, None])[..., None]
    return Lines(ends, step, lines.shown, lines.thin)


def _peaks(slope: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Offset across (n, p) of the steepest place and its weight, from slopes (n, p, q); a place far off counts less."""
    q = slope.shape[2]
    fade = 1.0 - 0.5 * (np.abs(_ACROSS) / _ACROSS[-1]) ** 2
    at = np.clip((slope * fade).argmax(2), 1, q - 2)
    left, mid, right = (np.take_along_axis(slope, at[..., None] + d, 2)[..., 0] for d in (-1, 0, 1))
    bend = left - 2 * mid + right
    part = np.where(bend < -1e-6, 0.5 * (left - right) / np.where(bend < -1e-6, bend, 1.0), 0.0)
    return _ACROSS[at] + 0.5 * np.clip(part, -1, 1), np.maximum(mid, 0.0)


def _robust_fit(offset: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Weighted straight fit of offsets (n, p) over the length, reweighted by Cauchy's function: shift (n,) at the middle and
    rise (n,) from end to end."""
    t = _ALONG - 0.5
    base = weight / np.maximum(weight.max(1, keepdims=True), 1e-6) + 1e-3
    use = base
    for _ in range(6):
        w, wt, wtt = use.sum(1), use @ t, use @ (t * t)
        b, bt = (use * offset).sum(1), (use * offset) @ t
        det = np.maximum(w * wtt - wt * wt, 1e-9)
        shift, rise = (wtt * b - wt * bt) / det, (w * bt - wt * b) / det
        left = offset - shift[:, None] - rise[:, None] * t
        use = base / (1.0 + (left / 0.4) ** 2)
    return shift, rise


# ---------------------------------------------------------------- thin lines


def join_thin(lines: Lines) -> Lines:
    """The two edges of a thin line (opposite steps, side by side, about as long) become its middle line."""
    if len(lines) < 2:
        return lines
    ends, thin, free = lines.ends.copy(), lines.thin.copy(), np.ones(len(lines), bool)
    length, normal, direction = lines.length, lines.normal, lines.direction
    first, second = _beside(lines)
    for k in np.argsort(-length):
        mates = second[(first == k) & free[second]]
        if not free[k] or not len(mates):
            continue
        rel = lines.ends[mates] - lines.ends[k, 0]
        across = rel @ normal[k]
        best = int(np.abs(across).max(1).argmin())
        along = rel[best] @ direction[k]
        shift = across[best] if along[0] < along[1] else across[best][::-1]
        ends[k] += 0.5 * shift[:, None] * normal[k]
        thin[k] = float(np.abs(shift).mean())
        free[mates[best]] = False
    return Lines(ends, lines.step, lines.shown, thin).take(free)


def _beside(lines: Lines) -> tuple[np.ndarray, np.ndarray]:
    """Pairs (first, second) that may be the two edges of one thin line, the second not much longer than the first."""
    length, direction, normal, middle = lines.length, lines.direction, lines.normal, lines.middle
    same_way = direction @ direction.T
    step = lines.step
    fits = (np.abs(same_way) > 0.99) & (step[:, None] * step[None] * same_way < 0)
    fits &= (np.abs(step)[None] > 0.4 * np.abs(step)[:, None]) & (length[None] < 1.5 * length[:, None])
    away = np.abs(middle[None] - middle[:, None]).max(2)
    first, second = np.nonzero(fits & (away < length[:, None] + 2 * THIN))
    rel = lines.ends[second] - lines.ends[first, 0][:, None]
    across = np.einsum("kec,kc->ke", rel, normal[first])
    along = np.sort(np.einsum("kec,kc->ke", rel, direction[first]), axis=1)
    overlap = np.minimum(along[:, 1], length[first]) - np.maximum(along[:, 0], 0.0)
    good = (np.abs(across).max(1) < THIN) & (overlap > 0.6 * length[first])
    return first[good], second[good]
