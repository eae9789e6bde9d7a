"""Straight lines in a small picture that may be edges of the paper, and how well each is supported along its length."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

KEPT_LINES = 26
_OFFSETS = np.arange(-13.0, 13.5, 1.0)
_SLACK = 2  # px by which a coarse line may miss its edge


@dataclass(frozen=True)
class Line:
    """The line {p : normal . p = distance}, normal of unit length, with its evidence.

    ``paper_behind`` is the running sum, px by px along the line from ``start``, of the evidence 0..1 that the side the normal
    points away from is paper and the other is not; ``paper_ahead`` the same the other way round. ``seen`` is the running count of the px that lie in the picture. ``border`` marks a
    side of the picture itself, which is no evidence.
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
    segments = np.vstack([_detected_segments(lab), _outline_segments(lab)])
    candidates = _distinct(_merged(segments), _diagonal(lab))
    lines = [_with_evidence(lab, normal, distance) for normal, distance in candidates]
    lines.sort(key=_best_run, reverse=True)
    return lines[:KEPT_LINES] + _borders(lab)


def _diagonal(lab: np.ndarray) -> float:
    return float(np.hypot(*lab.shape[:2]))


# ---------------------------------------------------------------- segments


def _detected_segments(lab: np.ndarray) -> np.ndarray:
    """(n, 4) segments by LSD (Grompone von Gioi et al. 2010) in lightness and in the two colour channels."""
    detector = cv2.createLineSegmentDetector()
    found = []
    for channel in range(3):
        values = lab[:, :, channel]
        # Colour steps are small: stretch them to the range that the detector expects.
        stretched = values * 2.55 if channel == 0 else 128 + 4.0 * values
        segments = detector.detect(np.clip(stretched, 0, 255).astype(np.uint8))[0]
        if segments is not None:
            found.append(np.asarray(segments, float).reshape(-1, 4))
    segments = np.vstack(found) if found else np.zeros((0, 4))
    return segments[_lengths(segments) > 0.03 * _diagonal(lab)]


def _lengths(segments: np.ndarray) -> np.ndarray:
    return np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])


def _outline_segments(lab: np.ndarray) -> np.ndarray:
    """Sides of the simplified hulls of large bright or pale regions: they survive where an edge is broken by what lies on it."""
    sides = []
    for mask in _paper_masks(lab):
        contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        for contour in sorted(contours, key=cv2.contourArea, reverse=True)[:2]:
            if cv2.contourArea(contour) > 0.04 * mask.size:
                hull = cv2.convexHull(contour)
                corners = cv2.approxPolyDP(hull, 0.012 * cv2.arcLength(hull, True), True)[:, 0, :].astype(float)
                sides.append(np.hstack([corners, np.roll(corners, -1, 0)]))
    if not sides:
        return np.zeros((0, 4))
    sides = np.vstack(sides)
    height, width = lab.shape[:2]
    middle = (sides[:, :2] + sides[:, 2:]) / 2
    inner = (np.minimum(middle, np.array([width - 1, height - 1]) - middle) > 2).all(1)
    return sides[inner & (_lengths(sides) > 0.06 * _diagonal(lab))]


def _paper_masks(lab: np.ndarray) -> list[np.ndarray]:
    lightness = lab[:, :, 0]
    pale = lightness - 1.5 * np.hypot(lab[:, :, 1], lab[:, :, 2])
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
    merged = []
    for i in range(len(segments)):
        normal = np.array([-direction[i, 1], direction[i, 0]])
        # A short segment's own direction is vague: what may continue it is taken from a wider wedge.
        slack = 1.5 + 0.012 * np.hypot(*((a + b) / 2 - (a[i] + b[i]) / 2).T)
        near = (np.abs((a - a[i]) @ normal) < slack) & (np.abs((b - a[i]) @ normal) < slack)
        near &= np.abs(direction @ normal) < 0.05
        merged.append(_fitted(a[near], b[near], lengths[near]))
    return merged


def _fitted(a: np.ndarray, b: np.ndarray, lengths: np.ndarray) -> tuple[np.ndarray, float, float]:
    points = np.vstack([a, b])
    weights = np.concatenate([lengths, lengths])
    mean = np.average(points, axis=0, weights=weights)
    _, _, axes = np.linalg.svd((points - mean) * np.sqrt(weights)[:, None], full_matrices=False)
    normal = np.array([-axes[0, 1], axes[0, 0]])
    return normal, float(normal @ mean), float(lengths.sum())


