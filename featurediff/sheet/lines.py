"""Straight lines in a small picture that may be edges of the paper, and how well each is supported along its length."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

KEPT_LINES = 26
_MOST_CANDIDATES = 60
_MOST_VOTED = 250
SPACING = 2.0  # px along a line from one piece of evidence to the next
_SAME_PX = 3.0
_OFFSETS = np.arange(-13.0, 13.5, 1.0)
_SLACK = 2  # px by which a coarse line may miss its edge


@dataclass(frozen=True)
class Line:
    """The line {p : normal . p = distance}, normal of unit length, with its evidence.

    ``paper_behind`` is the running sum, every `SPACING` px along the line from ``start``, of the evidence 0..1 that the side
    the normal points away from is paper and the other is not; ``paper_ahead`` the same the other way round. ``seen`` is the
    running count of the places that lie in the picture. ``border`` marks a side of the picture itself, which is no evidence.
    """

    normal: np.ndarray
    distance: float
    start: float
    paper_behind: np.ndarray
    paper_ahead: np.ndarray
    seen: np.ndarray
    border: bool = False

    @property
    def along(self) -> np.ndarray:
        """Unit vector of the line's direction."""
        return np.array([-self.normal[1], self.normal[0]])


def find_lines(lab: np.ndarray) -> list[Line]:
    """The best supported lines of a float (h, w, 3) L*a*b* picture of about 500 px, strongest first, then the four borders."""
    pale = paleness(lab)
    segments = np.vstack([_detected_segments(lab, pale), _outline_segments(lab[:, :, 0], pale)])
    candidates = _distinct(_merged(segments), _diagonal(lab)) + _voted_lines(pale)
    lines = _strongest(_with_evidence(pale, candidates))
    return lines + _borders(lab.shape[:2])


def paleness(lab: np.ndarray) -> np.ndarray:
    """(h, w) one number in which paper is high on every floor, in light and in shadow: lightness less colour."""
    return lab[:, :, 0] - np.minimum(np.hypot(lab[:, :, 1], lab[:, :, 2]), 40)


def _diagonal(lab: np.ndarray) -> float:
    return float(np.hypot(*lab.shape[:2]))


# ---------------------------------------------------------------- segments


def _detected_segments(lab: np.ndarray, pale: np.ndarray) -> np.ndarray:
    """(n, 4) segments by LSD (Grompone von Gioi et al. 2010) in lightness and, stretched, in local paleness."""
    detector = cv2.createLineSegmentDetector()
    found = [np.zeros((0, 4))]
    # A white page on a white table differs by little: amplified against its surroundings, it passes the detector's threshold.
    local = pale - cv2.GaussianBlur(pale, (0, 0), 12)
    for values in (lab[:, :, 0] * 2.55, 128 + 6.0 * local):
        segments = detector.detect(np.clip(values, 0, 255).astype(np.uint8))[0]
        if segments is not None:
            found.append(np.asarray(segments, float).reshape(-1, 4))
    segments = np.vstack(found)
    return segments[_lengths(segments) > 0.03 * _diagonal(lab)]


def _lengths(segments: np.ndarray) -> np.ndarray:
    return np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])


def _outline_segments(lightness: np.ndarray, pale: np.ndarray) -> np.ndarray:
    """Sides of the simplified hulls of large bright or pale regions: they survive where an edge is broken by what lies on it."""
    sides = [np.zeros((0, 4))]
    for mask in _paper_masks(lightness, pale):
        contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        for contour in sorted(contours, key=cv2.contourArea, reverse=True)[:2]:
            if cv2.contourArea(contour) > 0.04 * mask.size:
                hull = cv2.convexHull(contour)
                corners = cv2.approxPolyDP(hull, 0.012 * cv2.arcLength(hull, True), True)[:, 0, :].astype(float)
                sides.append(np.hstack([corners, np.roll(corners, -1, 0)]))
    sides = np.vstack(sides)
    height, width = pale.shape
    middle = (sides[:, :2] + sides[:, 2:]) / 2
    inner = (np.minimum(middle, np.array([width - 1, height - 1]) - middle) > 2).all(1)
    return sides[inner & (_lengths(sides) > 0.06 * _diagonal(pale))]


