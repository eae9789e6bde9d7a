"""Renders a head that belongs to nobody as a photo-like portrait, with the exact lines of its features."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.testing.heads import EYEBALL_RADIUS, Head, build_head, hair_field
from featurediff.testing.outlines import outlines
from featurediff.testing.raster import Seen, interpolate, rasterise, vertex_normals
from featurediff.testing.scenes import Scene

CAMERA_CM = 95.0
IRIS_CM = 0.59
PIVOT = np.array([0.0, 0.5, -4.0])


class View:
    """The camera: head cm -> picture px, turned by yaw, pitch and roll (degrees)."""

    def __init__(self, size: tuple[int, int], yaw: float, pitch: float, roll: float):
        w, h = size
        self.size = size
        self.turn = _rotation(yaw, pitch, roll)
        self.focal = 36.5 * CAMERA_CM * min(w / 1200, h / 1500)
        self.centre = np.array([(w - 1) / 2, h * 0.475])

    def turned(self, points: np.ndarray) -> np.ndarray:
        """(n, 3) head cm -> camera-aligned cm."""
        return (np.asarray(points, float) - PIVOT) @ self.turn.T + PIVOT

    def px(self, turned: np.ndarray) -> np.ndarray:
        """(n, 3) camera-aligned cm -> (n, 2) px."""
        away = (CAMERA_CM - turned[:, 2])[:, None]
        flat = turned[:, :2] - [0.0, 2.0]
        return self.centre + self.focal * flat * [1.0, -1.0] / away

    def project(self, points: np.ndarray) -> np.ndarray:
        """(n, 3) head cm -> (n, 2) px."""
        return self.px(self.turned(points))


def _rotation(yaw: float, pitch: float, roll: float) -> np.ndarray:
    a, b, c = np.radians([yaw, pitch, -roll])
    ry = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    rx = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
    rz = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
    return rz @ rx @ ry


def render_face(seed, *, yaw, pitch, roll, glasses, beard, mouth_open, size) -> Scene:
    """See `featurediff.testing.scenes.rendered_face`."""
    head = build_head(seed, mouth_open)
    view = View(size, yaw, pitch, roll)
    rng = np.random.default_rng([11, seed])
    w, h = size
    names = list(head.parts)
    points = [view.turned(head.parts[n].points) for n in names]
    # The body follows only a part of the head's turn.
    body = names.index("body")
    half = View(size, 0.25 * yaw, 0.1 * pitch, 0.1 * roll)
    points[body] = half.turned(head.parts["body"].points)
    counts = np.cumsum([0] + [len(p) for p in points])
    triangles = np.vstack([head.parts[n].triangles + counts[i] for i, n in enumerate(names)])
    owner = np.concatenate([np.full(len(head.parts[n].triangles), i) for i, n in enumerate(names)])
    cloud, place = np.vstack(points), np.vstack([head.parts[n].place for n in names])
    normal = np.vstack([_outward(p, head.parts[n].triangles) for p, n in zip(points, names, strict=True)])
    seen = _see(view, cloud, place, triangles, owner, names, head, (h, w))
    part = np.where(seen.triangle >= 0, owner[seen.triangle], -1)
    picture = _shade(seen, triangles, part, names, place, normal, cloud, head, rng)
    curves = {name: view.project(line) for name, line in head.lines.items()}
    picture = _paint(picture, curves, rng)
    curves |= _outline_curves(part, names, seen, triangles, place, head, view)
    pixels = np.clip(cv2.GaussianBlur(picture, (0, 0), 0.8) * 255 + rng.normal(0, 1.2, picture.shape), 0, 255).astype(np.uint8)
    solid = (part == names.index("skin")) | (part == names.index("hair"))
    rows, cols = np.nonzero(solid)
    chin = curves["chin"][:, 1].max() if "chin" in curves else rows.max()
    height = float(chin - rows.min())
    centre = (float(cols.min() + cols.max()) / 2, float(rows.min() + chin) / 2)
    marks = {"landmarks": view.project(head.vertices)}
    return Scene(f"face {seed}", pixels, curves, height, centre, part >= 0, marks)


def _outline_curves(part, names, seen, triangles, place, head, view) -> dict[str, np.ndarray]:
    at = interpolate(seen, triangles, place)
    body = part == names.index("body")
    clothes = body & is_clothes(at)
    masks = {name: part == names.index(name) for name in ("hair", "ear left", "ear right") if name in names}
    masks |= {name: np.zeros(part.shape, bool) for name in ("ear left", "ear right") if name not in names}
    skin = np.isin(part, [i for i, n in enumerate(names) if n == "skin" or n.startswith("eyeball")])
    masks |= {"skin": _filled(skin, head, view), "neck": body & ~clothes, "clothes": clothes}
    marks = view.project(head.vertices)
    cm = view.focal / CAMERA_CM
    return outlines(masks, marks[152], float(marks[13, 1]), float(marks[[105, 334], 1].mean()), cm)


def _filled(mask, head, view) -> np.ndarray:
    """The skin without the holes of eyes and mouth."""
    whole = np.zeros(mask.shape, np.uint8)
    found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(whole, found, -1, 1, -1)
    return whole.astype(bool)


def is_clothes(at: np.ndarray) -> np.ndarray:
    """Where the body (..., 3) is clothed: below a round neckline."""
    return at[..., 1] < -15.5 - 0.06 * np.abs(at[..., 0])


def _see(view, cloud, place, triangles, owner, names, head, shape) -> Seen:
    """What is seen, with the hair shell cut exactly along the hairline."""
    hair = owner == names.index("hair")
    bare = rasterise(view.px(cloud), cloud[:, 2], triangles[~hair], shape)
    bare_number, hair_number = np.flatnonzero(~hair), np.flatnonzero(hair)
    shell = rasterise(view.px(cloud), cloud[:, 2], triangles[hair], shape)
    inside = hair_field(interpolate(shell, triangles[hair], place), head.traits) > 0
    front = inside & (shell.triangle >= 0) & (shell.depth > bare.depth)
    triangle = np.where(front, hair_number[shell.triangle], np.where(bare.triangle >= 0, bare_number[bare.triangle], -1))
    weights = np.where(front[..., None], shell.weights, bare.weights)
    return Seen(triangle, weights, np.where(front, shell.depth, bare.depth))


def _outward(points: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    normal = vertex_normals(points, triangles)
    # Windings differ between parts; make each part's normals point away from its middle.
    away = points - points.mean(0)
    return normal if (normal * away).sum() > 0 else -normal


def _shade(seen: Seen, triangles, part, names, place, normal, cloud, head: Head, rng) -> np.ndarray:
    n = interpolate(seen, triangles, normal)
    n /= np.maximum(np.linalg.norm(n, axis=2, keepdims=True), 1e-9)
    at = interpolate(seen, triangles, place)
    h, w = part.shape
    light = np.array([-0.45, 0.55, 0.72])
    light /= np.linalg.norm(light)
    fill = np.array([0.7, 0.1, 0.6])
    fill /= np.linalg.norm(fill)
    key = np.clip(0.12 + 0.88 * (n @ light), 0, None)
    shade = 0.30 + 0.62 * key + 0.16 * np.clip(n @ fill, 0, None)
    depth = np.where(part >= 0, seen.depth, -14.0).astype(np.float32)
    for radius, strength in ((9, 0.10), (26, 0.045), (60, 0.018)):
        around = cv2.GaussianBlur(depth, (0, 0), radius)
        shade *= np.exp(-strength * np.clip(around - depth, 0, 6))
    skin = np.array([0.86, 0.67, 0.56]) * rng.uniform(0.75, 1.05) + rng.normal(0, 0.012, 3)
    hair_colour = np.array([0.22, 0.16, 0.11]) * rng.uniform(0.4, 2.2)
    albedo = np.zeros((h, w, 3))
    for i, name in enumerate(names):
        where = part == i
        if name == "skin":
            albedo[where] = skin
        elif name == "hair":
            albedo[where] = hair_colour
        elif name == "body":
            low = is_clothes(at)
            albedo[where] = skin * 0.95
            albedo[where & low] = rng.uniform(0.2, 0.6, 3)
        else:
            albedo[where] = _eyeball(at[where], rng)
    back = np.array([0.62, 0.64, 0.66]) * (0.8 + 0.25 * np.linspace(1, 0, h)[:, None, None])
    return np.where((part >= 0)[..., None], albedo * shade[..., None], back)


def _eyeball(at: np.ndarray, rng) -> np.ndarray:
    r = np.hypot(at[:, 0], at[:, 1])
    colour = np.tile([0.9, 0.88, 0.86], (len(at), 1))
    iris = np.clip((IRIS_CM - r) / 0.06, 0, 1)[:, None]
    colour = colour * (1 - iris) + iris * np.array([0.30, 0.22, 0.15])
    pupil = np.clip((0.24 - r) / 0.05, 0, 1)[:, None]
    colour = colour * (1 - pupil) + pupil * 0.03
    glint = np.exp(-0.5 * (((at[:, 0] + 0.2) / 0.07) ** 2 + ((at[:, 1] - 0.22) / 0.07) ** 2))[:, None]
    return colour * (1 - glint) + glint


def _soft_fill(shape, polygon, blur) -> np.ndarray:
    mask = np.zeros(shape, np.float32)
    cv2.fillPoly(mask, [np.round(polygon * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
    return cv2.GaussianBlur(mask, (0, 0), blur)[..., None]


def _soft_line(shape, line, width, blur) -> np.ndarray:
    mask = np.zeros(shape, np.float32)
    cv2.polylines(mask, [np.round(line * 16).astype(np.int32)], False, 1.0, max(1, round(width)), cv2.LINE_AA, 4)
    return cv2.GaussianBlur(mask, (0, 0), blur)[..., None]


def _paint(picture, curves, rng) -> np.ndarray:
    shape = picture.shape[:2]
    for side in ("left", "right"):
        brow = np.vstack([curves[f"brow {side} top"], curves[f"brow {side} bottom"][::-1]])
        alpha = 0.85 * _soft_fill(shape, brow, 4.0)
        picture = picture * (1 - alpha) + alpha * np.array([0.18, 0.13, 0.10])
        lash = np.clip(0.9 * _soft_line(shape, curves[f"upper lid {side}"], 5, 1.5), 0, 1)
        picture = picture * (1 - lash) + lash * 0.06
        lower = 0.4 * _soft_line(shape, curves[f"lower lid {side}"], 3, 1.5)
        picture = picture * (1 - lower) + lower * np.array([0.25, 0.15, 0.12])
    upper = np.vstack([curves["upper lip edge"], curves["inner upper lip"][::-1]])
    lower = np.vstack([curves["lower lip edge"], curves["inner lower lip"][::-1]])
    for lip, tone in ((upper, 0.55), (lower, 0.5)):
        alpha = tone * _soft_fill(shape, lip, 2.5)
        picture = picture * (1 - alpha) + alpha * np.array([0.62, 0.30, 0.28])
    mouth = _soft_fill(shape, np.vstack([curves["inner upper lip"], curves["inner lower lip"][::-1]]), 1.2)
    picture = picture * (1 - mouth) + mouth * np.array([0.15, 0.05, 0.05])
    return picture
