"""Heads that belong to nobody: the canonical face bent into an identity, with skull, neck, shoulders, ears, eyeballs and hair.

Units cm in the head's own frame: x to the picture's right, y up, z to the viewer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from featurediff.testing.raster import vertex_normals
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

RINGS = 9
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
    """``parts`` by name; ``lines``: named true lines (n, 3) on the surface; ``vertices`` (468, 3) the bent face mesh."""

    parts: Mapping[str, Part]
    lines: Mapping[str, np.ndarray]
    vertices: np.ndarray
    irises: Mapping[str, np.ndarray]
    traits: Mapping[str, float] = field(default_factory=dict)


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
    traits |= {"hairline": rng.uniform(-0.9, 0.7), "peak": rng.uniform(-0.3, 1.0), "volume": rng.uniform(0.7, 1.9)}
    traits |= {"nape": rng.uniform(-7.0, 1.0), "parting": rng.uniform(-4.0, 4.0)}
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
    # The canonical mouth is ajar: close it along its own line, then open it as asked.
    inner = np.clip((y0 + 4.27) / 0.28, -1, 1)
    near_gap = _bump(x0, y0 + 4.27, 1.7, 0.7) * front
    y += -0.27 * inner * near_gap * np.clip(1.25 - np.abs(x0) / 2.2, 0, 1) + 0.0
    x += mouth * x0 * t["mouth width"]
    y += mouth * (t["mouth height"] + t["mouth tilt"] * x0 + t["mouth corners"] * (np.abs(x0) / 2.4) ** 2 * 0.8)
    y += t["upper lip"] * 0.5 * _bump(x0, y0 + 3.4, 2.0, 0.45) * front
    y -= t["lower lip"] * 0.5 * _bump(x0, y0 + 5.4, 1.9, 0.55) * front
    if mouth_open:
        drop = 1.7 * mouth_open
        below = 1 / (1 + np.exp((y0 + 4.27 + 0.0) / 0.10))
        falls = np.clip(1 - (np.abs(x0) / 8.0) ** 2, 0, 1) * np.where(y0 < -4.27, 1.0, below)
        corner = 1 - 0.55 * _bump(np.abs(x0) - 2.4, y0 + 4.3, 0.9, 0.8)
        y -= drop * falls * corner * front
        x -= 0.09 * mouth_open * mouth * x0
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
    return Head(parts, lines, bent[:468], irises, traits)


def _body(traits: Mapping[str, float], rng: np.random.Generator) -> dict[str, Part]:
    thick = 5.0 + rng.normal(0, 0.35)
    sink = rng.normal(0, 0.5)
    neck = _lathe([(-1, thick, 5.2, -5), (-6, thick, 5.2, -5), (-10, thick + 0.1, 5.2, -5), (-13 + sink, thick + 0.5, 5.3, -5.3),
                   (-15 + sink, thick + 2.2, 5.6, -5.8), (-17 + sink, 11.0, 6.3, -6.0), (-19 + sink, 17.0, 7.5, -6.0),
                   (-22 + sink, 20.5, 8.6, -6.0), (-27, 22.0, 9.5, -5.5), (-36, 22.5, 10.5, -5.0)])  # fmt: skip
    return {"body": Part("body", neck.points, neck.triangles, neck.points)}


def hair_field(place: np.ndarray, traits: Mapping[str, float]) -> np.ndarray:
    """(...,) cm into the hair at undeformed positions (..., 3): above 0 is hair."""
    x, y, z = place[..., 0], place[..., 1], place[..., 2]
    line = 8.6 + traits["hairline"] - 0.9 * np.exp(-0.5 * (x / 1.2) ** 2) * traits["peak"]
    line = line - 0.055 * np.clip(np.abs(x) - 2.5, 0, None) ** 2
    front = y - line - 0.25 * np.sin(1.3 * x + 5 * traits["peak"]) * 0.6
    side = np.minimum(0.75 * (-0.6 - z) + 0.12 * (y - 3), y - traits["nape"])
    return np.maximum(front, np.minimum(side, np.abs(x) - 5.5 + np.clip(-z, 0, None)))


def _hair(skin: Part, traits: Mapping[str, float]) -> Part:
    """A shell over the skull: the skin pushed out along its normals where there is hair."""
    depth = hair_field(skin.place, traits)
    rise = np.clip((depth + 0.3) / 2.2, 0, 1)
    rise = rise * rise * (3 - 2 * rise)
    normal = vertex_normals(skin.points, skin.triangles)
    points = skin.points + normal * (-0.12 + traits["volume"] * rise)[:, None]
    keep = (depth[skin.triangles] > -1.0).any(1)
    return Part("hair", points, skin.triangles[keep], skin.place)
