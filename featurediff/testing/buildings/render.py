"""From a stage to a scene: light, painting, development, and the edges cut to what is seen."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.geometry import resample
from featurediff.testing.buildings import clutter as things
from featurediff.testing.buildings.canvas import BUILDING, FINE, Canvas
from featurediff.testing.buildings.kinds import KINDS, Stage
from featurediff.testing.buildings.record import BuildingScene, Camera
from featurediff.testing.buildings.site import Site, ground

SAMPLE_PX = 2.0
# A gap as narrow as this, of a lamp post or a wire, does not end a line for the one who draws it.
BRIDGE_PX = 26.0
SHORTEST_PX = 14.0


def render_building(seed: int, kind: str, *, size: tuple[int, int], clutter: bool | None = None) -> BuildingScene:
    """See `featurediff.testing.scenes.rendered_building`."""
    if kind not in KINDS:
        raise ValueError(f"unknown kind of building '{kind}'; known: {', '.join(KINDS)}")
    rng = np.random.default_rng([23, list(KINDS).index(kind), seed])
    stage = KINDS[kind](rng, size)
    site = Site(Canvas(stage.camera), rng, _sun(stage.camera, rng), float(rng.choice([0.0, 0.0, 0.15, 0.8])))
    things.sky(site)
    things.far_trees(site)
    ground(site, -120.0, 140.0, -40.0, 400.0, np.array([0.55, 0.54, 0.53]))
    stage.paint(site)
    if rng.random() < 0.6 if clutter is None else clutter:
        _clutter(site, stage)
    pixels = _develop(site.canvas.picture(), rng)
    return _scene(seed, kind, stage, site, pixels)


def _sun(camera: Camera, rng: np.random.Generator) -> np.ndarray:
    """From behind the viewer's shoulder, 30 to 52 degrees high: (3,) towards the sun."""
    ahead = camera.rotation[2, :2]
    view = np.arctan2(ahead[1], ahead[0])
    turn = view + np.pi + rng.choice([-1, 1]) * np.radians(rng.uniform(20, 62))
    high = np.radians(rng.uniform(30, 52))
    return np.array([np.cos(high) * np.cos(turn), np.cos(high) * np.sin(turn), np.sin(high)])


def _clutter(site: Site, stage: Stage) -> None:
    rng = site.rng
    spots = stage.stands
    position, ahead = stage.camera.position, stage.camera.rotation[2]
    reach = float(stage.camera.ahead(stage.points)[:, 2].min())
    for k in range(int(rng.integers(1, 3))):
        low, high = spots[rng.integers(len(spots))]
        things.tree(
            site,
            rng.uniform(low, high),
            rng.uniform(-3.0, 6.0) if reach > 12 else rng.uniform(10, 26),
            rng.uniform(4.5, 7.5),
            f"tree {k + 1}",
        )
    for k in range(int(rng.integers(1, 4))):
        away = position + ahead * reach * rng.uniform(0.75, 0.97)
        aside = stage.camera.rotation[0] * rng.uniform(-0.35, 0.35) * reach
        things.person(site, *(away + aside)[:2], f"person {k + 1}")
    if rng.random() < 0.5 and abs(ahead[0]) < 0.4:
        away = position + ahead * reach * 0.9
        things.car(site, away[0] + rng.uniform(-5, 3), away[1], "car")
    if rng.random() < 0.6:
        away = position + ahead * reach * rng.uniform(0.8, 0.95) + stage.camera.rotation[0] * rng.uniform(-0.4, 0.4) * reach
        things.lamp_post(site, away[0], away[1], "lamp post")
    if rng.random() < 0.4:
        things.wires(site)


