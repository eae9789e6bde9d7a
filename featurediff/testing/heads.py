"""Heads that belong to nobody: the canonical face bent into an identity, with skull, neck, shoulders, ears, eyeballs and hair.

Units cm in the head's own frame: x to the picture's right, y up, z to the viewer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from featurediff.testing.facemesh import (
    EYE_HOLES,
    LINES,
    MOUTH_HOLE,
    OVAL,
    Mesh,
    Subdivision,
    canonical_face,
    without_holes,
)
from featurediff.testing.raster import vertex_normals

RINGS = 9
INNER_UPPER = (78, 191, 80, 81, 82, 13, 312, 311, 310, 415, 308)
INNER_LOWER = (78, 95, 88, 178, 87, 14, 317, 402, 318, 324, 308)
EYE_CENTRES = {"left": (-3.15, 2.62), "right": (3.15, 2.62)}
EYEBALL_RADIUS = 1.24


@dataclass(frozen=True)
class Part:
    """One surface: ``points`` (n, 3), ``triangles`` (m, 3), ``place`` (n, 3) undeformed position that paint refers to."""

    name: str
    points: np.ndarray
    triangles: np.ndarray
    place: np.ndarray


@dataclass(frozen=True)
class Head:
    """``parts`` by name; ``lines``: named true lines (n, 3) on the surface; ``vertices`` (468, 3) the bent face mesh;
    ``irises``: eyeball centres; ``gaze``: where the irises sit on the balls, cm aside and up."""

    parts: Mapping[str, Part]
    lines: Mapping[str, np.ndarray]
    vertices: np.ndarray
    irises: Mapping[str, np.ndarray]
    traits: Mapping[str, float] = field(default_factory=dict)
    gaze: tuple[float, float] = (0.0, 0.0)


def draw_traits(rng: np.random.Generator) -> dict[str, float]:
    """A seeded identity: how far each trait is from the canonical face (cm or fractions)."""
    spread = {
        "width": 0.035, "jaw width": 0.06, "brow width": 0.03, "cheek": 0.03, "lower face": 0.35, "middle face": 0.22,
        "eye spacing": 0.14, "eye width": 0.05, "eye opening": 0.10, "slant": 0.05, "brow height": 0.22, "brow slope": 0.05,
        "nose width": 0.10, "nose tip": 0.22, "nose hump": 0.15, "mouth width": 0.09, "upper lip": 0.15, "lower lip": 0.15,
        "mouth height": 0.2, "chin width": 0.10, "chin forward": 0.2, "mouth corners": 0.12,
        "left brow up": 0.10, "right brow up": 0.10, "left eye up": 0.06, "right eye open": 0.05, "mouth tilt": 0.03,
        "nose bent": 0.09, "jaw aside": 0.12,
    }  # fmt: skip
    traits = {name: float(np.clip(rng.normal(0, s), -1.8 * s, 1.8 * s)) for name, s in spread.items()}
    traits |= {"hairline": rng.uniform(-0.9, 0.7), "peak": rng.uniform(-0.3, 1.0), "volume": rng.uniform(0.6, 1.9)}
    traits |= {"long": float(rng.random() < 0.45), "length": rng.uniform(-15.0, -5.5), "parting": rng.uniform(-4.0, 4.0)}
    traits |= {"ear out": rng.uniform(22, 42), "ear size": rng.uniform(0.92, 1.12)}
    return traits


def _bump(u: np.ndarray, v: np.ndarray, su: float, sv: float) -> np.ndarray:
    return np.exp(-0.5 * ((u / su) ** 2 + (v / sv) ** 2))


def bend(points: np.ndarray, traits: Mapping[str, float], rng: np.random.Generator, mouth_open: float = 0.0) -> np.ndarray:
    """(n, 3) canonical positions -> this identity's. Smooth everywhere, so that no part tears."""
    x, y, z = (np.asarray(points, float)[:, i].copy() for i in range(3))
    side, t = np.sign(x), traits
    x0, y0 = x.copy(), y.copy()
    lower, front = 1 / (1 + np.exp((y0 + 3.5) / 1.3)), 1 / (1 + np.exp(-(z - 1.0) / 1.2))
    for name, s in EYE_CENTRES.items():
        ex, ey = s
        near = _bump(x0 - ex, y0 - ey, 1.9, 1.1) * front
        out = np.sign(ex)
        wide_open = 0.34 + t["eye opening"] + (t["right eye open"] if name == "right" else 0.0)
        y += near * (y0 - ey) * wide_open
        x += near * ((x0 - ex) * (0.05 + t["eye width"]))
        y += near * (x0 - ex) * out * t["slant"]
        x += out * t["eye spacing"] * _bump(x0 - ex, y0 - ey - 0.7, 2.2, 2.0) * front
        y += (t["left eye up"] if name == "left" else 0.0) * _bump(x0 - ex, y0 - ey, 2.0, 1.2) * front
        brow = _bump(x0 - ex, y0 - ey - 2.1, 2.4, 0.9) * front
        y += brow * (t["brow height"] + t[f"{name} brow up"] + t["brow slope"] * (np.abs(x0) - 3.2))
    nose = _bump(x0, y0 + 0.9, 1.9, 1.3) * front
    x += nose * x0 * t["nose width"]
    z += t["nose hump"] * _bump(x0, y0 - 1.4, 0.9, 1.2)
    y += t["nose tip"] * 0.5 * _bump(x0, y0 + 0.8, 1.1, 0.8) * front
    x += t["nose bent"] * _bump(x0, y0 + 0.2, 1.6, 1.8) * front
    mouth = _bump(x0, y0 + 4.25, 3.0, 1.3) * front
    y += _close_lips(x0, y0, front)
    x += mouth * x0 * t["mouth width"]
    y += mouth * (t["mouth height"] + t["mouth tilt"] * x0 + t["mouth corners"] * (np.abs(x0) / 2.4) ** 2 * 0.8)
    y += t["upper lip"] * 0.5 * _bump(x0, y0 + 3.4, 2.0, 0.45) * front
    y -= t["lower lip"] * 0.5 * _bump(x0, y0 + 5.4, 1.9, 0.55) * front
    if mouth_open:
        y -= 1.9 * mouth_open * _jaw_drop(x0, y0, z)
        x -= 0.10 * mouth_open * mouth * x0
    y -= (t["middle face"] + 0.0) * 1 / (1 + np.exp((y0 + 0.6) / 0.9))
    y -= t["lower face"] / (1 + np.exp((y0 + 6.5) / 0.9))
    x *= 1 + t["width"] + t["jaw width"] * lower + t["brow width"] / (1 + np.exp(-(y0 - 5.5)))
    x += side * t["cheek"] * 7 * _bump(np.abs(x0) - 6, y0 + 0.5, 2.5, 2.0) * (1 - 0.5 * front)
    x *= 1 + t["chin width"] * _bump(x0, y0 + 8.8, 4.0, 1.5)
    x += t["jaw aside"] * lower
    z += t["chin forward"] * _bump(x0, y0 + 8.2, 3.0, 1.8)
    for _ in range(10):
        cx, cy = rng.uniform(-7, 7), rng.uniform(-9, 8)
        reach = rng.uniform(2.5, 4.5)
        push = rng.normal(0, 0.075, 3)
        weight = _bump(x0 - cx, y0 - cy, reach, reach)
        x, y, z = x + push[0] * weight, y + push[1] * weight, z + 1.3 * push[2] * weight
    return np.column_stack([x, y, z])


