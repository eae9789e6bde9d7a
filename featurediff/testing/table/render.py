"""The picture of a setting: light from one side, cast and contact shadows, glaze, table and wall, a camera's blur and noise."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from featurediff.testing.paper import noise
from featurediff.testing.table.arrange import Setting, Thing
from featurediff.testing.table.cover import Cover, cover
from featurediff.testing.table.solids import Box, Solid, Tube, Turned
from featurediff.testing.table.view import View

FINER = 2
BLUR_PX = 0.75
NOISE = 0.008


@dataclass(frozen=True)
class Rendering:
    """``pixels`` (h, w, 3) uint8 RGB; ``owner`` (h, w) int: index of the thing seen in each pixel, -1 for none; ``whole``: each
    thing's (h, w) bool mask as if it stood alone."""

    pixels: np.ndarray
    owner: np.ndarray
    whole: tuple[np.ndarray, ...]


def render(setting: Setting, seed: int) -> Rendering:
    """Rendered ``FINER`` times finer, then averaged."""
    rng = np.random.default_rng([seed, 402])
    view = setting.view.scaled(FINER)
    colours = palette(setting.things, rng)
    picture = _surroundings(setting, view, rng)
    depth = np.full(picture.shape[:2], np.inf, np.float32)
    owner = np.full(picture.shape[:2], -1, np.int8)
    whole = []
    for index, thing in enumerate(setting.things):
        mask = np.zeros(picture.shape[:2], bool)
        for part, solid in thing.solids.items():
            seen = cover(solid, view)
            if solid is not thing.form.body:
                seen = _outside(seen, thing.form.body)
            mask[seen.row, seen.col] = True
            nearer = seen.depth < depth[seen.row, seen.col]
            seen = _picked(seen, nearer)
            if not len(seen.row):
                continue
            colour = _paint(setting, thing, part, solid, seen, colours[index], view, rng)
            picture[seen.row, seen.col], depth[seen.row, seen.col] = colour, seen.depth
            owner[seen.row, seen.col] = index
        whole.append(_coarse(mask))
    w, h = setting.view.size
    small = cv2.resize(picture, (w, h), interpolation=cv2.INTER_AREA)
    return Rendering(_develop(small, rng), _owners(owner), tuple(whole))


def _picked(seen: Cover, keep: np.ndarray) -> Cover:
    return Cover(*(v[keep] for v in (seen.row, seen.col, seen.depth, seen.at, seen.normal, seen.hollow)))


def _outside(seen: Cover, body: Solid) -> Cover:
    """Without the end of a part that reaches through the body's wall into its hollow."""
    return _picked(seen, ~body.within_wall(seen.at)) if isinstance(body, Turned) and body.lip else seen