def _paper_masks(lightness: np.ndarray, pale: np.ndarray) -> list[np.ndarray]:
    masks = []
    for values in (lightness, pale):
        scaled = cv2.normalize(values, None, 0, 255, cv2.NORM_MINMAX).astype(np.uint8)
        otsu, _ = cv2.threshold(scaled, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
        for level in (otsu, 0.75 * otsu, otsu + 0.4 * (255 - otsu)):
            mask = (scaled > level).astype(np.uint8)
            masks.append(cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)))
    return masks


# ---------------------------------------------------------------- lines


def _merged(segments: np.ndarray) -> list[tuple[np.ndarray, float, float]]:
    """(normal, distance, length) of each segment, refitted together with all segments that continue it."""
    lengths = _lengths(segments)
    order = np.argsort(-lengths)[:150]
    segments, lengths = segments[order], lengths[order]
    a, b = segments[:, :2], segments[:, 2:]
    direction = (b - a) / np.maximum(lengths, 1e-9)[:, None]
    middle = (a + b) / 2
    merged = []
    for i in range(len(segments)):
        normal = np.array([-direction[i, 1], direction[i, 0]])
        across = np.maximum(np.abs((a - a[i]) @ normal), np.abs((b - a[i]) @ normal))
        parallel = np.abs(direction @ normal) < 0.05
        # A short segment's own direction is vague, so what continues it is taken from a wedge; but a joint of the floor may
        # nearly continue a page edge, so the narrow choice is kept as well.
        wedge = 1.5 + 0.012 * np.hypot(*(middle - middle[i]).T)
        for slack in (wedge, 1.0):
            near = parallel & (across < slack)
            merged.append(_fitted(a[near], b[near], lengths[near]))
    return merged


def _fitted(a: np.ndarray, b: np.ndarray, lengths: np.ndarray) -> tuple[np.ndarray, float, float]:
    """The line of least squared distances to the segments' ends, each weighted by its segment's length."""
    points, weights = np.vstack([a, b]), np.concatenate([lengths, lengths])
    mean = weights @ points / weights.sum()
    x, y = (points - mean).T
    angle = 0.5 * np.arctan2(2 * (weights @ (x * y)), weights @ (x * x - y * y))
    normal = np.array([-np.sin(angle), np.cos(angle)])
    return normal, float(normal @ mean), float(lengths.sum())


def _distinct(lines: list[tuple[np.ndarray, float, float]], diagonal: float) -> list[tuple[np.ndarray, float]]:
    """The longest of each bundle of nearly equal lines, compared at the picture's middle region."""
    if not lines:
        return []
    lines = sorted(lines, key=lambda line: -line[2])
    normals, distances = np.array([line[0] for line in lines]), np.array([line[1] for line in lines])
    x, y = normals.T
    sign = np.where(np.outer(x, x) + np.outer(y, y) > 0, 1.0, -1.0)
    equal = np.abs(np.outer(x, y) - np.outer(y, x)) < 0.012
    equal &= np.abs(distances[:, None] - sign * distances) < 0.004 * diagonal
    kept: list[int] = []
    for i in range(len(lines)):
        if not equal[i, kept].any():
            kept.append(i)
        if len(kept) >= _MOST_CANDIDATES:
            break
    return [lines[i][:2] for i in kept]


def _voted_lines(pale: np.ndarray) -> list[tuple[np.ndarray, float]]:
    """(normal, distance) of the lines that most edge px lie on (Hough transform): finds deckled and much broken edges."""
    local = pale - cv2.GaussianBlur(pale, (0, 0), 12)
    smooth = cv2.medianBlur(np.clip(128 + 6.0 * local, 0, 255).astype(np.uint8), 5)
    edges = cv2.Canny(smooth, 40, 100)
    found = cv2.HoughLines(edges, 1.0, np.radians(0.5), max(20, round(0.07 * _diagonal(pale))))
    if found is None:
        return []
    found = np.asarray(found, float).reshape(-1, found.shape[-1])[:_MOST_VOTED]
    lines = [
        (np.array([np.cos(angle), np.sin(angle)]), float(distance), -float(i)) for i, (distance, angle) in enumerate(found[:, :2])
    ]
    return _distinct(lines, _diagonal(pale))


def _strongest(lines: list[Line]) -> list[Line]:
    """The best supported lines, without those whose supported stretch another one covers as well."""
    kept: list[Line] = []
    stretches = [_best_run(line) for line in lines]
    for i in sorted(range(len(lines)), key=lambda i: -stretches[i][0]):
        line, (_, low, high) = lines[i], stretches[i]
        ends = line.distance * line.normal + (line.start + SPACING * np.array([[low], [high]])) * line.along
        if all(np.abs(ends @ other.normal - other.distance).max() > _SAME_PX for other in kept):
            kept.append(line)
        if len(kept) == KEPT_LINES:
            break
    return kept


