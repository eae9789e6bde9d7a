"""What stands before and above a building without being one: sky, clouds, far and near trees, people, a car, a lamp, wires."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.testing.buildings.canvas import FINE
from featurediff.testing.buildings.site import Site
from featurediff.testing.buildings.textures import clouds


def sky(site: Site) -> None:
    """A gradient from blue to haze with soft clouds, over the whole canvas."""
    h, w = site.canvas.near.shape
    share = np.linspace(0, 1, h // 8)[:, None, None] ** 0.8
    top, low = np.array([0.46, 0.60, 0.80]), np.array([0.82, 0.87, 0.91])
    grey = np.array([0.80, 0.82, 0.84])
    field = top * (1 - share) + low * share
    field = field + site.overcast * (grey - field)
    puff = clouds((h // 8, w // 8), 26, site.rng) + 0.45 * clouds((h // 8, w // 8), 8, site.rng)
    alpha = np.clip((puff - 0.5) * 0.9, 0, 1)[..., None] * 0.8
    field = field * (1 - alpha) + np.array([0.95, 0.95, 0.95]) * alpha
    site.canvas.colour[:] = cv2.resize(np.broadcast_to(field, (h // 8, w // 8, 3)).astype(np.float32), (w, h))


def far_trees(site: Site) -> None:
    """A hazy row of trees along the eye level, so that it shows as no straight line."""
    camera = site.canvas.fine
    h, w = site.canvas.near.shape
    line = camera.eye_level_at(w / 2)
    if not -h < line < 2 * h:
        return
    for _ in range(70):
        x = site.rng.uniform(0, w)
        r = site.rng.uniform(0.02, 0.05) * w
        y = camera.eye_level_at(x) - 0.4 * r + 0.006 * w
        tint = np.array([0.46, 0.54, 0.47]) * site.rng.uniform(0.9, 1.15) + 0.08
        cv2.ellipse(site.canvas.colour, (int(x), int(y)), (int(1.3 * r), int(r)), 0, 0, 360, tuple(map(float, tint)), -1)


def tree(site: Site, x: float, y: float, tall: float, name: str) -> None:
    """A broadleaf tree: crown of many lit blobs on a trunk."""
    _foot_shadow(site, x, y, 0.55 * tall, 0.5 * tall)
    foot, top = site.canvas.fine.project(np.array([[x, y, 0.0], [x, y, tall]]))
    near = _near(site, x, y)
    high = float(foot[1] - top[1])
    if high < 40:
        return
    r = 0.30 * high
    side = int(2.6 * r)
    centre = np.array([1.3 * r, 1.3 * r])
    colour, alpha = np.zeros((int(high + 1.3 * r), side, 3), np.float32), np.zeros((int(high + 1.3 * r), side), np.float32)
    rng = site.rng
    trunk = np.array([0.30, 0.25, 0.21])
    cv2.line(alpha, (side // 2, int(centre[1])), (side // 2, int(high + 0.28 * r)), 1.0, max(2, int(0.1 * r)))
    colour[alpha > 0] = trunk
    light = np.array([site.sun[0], -site.sun[2]]) / max(np.hypot(site.sun[0], site.sun[2]), 1e-6)
    for _ in range(420):
        at = rng.normal(0, 0.42, 2)
        if np.hypot(*at) > 1.0:
            continue
        size = rng.uniform(0.05, 0.13) * r
        spot = centre + at * r
        tone = 0.62 + 0.30 * float(at @ light) + rng.normal(0, 0.09)
        tint = np.array([0.36, 0.46, 0.24]) * np.clip(tone, 0.25, 1.3) * 1.15
        cv2.circle(colour, tuple(np.int32(spot)), int(size) + 1, tuple(map(float, tint)), -1)
        cv2.circle(alpha, tuple(np.int32(spot)), int(size) + 1, 1.0, -1)
    site.canvas.stamp(foot[0] - side / 2, foot[1] - high - 0.28 * r, near, colour, alpha)
    t = np.linspace(0, 2 * np.pi, 80)
    wave = 1 + 0.06 * np.sin(7 * t) + 0.04 * np.sin(13 * t + 1)
    crown = np.array([foot[0], foot[1] - high + 1.02 * r]) + (0.82 * r * wave)[:, None] * np.column_stack([np.cos(t), np.sin(t)])
    _outline(site, name, crown, near)


def person(site: Site, x: float, y: float, name: str) -> None:
    """A standing or walking figure."""
    _foot_shadow(site, x, y, 0.6, 0.9)
    foot, top = site.canvas.fine.project(np.array([[x, y, 0.0], [x, y, site.rng.uniform(1.6, 1.85)]]))
    k = float(foot[1] - top[1]) / 100.0
    if k < 0.25:
        return
    body = np.array(
        [(-4, 0), (-13, 48), (-15, 76), (-10, 84), (10, 84), (15, 76), (13, 48), (6, 0), (2, 0), (0, 42), (-1, 0)], float
    )
    coat, legs = (np.clip(site.rng.uniform(0.12, 0.5, 3), 0, 1) for _ in range(2))
    w, h = int(44 * k) + 2, int(104 * k) + 2
    alpha, colour = np.zeros((h, w), np.float32), np.zeros((h, w, 3), np.float32)
    place = np.column_stack([22 * k + body[:, 0] * k, 102 * k - body[:, 1] * k])
    cv2.fillPoly(alpha, [np.int32(np.round(place))], 1.0)
    colour[:] = coat
    colour[int(102 * k - 46 * k) :] = legs * 0.6
    head = (int(22 * k), int(102 * k - 93 * k))
    cv2.circle(alpha, head, max(1, int(6.5 * k)), 1.0, -1)
    cv2.circle(colour, head, max(1, int(6.5 * k)), (0.62, 0.47, 0.38), -1)
    site.canvas.stamp(foot[0] - 22 * k, foot[1] - 102 * k, _near(site, x, y), colour, alpha)
    _outline(site, name, np.vstack([place, place[:1]]) + [foot[0] - 22 * k, foot[1] - 102 * k], _near(site, x, y))


def car(site: Site, x: float, y: float, name: str) -> None:
    """A car seen from its side, parked across the view."""
    _foot_shadow(site, x + 2.1, y + 0.3, 4.3, 1.2)
    a, b = site.canvas.fine.project(np.array([[x, y, 0.0], [x + 4.2, y, 0.0]]))
    k = float(np.hypot(*(b - a))) / 420.0
    if k < 0.2:
        return
    hull = np.array(
        [(5, 30), (8, 62), (60, 82), (120, 92), (165, 138), (280, 140), (335, 96), (405, 84), (416, 60), (414, 30)], float
    )
    glass = np.array([(132, 94), (170, 130), (272, 132), (316, 98)], float)
    w, h = int(425 * k) + 2, int(150 * k) + 2
    alpha, colour = np.zeros((h, w), np.float32), np.zeros((h, w, 3), np.float32)

    def put(points):
        return np.int32(np.round(np.column_stack([points[:, 0] * k, 146 * k - points[:, 1] * k])))

    paint = np.array([(0.55, 0.12, 0.10), (0.75, 0.76, 0.78), (0.14, 0.20, 0.33), (0.2, 0.2, 0.21)][site.rng.integers(4)])
    cv2.fillPoly(alpha, [put(hull)], 1.0)
    colour[:] = paint * np.linspace(1.25, 0.55, h)[:, None, None]
    cv2.fillPoly(colour, [put(glass)], (0.22, 0.26, 0.30))
    for cx in (88, 332):
        spot = tuple(put(np.array([[cx, 32.0]]))[0])
        cv2.circle(alpha, spot, int(34 * k), 1.0, -1)
        cv2.circle(colour, spot, int(34 * k), (0.08, 0.08, 0.09), -1)
        cv2.circle(colour, spot, int(19 * k), (0.5, 0.5, 0.52), -1)
    corner = np.array([a[0], a[1] - 146 * k])
    site.canvas.stamp(*corner, _near(site, x, y), colour, alpha)
    _outline(site, name, put(np.vstack([hull, hull[:1]])) + corner, _near(site, x, y))


def lamp_post(site: Site, x: float, y: float, name: str) -> None:
    """A thin iron post with a lantern."""
    foot, top = site.canvas.fine.project(np.array([[x, y, 0.0], [x, y, 4.4]]))
    near = _near(site, x, y)
    wide = 0.09 * site.canvas.fine.focal_px * near
    h, w = int(foot[1] - top[1]), int(8 * wide) + 6
    if h < 60 or wide < 1:
        return
    alpha, colour = np.zeros((h, w), np.float32), np.full((h, w, 3), 0.13, np.float32)
    cv2.line(alpha, (w // 2, int(4 * wide)), (w // 2, h), 1.0, max(2, int(wide)))
    head = np.array([(0, 0), (1.8, 1.2), (1.2, 4.4), (-1.2, 4.4), (-1.8, 1.2)]) * wide + [w / 2, 0]
    cv2.fillPoly(alpha, [np.int32(head)], 1.0)
    inner = (head - head.mean(0)) * 0.7 + head.mean(0)
    cv2.fillPoly(colour, [np.int32(inner)], (0.85, 0.82, 0.7))
    site.canvas.stamp(foot[0] - w / 2, foot[1] - h, near, colour, alpha)
    _outline(site, name, np.array([[foot[0], foot[1] - h + 4 * wide], [foot[0], foot[1]]]), near)


def wires(site: Site) -> None:
    """Two sagging wires high across the picture."""
    h, w = site.canvas.near.shape
    for _ in range(2):
        y0, y1 = site.rng.uniform(0.02, 0.3, 2) * h
        t = np.linspace(0, 1, 60)
        y = y0 + (y1 - y0) * t + 0.05 * h * 4 * t * (1 - t)
        line = np.int32(np.column_stack([t * (w - 1), y]) * 16)
        cv2.polylines(site.canvas.colour, [line], False, (0.16, 0.16, 0.17), 2, cv2.LINE_AA, 4)


def _foot_shadow(site: Site, x: float, y: float, wide: float, deep: float) -> None:
    """A thing's soft shadow on the ground by its foot, drawn out away from the sun."""
    if site.overcast > 0.7:
        return
    away = -site.sun[:2] / max(np.hypot(*site.sun[:2]), 1e-6)
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring = np.column_stack([wide / 2 * np.cos(turn), deep / 2 * np.sin(turn)]) + [x, y] + 0.5 * deep * away
    for grow, tint in ((1.12, 0.88), (1.0, 0.72)):
        points = np.column_stack([ring.mean(0) + grow * (ring - ring.mean(0)), np.zeros(len(ring))])
        site.canvas.paint(points, np.full(3, tint), shade=True)


def _near(site: Site, x: float, y: float) -> float:
    return 1.0 / float(site.canvas.camera.ahead(np.array([[x, y, 0.0]]))[0, 2])


def _outline(site: Site, name: str, fine: np.ndarray, near: float) -> None:
    """Keep the seen part of a thing's rough outline, in picture px, for hands that hint at it."""
    h, w = site.canvas.near.shape
    x, y = (np.clip(np.round(fine[:, i]).astype(int), 0, n - 1) for i, n in ((0, w), (1, h)))
    fine = fine[site.canvas.near[y, x] <= 1.02 * near]
    if len(fine) < 2:
        return
    site.clutter[name] = (np.asarray(fine, float) + 0.5) / FINE - 0.5
