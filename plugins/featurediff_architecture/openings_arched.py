"""Arched heads of openings, on a facade seen straight on: round (half an ellipse, as widths and heights have no common scale
there), segmental (a low arc, here a parabola) or pointed (two arcs about the springing points)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff_architecture.openings_edges import FAINTEST, TRIM, Edges, cover_side, row_profile

# Rise of the head by the opening's width; a flat head has none.
RISES = (0.1, 0.15, 0.2, 0.27, 0.35, 0.43, 0.5, 0.58, 0.68, 0.8, 0.95)
# Those of low arcs.
LOW_RISES = (0.06, 0.09, 0.12, 0.15, 0.19, 0.24)
SAMPLES = 32


@dataclass(frozen=True)
class Head:
    """``shape`` "round", "segmental" or "pointed"; ``springing`` and ``crown`` y in px; ``cover`` 0..1 of it on one edge;
    ``strength`` the mean colour change across it, CIELAB per px."""

    shape: str
    springing: float
    crown: float
    cover: float
    strength: float


def head_line(shape: str, left: float, right: float, springing: float, crown: float, count: int = SAMPLES) -> np.ndarray:
    """(count, 2) points of a head from the left springing over the crown to the right springing."""
    half, middle = (right - left) / 2, (left + right) / 2
    if shape == "round":
        angle = np.linspace(np.pi, 2 * np.pi, count)
        return np.column_stack([middle + half * np.cos(angle), springing + (springing - crown) * np.sin(angle)])
    if shape == "segmental":
        t = np.linspace(-1, 1, count)
        return np.column_stack([middle + half * t, crown + (springing - crown) * t**2])
    # Each arc is a sixth of a circle about the other springing point, stretched to the rise.
    angle = np.linspace(0, np.pi / 3, (count + 1) // 2)
    x, y = 2 * half * (1 - np.cos(angle)), np.sin(angle) / np.sin(np.pi / 3)
    rising = np.column_stack([left + x, springing - (springing - crown) * y])
    falling = np.column_stack([right - x, rising[:, 1]])[::-1]
    return np.vstack([rising, falling[1:] if count % 2 else falling])


def judge_heads(edges: Edges, lines: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cover 0..1 (k,) and mean strength (k,) of head lines (k, s, 2): the share of each on an edge of one direction of change."""
    tangent = np.gradient(lines, axis=1)
    pace = np.hypot(tangent[..., 0], tangent[..., 1])
    normal = np.stack([tangent[..., 1], -tangent[..., 0]], -1) / np.maximum(pace, 1e-9)[..., None]
    # Samples count by their stretch: near the springing points they stand closer.
    weight = pace / pace.sum(1, keepdims=True)
    at = lines[:, :, None] + np.arange(-1, 2)[None, None, :, None] * normal[:, :, None]
    x, y = np.round(at[..., 0]).astype(int), np.round(at[..., 1]).astype(int)
    width, height = edges.size
    shown = ((x >= 0) & (x < width) & (y >= 0) & (y < height)).all(2)
    x, y = np.clip(x, 0, width - 1), np.clip(y, 0, height - 1)
    change = edges.gx[y, x] * normal[:, :, None, :1] + edges.gy[y, x] * normal[:, :, None, 1:]
    mean = np.einsum("ks,ksc->kc", weight * shown, change[:, :, 1])
    length = np.linalg.norm(mean, axis=1)
    direction = mean / np.maximum(length, 1e-9)[:, None]
    along = np.einsum("ksoc,kc->kso", change, direction).max(2)
    good = shown & (along > np.maximum(FAINTEST, 0.35 * length)[:, None])
    cover = (weight * good).sum(1)
    cover[(length < FAINTEST * 0.7) | ((weight * shown).sum(1) < 0.9)] = 0.0
    return cover, length


def judge_head(edges: Edges, shape: str, left: float, right: float, springing: float, crown: float) -> tuple[float, float]:
    """`judge_heads` of one head."""
    cover, length = judge_heads(edges, head_line(shape, left, right, springing, crown)[None])
    return float(cover[0]), float(length[0])


def flat_top(edges: Edges, box: np.ndarray) -> tuple[float, float]:
    """Cover and mean strength of the flat top of ``box`` (left, top, right, bottom)."""
    left, top, right, _ = box
    trim = TRIM * (right - left) / 3
    cover = cover_side(edges.gy.transpose(1, 0, 2), top, left + trim, right - trim)
    profile = row_profile(edges, left + trim, right - trim)
    low = max(round(top) - 1, 0)
    return cover, float(np.sqrt((profile[low : low + 3] ** 2).sum(1)).max(initial=0.0))