def _distinct(lines: list[tuple[np.ndarray, float, float]], diagonal: float) -> list[tuple[np.ndarray, float]]:
    """The longest of each bundle of nearly equal lines, compared at the picture's middle region."""
    kept: list[tuple[np.ndarray, float]] = []
    for normal, distance, _ in sorted(lines, key=lambda line: -line[2]):
        for other, at in kept:
            sign = 1.0 if normal @ other > 0 else -1.0
            if abs(normal[0] * other[1] - normal[1] * other[0]) < 0.012 and abs(distance - sign * at) < 0.004 * diagonal:
                break
        else:
            kept.append((normal, distance))
        if len(kept) >= 70:
            break
    return kept


def _with_evidence(lab: np.ndarray, normal: np.ndarray, distance: float, border: bool = False) -> Line:
    height, width = lab.shape[:2]
    along = np.array([-normal[1], normal[0]])
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]]) @ along
    start, stop = np.floor(corners.min()), np.ceil(corners.max())
    at = np.arange(start, stop + 1)
    if border:
        nothing = np.zeros(len(at) + 1)
        return Line(normal, distance, start, nothing, nothing, np.arange(len(at) + 1.0), True)
    points = distance * normal + at[:, None] * along
    inside = ((points >= 0) & (points <= [width - 1, height - 1])).all(1)
    profiles = _profiles(lab, points, normal)
    evidence = np.where(inside, _evidence(profiles), 0.0)
    behind, ahead = np.clip(evidence, 0, None), np.clip(-evidence, 0, None)
    return Line(normal, distance, start, _running(behind), _running(ahead), _running(inside))


def _running(values: np.ndarray) -> np.ndarray:
    return np.concatenate([[0.0], np.cumsum(values)])


def _profiles(lab: np.ndarray, points: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """(n, offsets, 3) colours across the line."""
    grid = points[:, None, :] + _OFFSETS[None, :, None] * normal
    return cv2.remap(
        lab, grid[..., 0].astype(np.float32), grid[..., 1].astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )


def _evidence(profiles: np.ndarray) -> np.ndarray:
    """(n,) evidence that the side against the normal is paper: lighter or less coloured, right at the line and further out."""
    # Pale beats coloured: one number in which paper is high on every floor, in light and in shadow.
    paleness = profiles[:, :, 0] - np.clip(np.hypot(profiles[:, :, 1], profiles[:, :, 2]), 0, 40)
    # The median over 5 px keeps edges; a pencil line or a joint does not survive it.
    paleness = cv2.medianBlur(paleness.astype(np.float32), 5)
    best = np.zeros(len(profiles))
    middle = len(_OFFSETS) // 2
    for shift in range(-_SLACK, _SLACK + 1):
        at = middle + shift
        far_in, near_in = paleness[:, at - 11 : at - 6].mean(1), paleness[:, at - 4]
        near_out, far_out = paleness[:, at + 4], paleness[:, at + 7 : at + 12].mean(1)
        evidence = _step_evidence(far_in, near_in, near_out, far_out)
        best = np.where(np.abs(evidence) > np.abs(best), evidence, best)
    return best


def _step_evidence(far_in: np.ndarray, near_in: np.ndarray, near_out: np.ndarray, far_out: np.ndarray) -> np.ndarray:
    """A step counts if it is sharp (a shadow's edge goes on beyond the near bands) and lasts (a groove or a pencil line does not)."""
    near, lasting = near_in - near_out, far_in - far_out
    sign = np.sign(near)
    ramp = np.clip(sign * (far_in - near_in), 0, None) + np.clip(sign * (near_out - far_out), 0, None)
    sharp = np.clip(np.abs(near) - ramp, 0, None)
    total = sign * np.clip(np.minimum(sharp, sign * lasting), 0, None)
    return total / (np.abs(total) + 4.0)


def _best_run(line: Line) -> float:
    """The largest sum of evidence over any stretch, for either side, less a constant for every px."""
    return max(_largest_stretch(np.diff(line.paper_behind) - 0.3), _largest_stretch(np.diff(line.paper_ahead) - 0.3))


def _largest_stretch(values: np.ndarray) -> float:
    total = np.cumsum(values)
    return float((total - np.minimum.accumulate(np.minimum(total, 0.0))).max(initial=0.0))


def _borders(lab: np.ndarray) -> list[Line]:
    height, width = lab.shape[:2]
    sides = [((1.0, 0.0), -0.5), ((1.0, 0.0), width - 0.5), ((0.0, 1.0), -0.5), ((0.0, 1.0), height - 0.5)]
    return [_with_evidence(lab, np.array(normal), distance, border=True) for normal, distance in sides]