def _with_evidence(pale: np.ndarray, candidates: list[tuple[np.ndarray, float]]) -> list[Line]:
    """All candidates at once, as one pass over many short profiles is far quicker than many passes."""
    if not candidates:
        return []
    height, width = pale.shape
    normals = np.array([normal for normal, _ in candidates])
    distances = np.array([distance for _, distance in candidates])
    along = np.column_stack([-normals[:, 1], normals[:, 0]])
    start = np.floor((np.array([[0, 0], [width, 0], [0, height], [width, height]]) @ along.T).min(0))
    at = start[:, None] + np.arange(0, np.hypot(width, height) + SPACING, SPACING)
    points = (distances[:, None] * normals)[:, None, :] + at[..., None] * along[:, None, :]
    inside = ((points >= 0) & (points <= [width - 1, height - 1])).all(2)
    evidence = np.where(inside, _evidence(pale, points, normals), 0.0)
    behind, ahead = np.clip(evidence, 0, None), np.clip(-evidence, 0, None)
    running = (_running(values) for values in (behind, ahead, inside))
    return [Line(*parts) for parts in zip(normals, distances.tolist(), start.tolist(), *running, strict=True)]


def _running(values: np.ndarray) -> np.ndarray:
    return np.pad(np.cumsum(values, axis=1, dtype=float), ((0, 0), (1, 0)))


def _evidence(pale: np.ndarray, points: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """(lines, n) evidence -1..1 that the side against the normal is paper: paler, right at the line and further out."""
    lines, n = points.shape[:2]
    x, y = (
        (points[..., axis, None] + _OFFSETS * normals[:, None, None, axis]).reshape(lines, -1).astype(np.float32)
        for axis in (0, 1)
    )
    profiles = cv2.remap(pale, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    # The median over 5 px keeps edges; a pencil line or a joint does not survive it.
    profiles = cv2.medianBlur(profiles.reshape(lines * n, len(_OFFSETS)), 5)
    five = cv2.blur(profiles, (5, 1))
    best = np.zeros(lines * n, np.float32)
    for shift in range(-_SLACK, _SLACK + 1):
        at = len(_OFFSETS) // 2 + shift
        evidence = _step_evidence(five[:, at - 9], profiles[:, at - 4], profiles[:, at + 4], five[:, at + 9])
        best = np.where(np.abs(evidence) > np.abs(best), evidence, best)
    return best.reshape(lines, n)


def _step_evidence(far_in: np.ndarray, near_in: np.ndarray, near_out: np.ndarray, far_out: np.ndarray) -> np.ndarray:
    """A step counts if it is sharp (a shadow's goes on beyond the near bands) and lasts (a groove's does not)."""
    near, lasting = near_in - near_out, far_in - far_out
    sign = np.sign(near)
    ramp = np.clip(sign * (far_in - near_in), 0, None) + np.clip(sign * (near_out - far_out), 0, None)
    sharp = np.clip(np.abs(near) - ramp, 0, None)
    total = sign * np.clip(np.minimum(sharp, sign * lasting), 0, None)
    return total / (np.abs(total) + 4.0)


def _best_run(line: Line) -> tuple[float, int, int]:
    """The largest sum of evidence over any stretch, for either side, less a constant for every px; and that stretch."""
    return max(_largest_stretch(np.diff(evidence) - 0.3) for evidence in (line.paper_behind, line.paper_ahead))


def _largest_stretch(values: np.ndarray) -> tuple[float, int, int]:
    total = np.concatenate([[0.0], np.cumsum(values)])
    gain = total - np.minimum.accumulate(total)
    high = int(gain.argmax())
    return float(gain[high]), int(total[: high + 1].argmin()), high


def _borders(shape: tuple[int, int]) -> list[Line]:
    height, width = shape
    count = int((2 * height + 2 * width) / SPACING)
    nothing, seen = np.zeros(count), np.arange(float(count))
    sides = [((1.0, 0.0), -0.5), ((1.0, 0.0), width - 0.5), ((0.0, 1.0), -0.5), ((0.0, 1.0), height - 0.5)]
    return [Line(np.array(normal), distance, -float(width), nothing, nothing, seen, True) for normal, distance in sides]