def find_head(edges: Edges, box: np.ndarray) -> Head | None:
    """The best arched head over the sides of ``box``, or None when nothing there is one.

    The box's top may be the crown's height or the springing's: both are tried.
    """
    left, top, right, bottom = (float(v) for v in box)
    wide = right - left
    tried = [
        (shape, springing, springing - rise * wide)
        for shape in ("round", "pointed")
        for rise in RISES
        for springing in (top + rise * wide, top)
        if springing < bottom - 0.15 * wide and (shape == "round" or rise > 0.4)
    ]
    if not tried:
        return None
    lines = np.stack([head_line(shape, left, right, springing, crown) for shape, springing, crown in tried])
    cover, strength = judge_heads(edges, lines)
    best = int(np.argmax(cover * strength))
    if cover[best] < 0.5:
        return None
    return _settle(edges, Head(*tried[best], float(cover[best]), float(strength[best])), left, right)


def segmental_head(edges: Edges, boxes: np.ndarray) -> tuple[float, float] | None:
    """Crown's y and rise px of the low arc over all boxes (n, 4) of one row, or None where a flat top fits as well.

    The outermost of the arcs that show well is meant: further in, the sash repeats it.
    """
    top, high = float(boxes[0, 1]), float(boxes[0, 3] - boxes[0, 1])
    left, right = np.median(boxes[:, 0]), np.median(boxes[:, 2])
    wide = right - left
    crowns = np.arange(top - 0.15 * high, top + 0.1 * high, 1.0)
    rises = np.array([0.0, *LOW_RISES]) * wide
    one = np.stack([head_line("segmental", left + 1, right - 1, c + r, c, 16) for r in rises for c in crowns])
    worth = []
    for at in boxes[:, 0] - left:
        cover, strength = judge_heads(edges, one + np.array([at, 0.0]))
        worth.append(cover**2 * strength)
    table = np.median(worth, axis=0).reshape(len(rises), len(crowns))
    arcs, flat = table[1:], table[0]
    if arcs.max() < max(1.3 * flat.max(), FAINTEST):
        return None
    along = arcs.max(0)
    peaks = [k for k in range(1, len(along) - 1) if along[k] >= along[k - 1] and along[k] > along[k + 1]]
    outer = next((k for k in peaks if along[k] > 0.45 * along.max()), int(along.argmax()))
    return float(crowns[outer]), float(rises[1 + int(arcs[:, outer].argmax())])


def _settle(edges: Edges, head: Head, left: float, right: float) -> Head:
    """Springing and crown moved to where the mean change is strongest."""
    here = [head.springing, head.crown]
    strength = head.strength * head.cover
    step = 0.06 * (right - left)
    while step > 0.3:
        moved = False
        for index in (0, 1):
            for sign in (-1, 1):
                trial = list(here)
                trial[index] += sign * step
                if trial[0] - trial[1] < 0.06 * (right - left):
                    continue
                cover, length = judge_head(edges, head.shape, left, right, *trial)
                if cover * length > strength:
                    here, strength, moved = trial, cover * length, True
        if not moved:
            step /= 2
    cover, length = judge_head(edges, head.shape, left, right, *here)
    return Head(head.shape, here[0], here[1], cover, length)


def arched_box(edges: Edges, box: np.ndarray) -> tuple[np.ndarray, Head, np.ndarray] | None:
    """``box`` as an arched opening: the box up to the crown, its head, and the cover (4,) of left, head, right and bottom; or
    None when its head is flat."""
    head = find_head(edges, box)
    if head is None or head.cover < 0.6:
        return None
    left, _, right, bottom = (float(v) for v in box)
    flat_cover, flat_strength = flat_top(edges, box)
    if flat_cover * flat_strength > 0.85 * head.cover * head.strength:
        return None
    trim_y, trim_x = TRIM * (bottom - head.springing), TRIM * (right - left)
    shares = np.array(
        [
            cover_side(edges.gx, left, head.springing, bottom - trim_y),
            head.cover,
            cover_side(edges.gx, right, head.springing, bottom - trim_y),
            cover_side(edges.gy.transpose(1, 0, 2), bottom, left + trim_x, right - trim_x),
        ]
    )
    return np.array([left, head.crown, right, bottom]), head, shares


def head_at(edges: Edges, box: np.ndarray, rise: float) -> Head:
    """The head of a box whose row has heads of this ``rise`` px under the box's top, whether it shows well or not."""
    left, top, right, _ = (float(v) for v in box)
    tried = []
    for shape in ("round", "pointed"):
        cover, strength = judge_head(edges, shape, left, right, top + rise, top)
        tried.append(Head(shape, top + rise, top, cover, strength))
    return max(tried, key=lambda head: head.cover * head.strength)