def _develop(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A lens's slight blur, vignette and the sensor's grain; 8 bits."""
    h, w = picture.shape[:2]
    picture = cv2.GaussianBlur(picture, (0, 0), 0.6)
    ys, xs = np.mgrid[:h, :w].astype(np.float32)
    far = ((xs / w - 0.5) ** 2 + (ys / h - 0.5) ** 2)[..., None]
    picture = np.clip(picture * (1.02 - 0.22 * far), 0, 1.1)
    picture = picture / (1 + 0.12 * np.maximum(picture - 0.75, 0) / 0.35)
    grain = rng.standard_normal((h, w), np.float32)[..., None] * 0.009 + rng.standard_normal((h, w, 3), np.float32) * 0.005
    return np.clip((picture + grain) * 255 + 0.5, 0, 255).astype(np.uint8)


def _scene(seed: int, kind: str, stage: Stage, site: Site, pixels: np.ndarray) -> BuildingScene:
    w, h = stage.camera.size
    curves, kinds = {}, {}
    for name, (points, sort) in site.edges.items():
        if name.startswith("-"):
            continue
        for number, line in enumerate(seen_runs(site.canvas, points, closed=sort in ("window", "door"))):
            called = name if number == 0 else f"{name}, part {number + 1}"
            curves[called], kinds[called] = line, sort or _sort(stage.camera, points, line)
    for name, line in site.clutter.items():
        line = resample(line, 6.0)
        inside = (line >= 0).all(1) & (line[:, 0] < w) & (line[:, 1] < h)
        if inside.mean() > 0.5:
            curves[name], kinds[name] = line[inside], "clutter"
    mask = site.canvas.owner[::FINE, ::FINE] == BUILDING
    flat = stage.camera.project(stage.points)
    low, high = np.maximum(flat.min(0), 0), np.minimum(flat.max(0), [w - 1, h - 1])
    rhythms = {name: rhythm for name, rhythm in site.rhythms.items() if not name.startswith("-") and rhythm.rows}
    return BuildingScene(
        f"{kind} {seed}", pixels, curves, float(high[1] - low[1]), tuple(float(v) for v in (low + high) / 2), mask,
        kinds=kinds, camera=stage.camera, rhythms=rhythms, kind=kind,
        firmness={name: FIRMNESS.get(sort, 1.0) for name, sort in kinds.items()}, straight=True, started=("window", "corner"),
    )  # fmt: skip


FIRMNESS = {"clutter": 0.3, "window": 0.8, "door": 0.9}


def _sort(camera: Camera, points: np.ndarray, line: np.ndarray) -> str:
    """A straight edge's kind by its direction in space and where that vanishes in the picture."""
    way = points[-1] - points[0]
    way = way / np.linalg.norm(way)
    if abs(way[2]) > 0.99:
        return "vertical"
    if abs(way[2]) > 0.02:
        return "slope"
    vanishing = camera.vanishing(way)
    middle = line.mean(0)
    if vanishing[2] == 0 or np.hypot(*(vanishing[:2] - middle)) > 8 * camera.size[0]:
        return "level"
    return "receding left" if vanishing[0] < middle[0] else "receding right"


def seen_runs(canvas: Canvas, points: np.ndarray, closed: bool = False) -> list[np.ndarray]:
    """The visible runs (n, 2) px of an edge (n, 3) m, longest first. A closed outline is one run or, when less than 85 % is seen
    or it leaves the picture, none; its first point is repeated at its end."""
    camera = canvas.camera
    corners = np.vstack([points, points[:1]]) if closed else points
    corners = _before_the_camera(camera, corners)
    if len(corners) < 2:
        return []
    flat, near = camera.project(corners), 1 / camera.ahead(corners)[:, 2]
    at, samples, near = _sampled(flat, near)
    seen = _visible(canvas, samples, near)
    if closed:
        return [flat] if seen.mean() > 0.85 else []
    seen = _bridged(seen, at)
    cuts = np.flatnonzero(np.diff(seen.astype(int))) + 1
    runs = [run for run in np.split(np.arange(len(seen)), cuts) if seen[run[0]] and at[run[-1]] - at[run[0]] >= SHORTEST_PX]
    runs = sorted(runs, key=lambda run: at[run[0]] - at[run[-1]])
    return [samples[run] if len(corners) > 2 else samples[run[[0, -1]]] for run in runs[:3]]


def _before_the_camera(camera: Camera, points: np.ndarray) -> np.ndarray:
    deep = camera.ahead(points)[:, 2]
    if (deep > 0.5).all():
        return points
    if len(points) != 2 or (deep <= 0.5).all():
        return points[:0]
    a, b = points[np.argmax(deep)], points[np.argmin(deep)]
    cut = a + (b - a) * (deep.max() - 0.5) / (deep.max() - deep.min())
    return np.array([a, cut]) if deep[0] > deep[1] else np.array([cut, a])


def _sampled(flat: np.ndarray, near: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Arc length, points and 1/depth every `SAMPLE_PX` along a projected polyline; 1/depth is linear along it."""
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(flat, axis=0).T))])
    at = np.linspace(0, arc[-1], max(int(arc[-1] / SAMPLE_PX), 1) + 1)
    at = np.unique(np.concatenate([at, arc])) if len(flat) > 2 else at
    return at, np.column_stack([np.interp(at, arc, flat[:, i]) for i in (0, 1)]), np.interp(at, arc, near)


def _visible(canvas: Canvas, points: np.ndarray, near: np.ndarray) -> np.ndarray:
    """Is something of the edge's own depth seen at, or beside, each point?"""
    h, w = canvas.near.shape
    fine = np.round((points + 0.5) * FINE - 0.5)
    inside = (fine >= 0).all(1) & (fine[:, 0] < w) & (fine[:, 1] < h)
    seen = np.zeros(len(points), bool)
    for dx, dy in ((0, 0), (2, 0), (-2, 0), (0, 2), (0, -2)):
        x, y = np.clip(fine[:, 0] + dx, 0, w - 1).astype(int), np.clip(fine[:, 1] + dy, 0, h - 1).astype(int)
        seen |= (canvas.near[y, x] > 0.985 * near) & (canvas.near[y, x] < 1.006 * near)
    return seen & inside


def _bridged(seen: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Hidden runs shorter than `BRIDGE_PX` between two seen ones count as seen."""
    out = seen.copy()
    cuts = np.flatnonzero(np.diff(seen.astype(int))) + 1
    for run in np.split(np.arange(len(seen)), cuts):
        inner = run[0] > 0 and run[-1] < len(seen) - 1
        if not seen[run[0]] and inner and at[run[-1]] - at[run[0]] < BRIDGE_PX:
            out[run] = True
    return out
