"""Pictures for the still-life detector's tests: simple things painted on a table, every outline known."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.api import Picture

SIZE = (900, 700)
WALL, TABLE = (150, 155, 160), (165, 120, 80)
TABLE_EDGE = 260
_FINE = 4  # painted so many times larger, then averaged


def as_picture(pixels: np.ndarray, name: str = "table.png") -> Picture:
    """The record the detector takes."""
    return Picture(np.ascontiguousarray(pixels), name)


def empty_table(edge: int = TABLE_EDGE) -> np.ndarray:
    """(h, w, 3) float32: a grey wall, a brown table with a faint grain, lit from the left."""
    width, height = SIZE
    picture = np.empty((height, width, 3), np.float32)
    picture[:edge], picture[edge:] = WALL, TABLE
    rng = np.random.default_rng(3)
    grain = cv2.GaussianBlur(rng.normal(0, 1, (height, width)).astype(np.float32), (0, 0), sigmaX=25, sigmaY=1.2)
    picture[edge:] *= 1 + 0.35 * grain[edge:, :, None]
    return picture * np.linspace(1.06, 0.94, width, dtype=np.float32)[None, :, None]


def finished(picture: np.ndarray, seed: int = 0) -> np.ndarray:
    """(h, w, 3) uint8: a little blur and a camera's noise."""
    rng = np.random.default_rng(seed)
    return np.clip(cv2.GaussianBlur(picture, (0, 0), 0.8) + rng.normal(0, 1.5, picture.shape), 0, 255).astype(np.uint8)


def paint(picture: np.ndarray, outline: np.ndarray, colour, shade: float = 0.35, hole: np.ndarray | None = None) -> None:
    """Fill a closed outline (n, 2) px, lighter on the left than on the right by ``shade``; ``hole``: left open."""
    cover = coverage(outline, picture.shape[:2])
    if hole is not None:
        cover = cover * (1 - coverage(hole, picture.shape[:2]))
    low, high = outline[:, 0].min(), outline[:, 0].max()
    across = np.clip((np.arange(picture.shape[1]) - low) / (high - low), 0, 1)[None, :, None]
    own = np.array(colour, np.float32) * (1 + shade * (0.5 - across))
    picture += cover[..., None] * (own - picture)


def coverage(outline: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """(h, w) 0..1: how much of each pixel lies within a closed outline."""
    fine = np.zeros((shape[0] * _FINE, shape[1] * _FINE), np.uint8)
    points = (outline + 0.5) * _FINE - 0.5
    cv2.fillPoly(fine, [np.round(points * 16).astype(np.int32)], 255, cv2.LINE_8, 4)
    return cv2.resize(fine, (shape[1], shape[0]), interpolation=cv2.INTER_AREA).astype(np.float32) / 255


def ellipse(centre, long: float, short: float, turn: float = 0.0, count: int = 360) -> np.ndarray:
    """(count, 2) px, clockwise from the right end."""
    t, angle = np.linspace(0, 2 * np.pi, count, endpoint=False), np.radians(turn)
    x, y = long * np.cos(t), short * np.sin(t)
    return np.column_stack([centre[0] + x * np.cos(angle) - y * np.sin(angle), centre[1] + x * np.sin(angle) + y * np.cos(angle)])


def shadow(picture: np.ndarray, outline: np.ndarray, soft: float = 9.0, light: float = 0.55) -> None:
    """Darken what lies within an outline, of the same hue, with a soft edge."""
    cover = cv2.GaussianBlur(coverage(outline, picture.shape[:2]), (0, 0), soft)
    picture *= (1 - (1 - light) * cover)[..., None]


class Vessel:
    """A jar: an upright body with a curved side, an elliptic mouth and base. All in px."""

    def __init__(self, x: float, top: float, bottom: float, mouth: float, belly: float, foot: float, open_: float = 0.3):
        self.x, self.top, self.bottom, self.mouth, self.foot, self.open_ = x, top, bottom, mouth, foot, open_
        level = np.linspace(top, bottom, 120)
        t = (level - top) / (bottom - top)
        half = mouth + (foot - mouth) * t + (belly - 0.5 * (mouth + foot)) * np.sin(np.pi * t) ** 2
        self.left, self.right = np.column_stack([x - half, level]), np.column_stack([x + half, level])
        self.rim = ellipse((x, top), mouth, open_ * mouth)
        base = ellipse((x, bottom), foot, open_ * foot)
        self.base = base[(base[:, 1] >= bottom)]
        far = self.rim[self.rim[:, 1] <= top]
        self.outline = np.vstack(
            [far[np.argsort(far[:, 0])], self.right, self.base[np.argsort(-self.base[:, 0])], self.left[::-1]]
        )

    def put(self, picture: np.ndarray, colour=(70, 95, 140), inside: float = 0.5) -> Vessel:
        """Paint it: the body, and the darker inside within the rim."""
        paint(picture, self.outline, colour)
        paint(picture, self.rim, tuple(inside * c for c in colour), shade=-0.35)
        return self


def pear(x: float, bottom: float, high: float) -> np.ndarray:
    """(n, 2): a smooth outline, wide below and narrow above."""
    t = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    up = 0.5 * (1 - np.cos(t))  # 0 at the bottom, 1 at the top
    half = 0.36 * high * np.abs(np.sin(t)) * (1 - 0.45 * up) * (1 + 0.25 * (1 - up))
    return np.column_stack([x - np.sign(np.sin(t)) * half, bottom - high * up])


def bird(x: float, y: float, size: float) -> np.ndarray:
    """(n, 2): an outline without any symmetry: beak, back, tail, belly, breast."""
    corners = [(-0.95, -0.35), (-0.6, -0.62), (-0.3, -0.5), (0.2, -0.2), (0.95, -0.28), (0.55, 0.08), (0.1, 0.42), (-0.35, 0.3)]
    corners += [(-0.62, -0.15)]
    points = np.array(corners) * size + (x, y)
    after = np.roll(points, -1, 0)
    return np.vstack([a + (b - a) * np.linspace(0, 1, 200, endpoint=False)[:, None] for a, b in zip(points, after, strict=True)])


def away(points: np.ndarray, exact: np.ndarray) -> np.ndarray:
    """(n,) distance of points to the nearest point of a dense line."""
    return np.sqrt(((points[:, None] - exact[None]) ** 2).sum(2)).min(1)
