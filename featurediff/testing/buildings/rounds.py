"""Round parts: an upright cylinder and a dome, painted ray by ray, with their exact outlines."""

from __future__ import annotations

import numpy as np

from featurediff.testing.buildings.canvas import BUILDING, SAME, Patch
from featurediff.testing.buildings.site import Site


def cylinder(
    site: Site, centre: tuple[float, float], radius: float, low: float, high: float, colour, slits=(), courses=0.0
) -> None:
    """An upright cylinder's visible outside. ``slits``: (angle deg from the view, low, high, half width m); ``courses``: m."""
    patch = _box(site, centre, radius, low, high)
    if patch is None:
        return
    rays = site.canvas.rays(patch)
    start = site.canvas.camera.position
    ox, oy = start[0] - centre[0], start[1] - centre[1]
    a = rays[..., 0] ** 2 + rays[..., 1] ** 2
    b = ox * rays[..., 0] + oy * rays[..., 1]
    root = b * b - a * (ox * ox + oy * oy - radius * radius)
    depth = (-b - np.sqrt(np.maximum(root, 0))) / a
    z = start[2] + depth * rays[..., 2]
    hit = (root > 0) & (depth > 0) & (z >= low) & (z < high)
    nx, ny = (ox + depth * rays[..., 0]) / radius, (oy + depth * rays[..., 1]) / radius
    light = _light(site, nx, ny, np.zeros_like(nx)) * np.asarray(colour)
    view = np.arctan2(oy, ox)
    angle = (np.arctan2(ny, nx) - view + np.pi) % (2 * np.pi) - np.pi
    if courses:
        row = np.floor(z / courses)
        shift = (angle * radius / 0.7 + 0.5 * (row % 2)) % 1.0
        joint = ((z / courses) % 1.0 < 0.05) | (shift < 0.025)
        tone = 1 + 0.05 * np.sin(12.9898 * row + 78.233 * np.floor(angle * radius / 0.7 + 0.5 * (row % 2)))
        light = light * (tone * (1 - 0.12 * joint))[..., None]
    for turn, foot, head, half in slits:
        aside = (angle - np.radians(turn)) * radius
        arch = np.where(z < head - half, half, np.sqrt(np.maximum(half**2 - (z - head + half) ** 2, 0)))
        inside = (np.abs(aside) < arch) & (z > foot) & (z < head)
        light = np.where(inside[..., None], np.array([0.12, 0.13, 0.15]), light)
    _lay(site, patch, hit, depth, light)


def dome(site: Site, centre: tuple[float, float, float], radius: float, tall: float, colour, ribs: int = 0) -> None:
    """The upper half of an ellipsoid: ``radius`` across, ``tall`` high."""
    patch = _box(site, centre[:2], radius, centre[2] - 0.01, centre[2] + tall)
    if patch is None:
        return
    rays = site.canvas.rays(patch)
    squash = np.array([1 / radius, 1 / radius, 1 / tall])
    start, way = (site.canvas.camera.position - np.array(centre)) * squash, rays * squash
    a, b = (way**2).sum(2), way @ start
    root = b * b - a * (start @ start - 1)
    depth = (-b - np.sqrt(np.maximum(root, 0))) / a
    place = start + depth[..., None] * way
    hit = (root > 0) & (depth > 0) & (place[..., 2] >= 0)
    normal = place * squash
    normal = normal / np.maximum(np.linalg.norm(normal, axis=2, keepdims=True), 1e-9)
    light = _light(site, *np.moveaxis(normal, 2, 0)) * np.asarray(colour)
    if ribs:
        around = np.arctan2(place[..., 1], place[..., 0]) * ribs / (2 * np.pi)
        light = light * (1 - 0.16 * (np.abs(around - np.round(around)) < 0.05))[..., None]
    _lay(site, patch, hit, depth, light)


def cylinder_sides(position: np.ndarray, centre: tuple[float, float], radius: float) -> np.ndarray:
    """(2, 2) ground points (x, y) where the sight lines from ``position`` touch an upright cylinder: picture left, right."""
    away = np.asarray(position, float)[:2] - np.array(centre)
    turn = np.arccos(radius / np.hypot(*away))
    face = np.arctan2(away[1], away[0])
    # Seen from outside, the picture's left is further round clockwise.
    angles = np.array([face - turn, face + turn])
    points = np.array(centre) + radius * np.column_stack([np.cos(angles), np.sin(angles)])
    return points


def dome_outline(position: np.ndarray, centre: tuple[float, float, float], radius: float, tall: float) -> np.ndarray:
    """(n, 3) the contour of a dome as seen from ``position``: the polar circle of the ellipsoid, its part above the base."""
    stretch = np.array([radius, radius, tall])
    eye = (np.asarray(position, float) - np.array(centre)) / stretch
    far = np.linalg.norm(eye)
    axis = eye / far
    side = np.cross(axis, [0, 0, 1.0])
    side = side / np.linalg.norm(side)
    up = np.cross(side, axis)
    turn = np.linspace(-np.pi, np.pi, 721)[:, None]
    ring = axis / far + np.sqrt(1 - 1 / far**2) * (np.sin(turn) * side + np.cos(turn) * up)
    ring = ring[ring[:, 2] >= 0]
    return np.array(centre) + ring * stretch


def _box(site: Site, centre, radius: float, low: float, high: float) -> Patch | None:
    xs = [centre[0] + s * radius for s in (-1, 1)]
    ys = [centre[1] + s * radius for s in (-1, 1)]
    fine = site.canvas.fine
    flat = fine.project(np.array([(x, y, z) for x in xs for y in ys for z in (low, high)]))
    x0, y0 = np.maximum(np.floor(flat.min(0)).astype(int), 0)
    h, w = site.canvas.near.shape
    x1, y1 = min(int(flat[:, 0].max()) + 2, w), min(int(flat[:, 1].max()) + 2, h)
    if x1 <= x0 or y1 <= y0:
        return None
    return Patch(int(x0), int(y0), np.ones((y1 - y0, x1 - x0), bool))


def _light(site: Site, nx, ny, nz) -> np.ndarray:
    facing = np.maximum(nx * site.sun[0] + ny * site.sun[1] + nz * site.sun[2], 0)
    sky = np.array([0.53, 0.56, 0.62]) + site.overcast * 0.22
    return sky * (0.88 + 0.12 * nz)[..., None] + (1 - site.overcast) * np.array([0.62, 0.58, 0.50]) * (facing**0.8)[..., None]


def _lay(site: Site, patch: Patch, hit, depth, light) -> None:
    near = np.where(hit, 1 / np.maximum(depth, 1e-6), 0).astype(np.float32)
    box = patch.box
    mask = hit & (near >= site.canvas.near[box] * (1 - SAME))
    site.canvas.near[box][mask] = near[mask]
    site.canvas.owner[box][mask] = BUILDING
    site.canvas.colour[box][mask] = light[mask]