def _coarse(mask: np.ndarray) -> np.ndarray:
    """Which pixels a finer mask covers by half or more."""
    h, w = (n // FINER for n in mask.shape)
    return cv2.resize(mask.astype(np.uint8) * 200, (w, h), interpolation=cv2.INTER_AREA) >= 100


def _owners(owner: np.ndarray) -> np.ndarray:
    """The finer picture's owners, thinned: a pixel belongs to whom half or more of it shows."""
    out = np.full((owner.shape[0] // FINER, owner.shape[1] // FINER), -1)
    for index in range(int(owner.max()) + 1):
        out[_coarse(owner == index)] = index
    return out


# ------------------------------------------------------------------ colours


@dataclass(frozen=True)
class Look:
    """``albedo`` linear RGB, a second one towards which fruit blushes; ``gloss`` 0..1 strength and ``sharp`` of highlights."""

    albedo: np.ndarray
    blush: np.ndarray
    gloss: float
    sharp: float
    mottle: float


_COLOURS = {
    "jug": [(0.62, 0.60, 0.52), (0.16, 0.26, 0.36), (0.42, 0.22, 0.12), (0.30, 0.38, 0.28)],
    "bottle": [(0.05, 0.12, 0.07), (0.16, 0.08, 0.04), (0.10, 0.14, 0.20)],
    "vase": [(0.50, 0.34, 0.22), (0.20, 0.30, 0.36), (0.58, 0.55, 0.48)],
    "bowl": [(0.64, 0.60, 0.54), (0.45, 0.24, 0.14), (0.24, 0.30, 0.36)],
    "cup": [(0.66, 0.64, 0.60), (0.48, 0.40, 0.22), (0.32, 0.16, 0.14)],
    "pear": [(0.42, 0.44, 0.10), (0.52, 0.42, 0.10), (0.34, 0.40, 0.09)],
    "apple": [(0.44, 0.08, 0.06), (0.40, 0.44, 0.10), (0.52, 0.20, 0.08)],
    "box": [(0.34, 0.24, 0.16), (0.22, 0.12, 0.10), (0.30, 0.32, 0.30)],
    "book": [(0.30, 0.08, 0.07), (0.08, 0.14, 0.22), (0.14, 0.20, 0.12)],
}
_GLAZED = {"jug": (0.5, 60), "bottle": (0.9, 140), "vase": (0.35, 40), "bowl": (0.45, 60), "cup": (0.5, 70)}


def palette(things: tuple[Thing, ...], rng: np.random.Generator) -> list[Look]:
    """A look for each thing."""
    out = []
    for thing in things:
        choices = _COLOURS[thing.form.kind]
        albedo = np.array(choices[rng.integers(len(choices))]) * rng.uniform(0.85, 1.15, 3)
        gloss, sharp = _GLAZED.get(thing.form.kind, (0.0, 20))
        if thing.form.kind in ("pear", "apple"):
            gloss, sharp = (0.1, 25) if thing.form.kind == "pear" else (0.3, 50)
        blush = np.array([0.45, 0.16, 0.07]) if thing.form.kind in ("pear", "apple") else albedo
        mottle = {"pear": 0.05, "apple": 0.05, "box": 0.05, "book": 0.03}.get(thing.form.kind, 0.025)
        out.append(Look(albedo.astype(np.float32), blush.astype(np.float32), gloss, sharp, mottle))
    return out


# ------------------------------------------------------------------ things


KEY, SKY = 1.45, 0.42


def _paint(setting, thing, part, solid, seen: Cover, look: Look, view: View, rng) -> np.ndarray:
    """(n, 3) float32 linear light of a cover's pixels."""
    n, light = seen.normal, setting.light.astype(np.float32)
    facing = n @ light
    lit = np.clip(facing * 0.93 + 0.07, 0, 1) * _reached(setting, thing, part, seen, view)
    if isinstance(solid, Turned) and solid.hollow is not None:
        lit = lit * _mouth_light(solid, seen, light)
    z = np.maximum(seen.at[:, 2], 0)
    near_table = 1 - 0.55 * np.exp(-z / 9.0) * np.clip(0.9 - n[:, 2], 0, 1)
    sky = SKY * (0.62 + 0.38 * n[:, 2]) * near_table * (1 - 0.62 * np.sqrt(seen.hollow))
    bounce = 0.16 * np.clip(0.5 - 0.5 * n[:, 2], 0, 1) * np.exp(-z / 120.0)
    albedo = _albedo(seen, look, part, rng)
    colour = albedo * ((KEY * lit + bounce)[:, None] + sky[:, None] * np.array([0.94, 0.98, 1.08], np.float32))
    if look.gloss:
        eye = view.centre.astype(np.float32) - seen.at
        half = eye / np.linalg.norm(eye, axis=1)[:, None] + light
        half /= np.linalg.norm(half, axis=1)[:, None]
        shine = np.clip((n * half).sum(1), 0, 1) ** look.sharp
        colour += (look.gloss * shine * np.clip(facing * 4, 0, 1))[:, None]
    return colour.astype(np.float32)


def _albedo(seen: Cover, look: Look, part: str, rng: np.random.Generator) -> np.ndarray:
    if part == "stem":
        return np.tile(np.array([0.10, 0.07, 0.04], np.float32), (len(seen.row), 1))
    low = np.array([seen.row.min(), seen.col.min()])
    h, w = np.array([seen.row.max(), seen.col.max()]) - low + 1
    soft = cv2.resize(noise((h // 4 + 2, w // 4 + 2), 14, rng) + 0.6 * noise((h // 4 + 2, w // 4 + 2), 3, rng), (int(w), int(h)))
    spots = soft[seen.row - low[0], seen.col - low[1]]
    out = look.albedo * (1 + look.mottle * spots)[:, None]
    if not np.array_equal(look.blush, look.albedo):
        way = rng.normal(size=3).astype(np.float32)
        share = np.clip(seen.normal @ (way / np.linalg.norm(way)) * 0.8 - 0.15 + 0.06 * spots, 0, 0.7)[:, None]
        out = out + share * (look.blush - out)
    return np.clip(out, 0.005, 0.95).astype(np.float32)


def _mouth_light(solid: Turned, seen: Cover, light: np.ndarray) -> np.ndarray:
    """1 outside; in the hollow, whether the light comes in through the mouth, soft at the lip's shadow."""
    inner = solid.hollow
    up = (inner.z[0] - seen.at[:, 2]) / light[2]
    out = seen.at[:, :2] + up[:, None] * light[:2] - np.array([inner.x[0], inner.y[0]], np.float32)
    gap = (inner.r[0] - np.hypot(out[:, 0], out[:, 1])) / (2.0 + 0.12 * up)
    return np.where(seen.hollow > 0, np.clip(0.5 + 0.5 * gap, 0, 1), 1.0)


def _reached(setting: Setting, thing: Thing, part: str, seen: Cover, view: View) -> np.ndarray:
    """0..1 how much of the light other solids let through; found on a coarse raster, soft-edged."""
    step = 6 * FINER
    row, col = seen.row // step, seen.col // step
    low_r, low_c = row.min(), col.min()
    h, w = row.max() - low_r + 1, col.max() - low_c + 1
    cell = (row - low_r) * w + (col - low_c)
    cells, first = np.unique(cell, return_index=True)
    at = seen.at[first].astype(float) + 1.2 * seen.normal[first]
    others = [(t, p, s) for t in setting.things for p, s in t.solids.items() if (t is thing) <= (p != part)]
    blocked = np.zeros(len(cells))
    spread = [(0, 0), (0.05, 0.02), (-0.05, 0.02), (0.0, -0.05), (0.02, 0.05)]
    for dx, dz in spread:
        way = setting.light + np.array([dx * -setting.light[1], dx * setting.light[0], dz])
        way = np.tile(way / np.linalg.norm(way), (len(at), 1))
        dark = np.zeros(len(at), bool)
        for _, _, solid in others:
            if not _may_shade(solid, at, way[0]):
                continue
            dark |= solid.blocks(at, way)
        blocked += dark / len(spread)
    if not blocked.any():
        return np.ones(len(seen.row), np.float32)
    field, weight = np.zeros((h, w), np.float32), np.zeros((h, w), np.float32)
    field.ravel()[cells], weight.ravel()[cells] = blocked, 1.0
    field, weight = cv2.GaussianBlur(field, (0, 0), 0.9), cv2.GaussianBlur(weight, (0, 0), 0.9)
    soft = field / np.maximum(weight, 1e-3)
    x = ((seen.col + 0.5) / step - 0.5 - low_c).astype(np.float32)
    y = ((seen.row + 0.5) / step - 0.5 - low_r).astype(np.float32)
    dark = _sample(soft, x, y)
    return 1 - np.clip(dark, 0, 1)


def _sample(field: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Linear interpolation at flat coordinates; in rows, because remap has a limit on a picture's sides."""
    n = -(-len(x) // 4096) * 4096
    pad = [np.pad(v, (0, n - len(v))).reshape(-1, 4096) for v in (x, y)]
    return cv2.remap(field, *pad, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).ravel()[: len(x)]


def _may_shade(solid: Solid, at: np.ndarray, way: np.ndarray) -> bool:
    """Quick look: does the way to the light pass near the solid at all?"""
    x, y, r = solid.reach
    flat = way[:2] / np.hypot(*way[:2])
    away = np.array([x, y]) - at[:, :2]
    return bool(((np.abs(away @ [-flat[1], flat[0]]) < r) & (away @ flat > -r)).any())


# ------------------------------------------------------------------ table and wall


TABLE_PX_PER_MM = 1.0
TABLE_MM = (-650, -650, 650, 550)


def _surroundings(setting: Setting, view: View, rng: np.random.Generator) -> np.ndarray:
    """(h, w, 3) float32 linear light: wall above the table's far edge, table with its shadows below."""
    w, h = view.size
    table = _table(setting, rng)
    k = TABLE_PX_PER_MM
    to_mm = np.array([[1 / k, 0, TABLE_MM[0]], [0, 1 / k, TABLE_MM[1]], [0, 0, 1.0]])
    seen = cv2.warpPerspective(table, view.plane() @ to_mm, (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    wall = _wall(setting, w, h, rng)
    low, high = view.project(np.array([[x, setting.edge[0] + setting.edge[1] * x, 0.0] for x in (-600.0, 600.0)]))
    xs, ys = np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32)[:, None]
    line = low[1] + (xs - low[0]) * (high[1] - low[1]) / (high[0] - low[0])
    first, last = (int(np.clip(v, 0, h)) for v in (line.min() - 1, line.max() + 2))
    seen[:first] = wall[:first]
    share = np.clip(ys[first:last] - line[None] + 0.5, 0, 1)[..., None].astype(np.float32)
    seen[first:last] = wall[first:last] + share * (seen[first:last] - wall[first:last])
    return seen


def _wall(setting: Setting, w: int, h: int, rng: np.random.Generator) -> np.ndarray:
    tone = rng.uniform(0.10, 0.42) * np.array([1.0, 0.97, 0.92]) * rng.uniform(0.9, 1.1, 3)
    ys, xs = np.mgrid[: h // 8 + 1, : w // 8 + 1].astype(np.float32)
    across = (xs / (w / 8) - 0.5) * np.sign(setting.light[0])
    field = 0.75 + 0.3 * across + 0.18 * ys / (h / 8) + 0.02 * noise(xs.shape, 40, rng) + 0.006 * noise(xs.shape, 2, rng)
    return cv2.resize((field[..., None] * tone).astype(np.float32), (w, h), interpolation=cv2.INTER_LINEAR)


def _table(setting: Setting, rng: np.random.Generator) -> np.ndarray:
    """(h, w, 3) the lit table from above, y growing with the row."""
    x0, y0, x1, y1 = TABLE_MM
    k = TABLE_PX_PER_MM
    h, w = round((y1 - y0) * k), round((x1 - x0) * k)
    ys, xs = np.mgrid[:h, :w].astype(np.float32)
    if rng.random() < 0.5:
        grain = cv2.GaussianBlur(rng.standard_normal((h, w), dtype=np.float32), (0, 0), sigmaX=35, sigmaY=1.2)
        slow = noise((h // 4, w // 4), 22, rng)
        rings = np.sin((ys / k + 9 * cv2.resize(slow, (w, h))) * 0.22)
        field = 1 + 0.08 * grain / grain.std() + 0.07 * rings
        tone = np.array([(0.30, 0.19, 0.11), (0.20, 0.12, 0.07), (0.40, 0.29, 0.19)][rng.integers(3)])
    else:
        weave = 0.03 * np.sin(xs * 1.4) * np.sin(ys * 1.4) + 0.03 * noise((h, w), 1.0, rng)
        field = 1 + weave + 0.05 * cv2.resize(noise((h // 4, w // 4), 24, rng), (w, h))
        tone = np.array([(0.52, 0.50, 0.46), (0.28, 0.31, 0.35), (0.46, 0.38, 0.30)][rng.integers(3)])
    falloff = 1 + 0.22 * np.sign(setting.light[0]) * (xs / w - 0.5) - 0.18 * (ys / h - 0.5)
    light = KEY * setting.light[2] * (1 - _cast(setting, h, w)) + SKY * (1 - _contact(setting, h, w))
    return (np.clip(field, 0.3, 1.8) * falloff * light)[..., None] * tone.astype(np.float32)


def discs(solid: Solid) -> list[tuple[float, np.ndarray]]:
    """Level slices of a solid, (height, outline (n, 2) mm), from the table up."""
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    ring = np.column_stack([np.cos(turn), np.sin(turn)])
    if isinstance(solid, Box):
        return [(float(z), solid.corners()[0, :, :2]) for z in np.linspace(0, solid.height, 40)]
    if isinstance(solid, Tube):
        return [(float(p[2]), p[:2] + r * ring) for p, r in zip(solid.course, solid.radius, strict=True)]
    o = solid.outside
    return [(float(o.z[i]), [o.x[i], o.y[i]] + o.r[i] * ring) for i in range(0, len(o.r), 4)]


def _to_table(outline: np.ndarray) -> np.ndarray:
    return np.round((outline - [TABLE_MM[0], TABLE_MM[1]]) * TABLE_PX_PER_MM * 16).astype(np.int32)


def _cast(setting: Setting, h: int, w: int) -> np.ndarray:
    """(h, w) 0..1: shadow on the table, softer the higher the edge that throws it."""
    slant = setting.light[:2] / setting.light[2]
    bands = [0, 12, 30, 60, 100, 150, 400]
    slices = [s for t in setting.things for solid in t.solids.values() for s in discs(solid)]
    total = np.zeros((h, w), np.float32)
    for low, high in pairwise(bands):
        mask = np.zeros((h, w), np.uint8)
        for z, outline in slices:
            if low - 6 <= z <= high + 6:
                cv2.fillConvexPoly(mask, _to_table(outline - z * slant), 255, cv2.LINE_8, 4)
        soft = cv2.GaussianBlur(mask, (0, 0), 1.0 + 0.055 * 0.5 * (low + min(high, 250)))
        total = np.maximum(total, soft.astype(np.float32) / 255)
    return total


def _contact(setting: Setting, h: int, w: int) -> np.ndarray:
    """(h, w) 0..1: how much of the sky's light things standing near keep away."""
    total = np.zeros((h, w), np.float32)
    for low, sigma, strength in ((0, 3.0, 0.7), (25, 16.0, 0.5)):
        mask = np.zeros((h, w), np.uint8)
        for thing in setting.things:
            for z, outline in discs(thing.form.body):
                if z <= low + 6:
                    cv2.fillConvexPoly(mask, _to_table(outline), 255, cv2.LINE_8, 4)
        total = np.maximum(total, strength * cv2.GaussianBlur(mask, (0, 0), sigma).astype(np.float32) / 255)
    return total


# ------------------------------------------------------------------ the camera


def _develop(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Linear light (h, w, 3) -> uint8: exposure, highlights rolled off, blur, vignette, sensor noise."""
    level = float(np.percentile(picture[::4, ::4].mean(2), 97))
    value = picture * (0.72 / max(level, 0.05))
    bright = value > 0.8
    value[bright] = 0.8 + 0.2 * np.tanh((value[bright] - 0.8) / 0.5)
    h, w = value.shape[:2]
    ys, xs = np.mgrid[:h, :w].astype(np.float32)
    value = value * (1 - 0.12 * (((xs / w - 0.5) ** 2 + (ys / h - 0.5) ** 2) / 0.5))[..., None]
    value = np.clip(cv2.GaussianBlur(value.astype(np.float32), (0, 0), BLUR_PX), 0, 1) ** np.float32(1 / 2.2)
    grain = rng.standard_normal(value.shape, dtype=np.float32)
    grain = cv2.GaussianBlur(grain, (0, 0), 0.6) * 1.8
    return np.clip((value + NOISE * grain) * 255 + 0.5, 0, 255).astype(np.uint8)