def _close_lips(x: np.ndarray, y: np.ndarray, front: np.ndarray) -> np.ndarray:
    """How far to move each point up so that the ajar lips of the canonical face meet."""
    face = canonical_face().points
    shift = np.zeros_like(y)
    for ring, upper in ((INNER_UPPER, True), (INNER_LOWER, False)):
        order = np.argsort(face[list(ring), 0])
        lip_x, lip_y = face[list(ring), 0][order], face[list(ring), 1][order]
        other = INNER_LOWER if upper else INNER_UPPER
        other_y = np.interp(lip_x, *_sorted(face[list(other)]))
        here = np.interp(x, lip_x, lip_y, left=lip_y[0], right=lip_y[-1])
        gap = np.interp(x, lip_x, 0.5 * (other_y - lip_y), left=0.0, right=0.0)
        beyond = (y >= here - 0.02) if upper else (y <= here + 0.02)
        shift += np.where(beyond, gap * np.exp(-0.5 * ((y - here) / 0.55) ** 2), 0.0) * front
    return shift


def _sorted(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    order = np.argsort(points[:, 0])
    return points[order, 0], points[order, 1]


def _jaw_drop(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    """0..1: how much of an opening jaw's drop each undeformed point follows: the lower lip all, cheeks and corners a part."""
    lip = np.interp(x, *_sorted(canonical_face().points[list(INNER_LOWER)]))
    below = np.where(y <= lip + 0.02, 1.0, 0.0)
    corner = np.clip(np.abs(x) / 2.2, 0, 1) ** 2
    in_mouth = below * (1 - 0.5 * corner)
    outside = 0.5 / (1 + np.exp((y + 4.6) / 0.5))
    share = np.where(np.abs(x) < 2.3, in_mouth, outside)
    chin = 1 / (1 + np.exp((y + 6.5) / 0.7))
    return (
        np.maximum(share, chin * 0.9) * np.exp(-0.5 * (np.clip(np.abs(x) - 5.0, 0, None) / 2.5) ** 2) / (1 + np.exp(-(z + 1.5)))
    )


def _skull_rings(face: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rings of vertices from the face's rim around the back of the head, and their triangles (numbers from 468 on)."""
    centre, radii = np.array([0.0, 3.4, -4.0]), np.array([7.75, 10.3, 9.2])
    rim = face[list(OVAL)]
    unit = (rim - centre) / radii
    azimuth = np.arctan2(unit[:, 1], unit[:, 0])
    polar = np.arctan2(np.hypot(unit[:, 0], unit[:, 1]), unit[:, 2])
    on = centre + radii * _boxy(_direction(polar, azimuth))
    gap = rim - on
    points, triangles = [], []
    previous = list(OVAL)
    for k in range(1, RINGS):
        t = k / RINGS
        ring = centre + radii * _boxy(_direction(polar + (np.pi - polar) * t, azimuth)) + gap * (1 - t) ** 3
        first = len(face) + (k - 1) * len(OVAL)
        numbers = [first + i for i in range(len(OVAL))]
        points.append(ring)
        triangles += _band(previous, numbers)
        previous = numbers
    pole = len(face) + (RINGS - 1) * len(OVAL)
    points.append((centre - [0, 0, radii[2]])[None])
    triangles += [(previous[i], pole, previous[(i + 1) % len(previous)]) for i in range(len(previous))]
    return np.vstack(points), np.array(triangles)


def _direction(polar: np.ndarray, azimuth: np.ndarray) -> np.ndarray:
    return np.column_stack([np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth), np.cos(polar)])


def _boxy(direction: np.ndarray, power: float = 2.5) -> np.ndarray:
    """Unit directions pushed out to a superellipsoid, because a skull is fuller than an ellipsoid."""
    return direction / (np.abs(direction) ** power).sum(1, keepdims=True) ** (1 / power)


def _band(inner: list[int], outer: list[int]) -> list[tuple[int, int, int]]:
    n = len(inner)
    out = []
    for i in range(n):
        a, b, c, d = inner[i], inner[(i + 1) % n], outer[i], outer[(i + 1) % n]
        out += [(a, b, c), (b, d, c)]
    return out


def _lathe(levels: list[tuple[float, float, float, float]], across: int = 72) -> Mesh:
    """A lofted surface through ellipses (y, half width, half depth, centre z)."""
    angle = np.linspace(0, 2 * np.pi, across, endpoint=False)
    table = np.array(levels)
    fine = np.linspace(0, 1, 60)
    at = np.linspace(0, 1, len(table))
    level = np.column_stack([_smooth_interp(fine, at, table[:, i]) for i in range(4)])
    points = np.concatenate(
        [np.column_stack([a * np.cos(angle), np.full(across, y), zc + b * np.sin(angle)]) for y, a, b, zc in level]
    )
    triangles = []
    for row in range(len(level) - 1):
        one = [row * across + i for i in range(across)]
        triangles += _band(one, [i + across for i in one])
    return Mesh(points, np.array(triangles))


def _smooth_interp(t: np.ndarray, at: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Monotone-ish smooth interpolation: linear, then averaged."""
    dense = np.interp(np.linspace(0, 1, 600), at, values)
    kernel = np.hanning(81)
    kernel /= kernel.sum()
    padded = np.pad(dense, 40, mode="reflect", reflect_type="odd")
    return np.interp(t, np.linspace(0, 1, 600), np.convolve(padded, kernel, "valid"))


def _sphere(centre: np.ndarray, radius: float, n: int = 28) -> Mesh:
    polar, azimuth = np.linspace(0, np.pi * 0.6, n), np.linspace(0, 2 * np.pi, 2 * n, endpoint=False)
    points = np.concatenate([centre + radius * _direction(np.full(2 * n, p), azimuth) for p in polar])
    triangles = []
    for row in range(n - 1):
        one = [row * 2 * n + i for i in range(2 * n)]
        triangles += _band(one, [i + 2 * n for i in one])
    return Mesh(points, np.array(triangles))


def build_head(seed: int, mouth_open: float = 0.0) -> Head:
    """The head of one seeded identity. ``mouth_open`` 0..1."""
    rng = np.random.default_rng([7, seed])
    traits = draw_traits(rng)
    canonical = canonical_face()
    open_face = without_holes(canonical, (*EYE_HOLES, MOUTH_HOLE))
    ring_points, ring_triangles = _skull_rings(canonical.points)
    rest = np.vstack([canonical.points, ring_points])
    bent = bend(rest, traits, np.random.default_rng([8, seed]), mouth_open)
    split = Subdivision(np.vstack([open_face.triangles, ring_triangles]), len(rest), 2)
    surface, place = split.smooth(bent), split.smooth(rest)
    parts = {"skin": Part("skin", surface, split.triangles, place)}
    lines = {name: surface[split.chain(path)] for name, path in LINES.items()}
    irises = {}
    for side, (ex, _) in EYE_CENTRES.items():
        hole = bent[list(EYE_HOLES[0 if side == "left" else 1])]
        middle = hole.mean(0)
        # The ball lies just behind the lids' plane, bulging a little through it.
        front = hole[:, 2].max() - 0.10
        centre = np.array([middle[0] + 0.02 * np.sign(ex), middle[1] + 0.03, front - EYEBALL_RADIUS])
        ball = _sphere(centre, EYEBALL_RADIUS)
        parts[f"eyeball {side}"] = Part(f"eyeball {side}", ball.points, ball.triangles, ball.points - centre)
        irises[side] = centre
    parts |= _body(traits, rng)
    parts["hair"] = _hair(parts["skin"], traits)
    if not traits["long"]:
        parts |= {f"ear {side}": _ear(side, surface, place, traits) for side in ("left", "right")}
    gaze = (float(rng.normal(0, 0.06)), float(rng.normal(0.0, 0.03)))
    return Head(parts, lines, surface[:468], irises, traits, gaze)


def _body(traits: Mapping[str, float], rng: np.random.Generator) -> dict[str, Part]:
    thick = 5.0 + 4 * traits["jaw width"] + rng.normal(0, 0.25) - 0.5 * traits["long"]
    sink = 1.3 + rng.normal(0, 0.5)
    neck = _lathe([(-1, thick, 5.0, -5), (-6, thick, 5.0, -5), (-10, thick, 5.0, -5), (-13 + sink, thick + 0.5, 5.1, -5.3),
                   (-15 + sink, thick + 2.2, 5.4, -5.8), (-17 + sink, 11.0, 6.1, -6.0), (-19 + sink, 17.0, 7.3, -6.0),
                   (-22 + sink, 20.0, 8.4, -6.0), (-27, 21.5, 9.3, -5.5), (-36, 22.0, 10.3, -5.0)])  # fmt: skip
    lean = 0.35 * np.sin(neck.points[:, 0] / 9.0 + 3 * traits["jaw aside"]) * (neck.points[:, 1] < -15)
    points = neck.points + np.column_stack([0 * lean, lean, 0 * lean])
    return {"body": Part("body", points, neck.triangles, points)}


def _ear(side: str, surface: np.ndarray, place: np.ndarray, traits: Mapping[str, float]) -> Part:
    """A simple auricle: a disc with rolled rim, a hollow before it and a lobe, standing off the side of the head."""
    out = -1.0 if side == "left" else 1.0
    near = np.argmin(np.abs(place - [out * 7.55, 0.6, -3.0]).sum(1))
    root = surface[near] + np.array([-0.75 * out, 0.0, 0.9])
    angle = np.radians(traits["ear out"])
    back = np.array([out * np.sin(angle), 0.0, -np.cos(angle)])
    up = np.array([out * 0.14, 0.98, -0.16])
    face = np.array([out * np.cos(angle), 0.0, np.sin(angle)])
    theta = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    radius = np.linspace(0, 1, 24)
    high, wide = 3.15 * traits["ear size"], 1.75 * traits["ear size"]
    # Wide above, narrow at the lobe.
    shape = 1.0 - 0.28 * np.clip(-np.sin(theta), 0, 1) ** 1.5
    a = wide * (0.95 + np.cos(theta) * shape)
    b = high * np.sin(theta) + 0.15
    rows = []
    for r in radius:
        edge = np.exp(-0.5 * ((r - 0.86) / 0.10) ** 2)
        fold = np.exp(-0.5 * ((r - 0.52) / 0.10) ** 2) * np.clip(np.cos(theta - 0.3), 0, 1)
        lift = 0.42 * edge * np.clip(np.sin(theta) + 1.15, 0, 1) + 0.28 * fold - 0.5 * np.exp(-0.5 * (r / 0.35) ** 2)
        lift = lift - 0.9 * np.clip(r - 0.93, 0, 1) / 0.07 * 0.6
        aa, bb = wide * 0.95 + (a - wide * 0.95) * r, b * r
        rows.append(root + aa[:, None] * back + bb[:, None] * up + lift[:, None] * face)
    points = np.concatenate(rows)
    n = len(theta)
    triangles = np.array([t for row in range(len(radius) - 1)
                          for t in _band([row * n + i for i in range(n)], [(row + 1) * n + i for i in range(n)])])  # fmt: skip
    return Part(f"ear {side}", points, triangles, np.column_stack([points[:, 0], points[:, 1], np.repeat(radius, n)]))


def hair_field(place: np.ndarray, traits: Mapping[str, float]) -> np.ndarray:
    """(...,) cm into the hair at undeformed positions (..., 3): above 0 is hair. ``x`` beyond 50 marks hanging locks."""
    x, y, z = place[..., 0], place[..., 1], place[..., 2]
    line = 8.5 + traits["hairline"] - 0.5 * np.exp(-0.5 * (x / 1.5) ** 2) * traits["peak"]
    line = line - 0.060 * np.clip(np.abs(x - 0.3 * traits["parting"]) - 2.0, 0, None) ** 2
    line = line + 0.13 * np.sin(1.7 * x + 5 * traits["peak"]) + 0.07 * np.sin(4.1 * x + 9 * traits["hairline"])
    front = y - line
    side = np.minimum(1.1 * (-0.9 - z) + 0.10 * (y - 3) + 0.12 * np.sin(2.3 * y + x), y + 6.0)
    if not traits["long"]:
        ear = np.hypot((y - 0.8) / 3.3, (z + 4.0) / 2.0) - 1
        burns = np.where(z > -4.0, y - 0.8 - 0.6 * traits["peak"], y + 1.5)
        side = np.minimum(np.minimum(side, 2.0 * ear), burns)
    return np.where(np.abs(x) > 50, 3.0, np.maximum(front, side))


def _hair(skin: Part, traits: Mapping[str, float]) -> Part:
    """A shell over the skull, the skin pushed out along its normals where there is hair; long hair hangs down beside the face."""
    depth = hair_field(skin.place, traits)
    rise = np.clip((depth + 0.2) / 2.4, 0, 1)
    rise = rise * rise * (3 - 2 * rise)
    x, y = skin.points[:, 0], skin.points[:, 1]
    wave = 1 + 0.10 * np.sin(0.9 * x + 4 * traits["peak"]) + 0.08 * np.sin(0.8 * y + 3 * traits["volume"])
    aside = 1 + 0.25 * np.tanh((x - traits["parting"]) / 3.0) * np.sign(traits["parting"]) * -1
    normal = vertex_normals(skin.points, skin.triangles)
    points = skin.points + normal * (-0.12 + traits["volume"] * rise * wave * aside)[:, None]
    keep = (depth[skin.triangles] > -1.0).any(1)
    shell = Part("hair", points, skin.triangles[keep], skin.place)
    return _with_locks(shell, traits) if traits["long"] else shell


def _with_locks(shell: Part, traits: Mapping[str, float]) -> Part:
    """Adds hair hanging from the temples around the back, down to the trait "length"."""
    turn = np.linspace(np.radians(62), np.radians(298), 90)
    level = np.linspace(9.0, traits["length"], 56)
    rows = []
    for i, y in enumerate(level):
        t = i / (len(level) - 1)
        half = 7.6 + 0.75 * traits["volume"] + 0.9 * np.sin(np.pi * t) ** 2 - 1.2 * t**6
        half = half + 0.22 * np.sin(0.9 * y + 4 * traits["peak"]) + 0.30 * traits["volume"] * np.sin(3 * turn + traits["parting"])
        # The upper end starts inside the cap, so that no ledge shows.
        half = half * (1 - 0.20 * np.exp(-(((9.0 - y) / 4.0) ** 2)))
        deep = 8.5 - 1.5 * t
        # The front edges swing in towards the cheek and out again.
        swing = turn + np.sign(np.pi - turn) * 0.10 * np.sin(2.2 * np.pi * t + traits["parting"]) * (np.abs(turn - np.pi) > 1.2)
        tip = 0.5 * np.sin(7 * turn + 3 * traits["peak"]) * (t > 0.9)
        rows.append(np.column_stack([half * np.sin(swing), y + tip, -3.2 + deep * np.cos(swing)]))
    points = np.concatenate(rows)
    n = len(turn)
    triangles = []
    for r in range(len(level) - 1):
        for i in range(n - 1):
            a, b, c, d = r * n + i, r * n + i + 1, (r + 1) * n + i, (r + 1) * n + i + 1
            triangles += [(a, b, c), (b, d, c)]
    first = len(shell.points)
    place = np.column_stack([np.full(len(points), 99.0), points[:, 1], points[:, 2]])
    return Part(
        "hair",
        np.vstack([shell.points, points]),
        np.vstack([shell.triangles, np.array(triangles) + first]),
        np.vstack([shell.place, place]),
    )
