"""Paint for rendered heads: skin, eyes, lips, brows and hair, soft as in a photo."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import cv2
import numpy as np

from featurediff.geometry import resample

IRIS_CM = 0.59
PUPIL_CM = 0.22
HAIR_COLOURS = (
    (0.10, 0.08, 0.07), (0.20, 0.14, 0.10), (0.34, 0.24, 0.16), (0.52, 0.40, 0.26), (0.40, 0.22, 0.13), (0.48, 0.46, 0.45)
)  # fmt: skip
IRIS_COLOURS = ((0.24, 0.16, 0.10), (0.33, 0.40, 0.44), (0.27, 0.27, 0.18), (0.36, 0.26, 0.16))


def skin_colour(rng: np.random.Generator) -> np.ndarray:
    """(3,) display RGB of one person's skin, from deep to fair."""
    depth = rng.uniform(0, 1)
    return (1 - depth) * np.array([0.50, 0.345, 0.26]) + depth * np.array([0.97, 0.81, 0.71]) + rng.normal(0, 0.01, 3)


def skin_albedo(place: np.ndarray, base: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """(n, 3) skin colour at undeformed head positions (n, 3): redder cheeks, nose and chin, darker round the eyes."""
    x, y = place[:, 0], place[:, 1]

    def spot(cx: float, cy: float, sx: float, sy: float) -> np.ndarray:
        return np.exp(-0.5 * (((np.abs(x) if cx else x) - cx) / sx) ** 2 - 0.5 * ((y - cy) / sy) ** 2)

    red = 0.5 * spot(4.2, -0.8, 1.8, 1.5) + 0.45 * spot(0, -0.9, 1.3, 0.9) + 0.3 * spot(0, -8.0, 1.6, 1.0)
    dark = 0.5 * spot(3.0, 1.5, 1.6, 0.5) + 0.45 * spot(1.9, 2.7, 0.5, 0.9) + 0.3 * spot(3.2, 3.4, 1.7, 0.5)
    tint = 1 - red[:, None] * np.array([0.0, 0.11, 0.10]) - dark[:, None] * np.array([0.16, 0.20, 0.18])
    return base * tint


def texture(shape: tuple[int, int], cm: float, rng: np.random.Generator) -> np.ndarray:
    """(h, w) factor about 1: pores and blotches."""
    fine = cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), 0.035 * cm)
    broad = cv2.GaussianBlur(rng.standard_normal((shape[0] // 4, shape[1] // 4)).astype(np.float32), (0, 0), 0.08 * cm)
    broad = cv2.resize(broad, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return 1 + 0.012 * fine / fine.std() + 0.012 * broad / broad.std()


def eyeball(at: np.ndarray, iris: np.ndarray, gaze: tuple[float, float]) -> np.ndarray:
    """(n, 3) colour of the eyeball at positions (n, 3) cm from its centre."""
    x, y = at[:, 0] - gaze[0], at[:, 1] - gaze[1]
    r, turn = np.hypot(x, y), np.arctan2(y, x)
    white = np.array([0.80, 0.77, 0.75]) - 0.10 * np.clip(np.abs(at[:, :1]) - 0.5, 0, 1) * np.array([0.6, 1.2, 1.2])
    spokes = 1 + 0.16 * np.sin(23 * turn + 3 * np.sin(7 * turn)) * np.clip(1 - np.abs(r - 0.4) / 0.2, 0, 1)
    ring = 1 - 0.55 * np.exp(-0.5 * ((r - IRIS_CM + 0.02) / 0.07) ** 2)
    light = 1 + 0.35 * np.clip(-y / IRIS_CM, 0, 1)
    disc = iris * (spokes * ring * light)[:, None] * 1.25
    inside = _step((IRIS_CM - r) / 0.07)
    colour = white * (1 - inside) + disc * inside
    pupil = _step((PUPIL_CM - r) / 0.05)
    return colour * (1 - pupil) + 0.035 * pupil


def _step(value: np.ndarray) -> np.ndarray:
    return np.clip(value + 0.5, 0, 1)[:, None]


def fill(shape: tuple[int, int], polygon: np.ndarray, blur: float) -> np.ndarray:
    """(h, w, 1) soft alpha of a polygon (n, 2) px."""
    mask = np.zeros(shape, np.float32)
    cv2.fillPoly(mask, [np.round(polygon * 16).astype(np.int32)], 1.0, cv2.LINE_8, 4)
    return cv2.GaussianBlur(mask, (0, 0), blur)[..., None]


def line(shape: tuple[int, int], points: np.ndarray, width: float, blur: float, ends: bool = True) -> np.ndarray:
    """(h, w, 1) alpha of a soft line that thins out at its ends; the same darkness at any width."""
    mask = np.zeros(shape, np.float32)
    points = resample(points, 1.0)
    t = np.linspace(0, 1, len(points))
    swell = np.clip(4 * np.minimum(t, 1 - t), 0.15, 1) if ends else np.ones(len(points))
    for i in range(len(points) - 1):
        at = np.round(points[i : i + 2] * 16).astype(np.int32)
        cv2.line(mask, at[0], at[1], float(swell[i]), max(1, round(width * swell[i])), cv2.LINE_8, 4)
    return cv2.GaussianBlur(mask, (0, 0), blur)[..., None]


def over(picture: np.ndarray, alpha: np.ndarray, colour: np.ndarray | float) -> np.ndarray:
    """``colour`` laid over the picture with opacity ``alpha``."""
    return picture + np.clip(alpha, 0, 1) * (np.asarray(colour) - picture)


def down(points: np.ndarray, px: float) -> np.ndarray:
    """The points moved down the picture."""
    return np.add(points, [0.0, px])


def on_patch(picture: np.ndarray, curves: Mapping[str, np.ndarray], margin: float, paint: Callable) -> None:
    """Paint around some curves in place: ``paint(patch, shifted curves)`` sees only their surroundings, which keeps it quick."""
    points = np.vstack(list(curves.values()))
    h, w = picture.shape[:2]
    left, top = np.clip(np.floor(points.min(0) - margin), 0, [w - 1, h - 1]).astype(int)
    right, bottom = np.clip(np.ceil(points.max(0) + margin), [left + 1, top + 1], [w, h]).astype(int)
    shifted = {name: curve - [left, top] for name, curve in curves.items()}
    patch = picture[top:bottom, left:right]
    patch[:] = paint(patch.copy(), shifted)


def pick(curves: Mapping[str, np.ndarray], *words: str) -> dict[str, np.ndarray]:
    """The curves whose names contain one of the words."""
    return {name: curve for name, curve in curves.items() if any(word in name for word in words)}


def paint_eyes(picture: np.ndarray, curves: Mapping[str, np.ndarray], cm: float, glints: Mapping[str, np.ndarray], rng) -> None:
    """Lid shadow on the ball, wet lower rim, inner corner, crease, lashes, highlight; in place."""
    for side in ("left", "right"):
        eye = pick(curves, f"lid {side}", f"crease {side}") | {"glint": glints[side][None]}
        inward = 1 if side == "left" else -1
        on_patch(picture, eye, cm, lambda patch, near, side=side, inward=inward: _paint_eye(patch, near, side, inward, cm, rng))


def _paint_eye(picture: np.ndarray, curves: Mapping[str, np.ndarray], side: str, inward: int, cm: float, rng) -> np.ndarray:
    """``inward``: +1 when the nose lies to the picture's right of this eye."""
    shape = picture.shape[:2]
    upper, lower = curves[f"upper lid {side}"], curves[f"lower lid {side}"]
    opening = fill(shape, np.vstack([upper, lower[::-1]]), 0.02 * cm)
    shadow = line(shape, down(upper, 0.06 * cm), 0.22 * cm, 0.08 * cm, ends=False)
    picture = over(picture, 0.50 * opening * np.clip(shadow * 1.3, 0, 1), picture * 0.35)
    corner = upper[-1] if inward > 0 else upper[0]
    caruncle = corner + np.array([[0, 0], [-inward * 0.22 * cm, -0.05 * cm], [-inward * 0.26 * cm, 0.06 * cm], [0.0, 0.03 * cm]])
    picture = over(picture, 0.7 * fill(shape, caruncle, 0.03 * cm), np.array([0.72, 0.45, 0.42]))
    picture = over(picture, 0.40 * line(shape, down(lower, -0.03 * cm), 0.05 * cm, 0.03 * cm), np.array([0.80, 0.62, 0.58]))
    picture = over(picture, 0.60 * line(shape, down(lower, 0.03 * cm), 0.06 * cm, 0.05 * cm), picture * 0.42)
    picture = over(picture, 0.68 * line(shape, curves[f"lid crease {side}"], 0.10 * cm, 0.075 * cm), picture * 0.38)
    picture = over(picture, 0.97 * line(shape, upper, 0.095 * cm, 0.028 * cm), np.array([0.07, 0.05, 0.045]))
    picture = _lashes(picture, upper, lower, -inward, cm, rng)
    dot = fill(shape, curves["glint"][0] + 0.085 * cm * np.array([[-1, -1], [1, -0.8], [0.8, 1], [-0.9, 0.9]]), 0.022 * cm)
    return over(picture, 0.9 * opening * dot, 0.97)


def _lashes(picture: np.ndarray, upper: np.ndarray, lower: np.ndarray, inward: int, cm: float, rng) -> np.ndarray:
    mask = np.zeros(picture.shape[:2], np.float32)
    for lid, up, count, long in ((upper, -1.0, 46, 0.30), (lower, 1.0, 24, 0.10)):
        points = resample(lid, max(np.hypot(*np.diff(lid, axis=0).T).sum() / count, 1.0)) + rng.normal(0, 0.012 * cm, 2)
        span = points[:, 0].max() - points[:, 0].min()
        for p in points[2:-2]:
            outer = (p[0] - lid[:, 0].mean()) / span * -inward
            reach = long * cm * (0.55 + 0.7 * max(outer + 0.3, 0)) * rng.uniform(0.7, 1.1)
            lean = -inward * (0.25 + 0.9 * outer)
            tip = p + reach * np.array([lean, up * 0.8]) / np.hypot(lean, 0.8)
            bow = (p + tip) / 2 + [0.0, -up * 0.12 * reach]
            hair = np.round(np.array([p, bow, tip]) * 16).astype(np.int32)
            cv2.polylines(mask, [hair], False, float(rng.uniform(0.3, 0.7) * (1.0 if up < 0 else 0.5)), 1, cv2.LINE_AA, 4)
    return over(picture, cv2.GaussianBlur(mask, (0, 0), 0.6)[..., None], 0.06)


def brow_hairs(top: np.ndarray, bottom: np.ndarray, inner_first: bool, cm: float, rng) -> list[np.ndarray]:
    """Short hair strokes (k, 2) px that fill a brow between its top and bottom edge; together they end at these edges."""
    if not inner_first:
        top, bottom = top[::-1], bottom[::-1]
    out = []
    n = 170
    for t in np.sort(rng.uniform(0, 1, n)):
        lo, hi = _along(bottom, t), _along(top, t)
        across = hi - lo
        ahead = _along(bottom, min(t + 0.05, 1)) - _along(bottom, max(t - 0.05, 0))
        ahead = ahead / max(np.hypot(*ahead), 1e-6)
        s = rng.uniform(0.02, 0.85)
        root = lo + s * across
        # Near the nose hairs stand up, further out they lie along the brow; above the middle they point down and out.
        rise = (0.9 * (1 - t) ** 1.3 + 0.18) * (1.0 if s < 0.5 else -0.05 + 0.7 * (1 - t))
        reach = (0.42 - 0.12 * t) * cm * rng.uniform(0.7, 1.1)
        height = float(np.hypot(*across))
        up = across / max(height, 1e-6)
        climb = np.clip(reach * rise, -0.95 * s * height, 0.98 * (1 - s) * height)
        tip = root + up * climb + ahead * np.sqrt(max(reach**2 - climb**2, 0.05 * reach**2))
        if t > 0.9:
            tip = root + (tip - root) * 0.5
        out.append(np.array([root, 0.5 * (root + tip) + 0.05 * reach * up, tip]))
    return out


def _along(curve: np.ndarray, t: float) -> np.ndarray:
    at = t * (len(curve) - 1)
    i = min(int(at), len(curve) - 2)
    return curve[i] + (at - i) * (curve[i + 1] - curve[i])


def paint_hairs(picture: np.ndarray, hairs: list[np.ndarray], colour: np.ndarray, opacity: float, width: int, rng) -> np.ndarray:
    """Single hairs laid over the picture."""
    mask = np.zeros(picture.shape[:2], np.float32)
    for hair in hairs:
        cv2.polylines(mask, [np.round(hair * 16).astype(np.int32)], False, float(rng.uniform(0.5, 1)), width, cv2.LINE_AA, 4)
    mask = cv2.GaussianBlur(mask, (0, 0), 0.7)
    return over(picture, opacity * mask[..., None], colour)


def paint_mouth(picture: np.ndarray, curves: Mapping[str, np.ndarray], cm: float, skin: np.ndarray, opened: float) -> np.ndarray:
    """Lips, the line between them or the open mouth with teeth, shadow below the lower lip."""
    shape = picture.shape[:2]
    upper_in, lower_in = curves["inner upper lip"], curves["inner lower lip"]
    colour = skin * np.array([0.80, 0.56, 0.58])
    below = down(curves["lower lip edge"][3:-3], 0.16 * cm)
    picture = over(picture, 0.30 * line(shape, below, 0.30 * cm, 0.16 * cm), picture * 0.55)
    for edge, inner, strength in ((curves["upper lip edge"], upper_in, 0.80), (curves["lower lip edge"], lower_in, 0.66)):
        alpha = fill(shape, np.vstack([edge, inner[::-1]]), 0.05 * cm)
        lip = colour * (picture / np.maximum(skin, 1e-3)) * (0.88 if edge is curves["upper lip edge"] else 1.02)
        picture = over(picture, strength * alpha, lip)
    if opened > 0.02:
        hole = fill(shape, np.vstack([upper_in, lower_in[::-1]]), 0.03 * cm)
        picture = over(picture, hole, np.array([0.16, 0.06, 0.06]))
        row = upper_in[3:-3]
        # The row of teeth ends in the dark of the corners and curves with the jaw.
        long = 0.62 * cm * np.sin(np.linspace(0.25, np.pi - 0.25, len(row)))
        teeth = np.vstack([row, np.column_stack([row[:, 0], row[:, 1] + long])[::-1]])
        inside = fill(shape, teeth, 0.06 * cm) * hole
        picture = over(picture, 0.85 * inside * min(1.0, 3 * opened), np.array([0.74, 0.70, 0.64]))
        picture = over(picture, 0.7 * line(shape, upper_in, 0.08 * cm, 0.04 * cm), np.array([0.2, 0.08, 0.08]))
        picture = over(picture, 0.6 * line(shape, lower_in, 0.06 * cm, 0.04 * cm), np.array([0.25, 0.1, 0.1]))
    else:
        picture = over(picture, 0.92 * line(shape, curves["lip line"], 0.085 * cm, 0.035 * cm), np.array([0.20, 0.085, 0.08]))
        picture = over(picture, 0.30 * line(shape, curves["lip line"], 0.2 * cm, 0.1 * cm), np.array([0.25, 0.1, 0.1]))
    for end in (0, -1):
        corner = upper_in[end] + 0.12 * cm * np.array([[-1, -0.6], [1, -0.6], [1, 0.6], [-1, 0.6]])
        picture = over(picture, 0.35 * fill(shape, corner, 0.09 * cm), picture * 0.35)
    return picture


def paint_nose(picture: np.ndarray, curves: Mapping[str, np.ndarray], cm: float) -> np.ndarray:
    """Nostrils, the creases of the wings, the shadow under the nose."""
    shape = picture.shape[:2]
    for side in ("left", "right"):
        nostril = curves[f"nostril {side}"]
        inner = nostril.mean(0) + 0.86 * (nostril - nostril.mean(0))
        picture = over(picture, 0.88 * fill(shape, inner, 0.055 * cm), np.array([0.13, 0.06, 0.05]))
        picture = over(picture, 0.45 * line(shape, curves[f"nose wing {side}"][3:], 0.10 * cm, 0.07 * cm), picture * 0.42)
    return over(picture, 0.25 * line(shape, down(curves["nose base"], 0.10 * cm), 0.20 * cm, 0.12 * cm), picture * 0.45)
