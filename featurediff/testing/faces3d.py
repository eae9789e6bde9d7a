"""Renders a head that belongs to nobody as a photo-like portrait, with the exact lines of its features."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.geometry import resample
from featurediff.testing import facepaint, strands
from featurediff.testing.heads import EYEBALL_RADIUS, Head, build_head, hair_field
from featurediff.testing.outlines import outlines
from featurediff.testing.paper import noise
from featurediff.testing.raster import Seen, interpolate, rasterise, vertex_normals
from featurediff.testing.scenes import Scene

CAMERA_CM = 95.0
PIVOT = np.array([0.0, 0.5, -4.0])
EMPTY_DEPTH = -14.0


class View:
    """The camera: head cm -> picture px, turned by yaw, pitch and roll (degrees)."""

    def __init__(self, size: tuple[int, int], yaw: float, pitch: float, roll: float):
        w, h = size
        self.size = size
        self.turn = _rotation(yaw, pitch, roll)
        self.cm = 36.0 * min(w / 1200, h / 1500)
        self.centre = np.array([(w - 1) / 2, h * 0.46])

    def turned(self, points: np.ndarray) -> np.ndarray:
        """(n, 3) head cm -> camera-aligned cm."""
        return (np.asarray(points, float) - PIVOT) @ self.turn.T + PIVOT

    def px(self, turned: np.ndarray) -> np.ndarray:
        """(n, 3) camera-aligned cm -> (n, 2) px."""
        away = (CAMERA_CM - turned[:, 2])[:, None]
        flat = turned[:, :2] - [0.0, 2.0]
        return self.centre + self.cm * CAMERA_CM * flat * [1.0, -1.0] / away

    def project(self, points: np.ndarray) -> np.ndarray:
        """(n, 3) head cm -> (n, 2) px."""
        return self.px(self.turned(points))


def _rotation(yaw: float, pitch: float, roll: float) -> np.ndarray:
    a, b, c = np.radians([yaw, pitch, -roll])
    ry = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    rx = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
    rz = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
    return rz @ rx @ ry


@dataclass(frozen=True)
class _Stage:
    """All that painting needs of one rendered view; arrays per pixel."""

    part: np.ndarray
    names: list[str]
    normal: np.ndarray
    place: np.ndarray
    position: np.ndarray
    depth: np.ndarray

    def of(self, name: str) -> np.ndarray:
        """(h, w) bool: where that part is seen."""
        return self.part == self.names.index(name) if name in self.names else np.zeros(self.part.shape, bool)


def render_face(seed, *, yaw, pitch, roll, glasses, beard, mouth_open, size) -> Scene:
    """See `featurediff.testing.scenes.rendered_face`."""
    head = build_head(seed, mouth_open)
    view = View(size, yaw, pitch, roll)
    rng = np.random.default_rng([11, seed])
    stage = _stage(head, view, (yaw, pitch, roll))
    curves = _feature_curves(head, view, rng, mouth_open)
    curves |= _outline_curves(stage, head, view)
    look = _Look(rng)
    picture = _skin_and_clothes(stage, head, view, look, curves, rng)
    _paint_features(picture, curves, view, look, head, mouth_open, rng)
    fills = _paint_brows(picture, curves, view, look, rng)
    if beard:
        picture, fills["beard"] = _beard(picture, stage, look, view, curves, rng)
    picture, fills["hair"] = _paint_hair(picture, stage, head, view, look, curves, rng)
    if glasses:
        _glasses(picture, head, view, curves)
    hidden = _hidden(stage, head, view, curves)
    curves = {name: curve for name, curve in curves.items() if name not in hidden}
    return _scene(seed, picture, stage, head, view, curves, fills, rng)


def _paint_features(picture, curves, view: View, look: _Look, head: Head, mouth_open: float, rng) -> None:
    cm = view.cm
    nose, mouth = facepaint.pick(curves, "nose", "nostril"), facepaint.pick(curves, "lip")
    facepaint.on_patch(picture, nose, cm, lambda patch, near: facepaint.paint_nose(patch, near, cm))
    facepaint.on_patch(picture, mouth, cm, lambda patch, near: facepaint.paint_mouth(patch, near, cm, look.skin, mouth_open))
    facepaint.paint_eyes(picture, curves, cm, _glints(head, view), rng)


def _paint_brows(picture, curves, view: View, look: _Look, rng) -> dict[str, tuple[np.ndarray, ...]]:
    fills, cm = {}, view.cm
    for side in ("left", "right"):
        top, bottom = curves[f"brow {side} top"], curves[f"brow {side} bottom"]
        hairs = facepaint.brow_hairs(top, bottom, side == "right", cm, rng)
        fills[f"brow {side}"] = tuple(hairs)
        near = {"outline": np.vstack([top, bottom[::-1]])} | {f"{i}": hair for i, hair in enumerate(hairs)}
        facepaint.on_patch(picture, near, 0.8 * cm, lambda patch, at: _paint_brow(patch, at, look, cm, rng))
    return fills


def _paint_brow(patch, at, look: _Look, cm: float, rng) -> np.ndarray:
    outline = at.pop("outline")
    patch = facepaint.over(patch, 0.45 * facepaint.fill(patch.shape[:2], outline, 0.09 * cm), look.brow)
    return facepaint.paint_hairs(patch, list(at.values()), look.brow, 0.8, 2, rng)


class _Look:
    """Colours and light of one person."""

    def __init__(self, rng: np.random.Generator):
        self.skin = facepaint.skin_colour(rng)
        self.hair = np.array(facepaint.HAIR_COLOURS[rng.integers(len(facepaint.HAIR_COLOURS))]) * rng.uniform(0.85, 1.15)
        self.brow = np.minimum(self.hair * 0.55 + 0.01, self.skin * 0.5)
        self.iris = np.array(facepaint.IRIS_COLOURS[rng.integers(len(facepaint.IRIS_COLOURS))])
        self.clothes = rng.uniform(0.12, 0.6) + rng.normal(0, 0.07, 3)
        side = rng.choice([-1.0, 1.0])
        self.key = _unit([side * rng.uniform(0.35, 0.75), rng.uniform(0.35, 0.7), 0.75])
        self.fill = _unit([-side * 0.8, 0.05, 0.55])
        self.background = rng.uniform(0.45, 0.82) + rng.normal(0, 0.02, 3)


def _unit(v) -> np.ndarray:
    v = np.asarray(v, float)
    return v / np.linalg.norm(v)


def _stage(head: Head, view: View, pose: tuple[float, float, float]) -> _Stage:
    names = list(head.parts)
    # The body follows only a part of the head's turn.
    trunk = View(view.size, 0.25 * pose[0], 0.1 * pose[1], 0.15 * pose[2])
    clouds = [(trunk if n == "body" else view).turned(head.parts[n].points) for n in names]
    counts = np.cumsum([0] + [len(c) for c in clouds])
    triangles = np.vstack([head.parts[n].triangles + counts[i] for i, n in enumerate(names)])
    owner = np.concatenate([np.full(len(head.parts[n].triangles), i) for i, n in enumerate(names)])
    cloud, place = np.vstack(clouds), np.vstack([head.parts[n].place for n in names])
    normal = np.vstack([_outward(c, head.parts[n].triangles) for c, n in zip(clouds, names, strict=True)])
    seen = _see(view.px(cloud), cloud, place, triangles, owner == names.index("hair"), head, view.size[::-1])
    part = np.where(seen.triangle >= 0, owner[seen.triangle], -1)
    n, at, position = np.split(interpolate(seen, triangles, np.hstack([normal, place, cloud])), [3, 6], axis=2)
    n = n / np.maximum(np.linalg.norm(n, axis=2, keepdims=True), 1e-9)
    # Surfaces seen from behind (inner side of hanging hair) are lit as if they faced us.
    n = np.where(n[..., 2:] < 0, n * [1, 1, -1], n)
    return _Stage(part, names, n, at, position, np.where(part >= 0, seen.depth, EMPTY_DEPTH).astype(np.float32))


def _see(px, cloud, place, triangles, is_hair, head, shape) -> Seen:
    """What is seen, with the hair shell cut exactly along the hairline."""
    bare_number, hair_number = np.flatnonzero(~is_hair), np.flatnonzero(is_hair)
    bare = rasterise(px, cloud[:, 2], triangles[~is_hair], shape)
    # Cut before the z-buffer: triangles entirely outside the hair would hide hair behind them.
    shell = rasterise(px, cloud[:, 2], triangles[is_hair], shape)
    inside = hair_field(interpolate(shell, triangles[is_hair], place), head.traits) > 0
    front = inside & (shell.triangle >= 0) & (shell.depth > bare.depth)
    triangle = np.where(front, hair_number[shell.triangle], np.where(bare.triangle >= 0, bare_number[bare.triangle], -1))
    weights = np.where(front[..., None], shell.weights, bare.weights)
    return Seen(triangle, weights, np.where(front, shell.depth, bare.depth))


def _outward(points: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    normal = vertex_normals(points, triangles)
    # Windings differ between parts; make each part's normals point away from its middle.
    away = points - points.mean(0)
    return normal if (normal * away).sum() > 0 else -normal


def _feature_curves(head: Head, view: View, rng, mouth_open: float) -> dict[str, np.ndarray]:
    """Projected feature lines (n, 2) px. Brow edges are rounded off at the inner end, as brows are."""
    curves = {name: view.project(line) for name, line in head.lines.items()}
    if mouth_open <= 0.02:
        curves["lip line"] = 0.5 * (curves["inner upper lip"] + curves["inner lower lip"])
    for side in ("left", "right"):
        curves |= _iris_curves(head, view, side, curves)
    return curves


def _iris_curves(head: Head, view: View, side: str, curves: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """The seen arcs of the iris and the pupil's outline."""
    opening = np.vstack([curves[f"upper lid {side}"], curves[f"lower lid {side}"][::-1]]).astype(np.float32)
    rim, pupil = (view.project(_ball_circle(head, side, r)) for r in (facepaint.IRIS_CM, facepaint.PUPIL_CM))
    seen = np.array([cv2.pointPolygonTest(opening, (float(p[0]), float(p[1])), False) > 0 for p in rim])
    out = {f"pupil {side}": pupil}
    if seen.all():
        return out | {f"iris {side}": rim}
    if not seen.any():
        return {}
    start = int(np.flatnonzero(~seen)[0])
    rim, seen = np.roll(rim[:-1], -start, 0), np.roll(seen[:-1], -start)
    cuts = np.flatnonzero(np.diff(seen.astype(int))) + 1
    runs = [r for r, on in zip(np.split(rim, cuts), np.split(seen, cuts), strict=True) if on.all() and len(r) > 5]
    runs.sort(key=lambda r: r[:, 0].mean())
    labels = [f"iris {side}"] if len(runs) == 1 else [f"iris {side}, left edge", f"iris {side}, right edge"]
    return out | dict(zip(labels, runs, strict=False))


def _ball_circle(head: Head, side: str, radius: float) -> np.ndarray:
    turn = np.linspace(0, 2 * np.pi, 97)
    x, y = head.gaze[0] + radius * np.cos(turn), head.gaze[1] + radius * np.sin(turn)
    return head.irises[side] + np.column_stack([x, y, np.sqrt(np.maximum(EYEBALL_RADIUS**2 - x**2 - y**2, 0))])


def _glints(head: Head, view: View) -> dict[str, np.ndarray]:
    out = {}
    for side in ("left", "right"):
        x, y = head.gaze[0] - 0.17, head.gaze[1] + 0.2
        out[side] = view.project((head.irises[side] + [x, y, np.sqrt(EYEBALL_RADIUS**2 - x**2 - y**2)])[None])[0]
    return out


def _skin_and_clothes(stage: _Stage, head: Head, view: View, look: _Look, curves, rng) -> np.ndarray:
    """(h, w, 3) float display RGB: everything but painted features, with light and shade."""
    h, w = stage.part.shape
    albedo = np.zeros((h, w, 3))
    skin = stage.of("skin") | stage.of("ear left") | stage.of("ear right")
    albedo[skin] = facepaint.skin_albedo(stage.place[skin], look.skin, rng)
    body = stage.of("body")
    clothes = body & is_clothes(stage.place)
    albedo[body] = look.skin * 0.96
    folds = 1 + 0.10 * noise((h, w), 0.9 * view.cm, rng) * np.clip(-(stage.place[..., 1] + 16) / 6, 0, 1)
    albedo[clothes] = (look.clothes * folds[..., None])[clothes]
    for ear in ("left", "right"):
        albedo[stage.of(f"ear {ear}")] = look.skin * [1.0, 0.90, 0.88]
    albedo[stage.of("hair")] = look.hair
    for side in ("left", "right"):
        where = stage.of(f"eyeball {side}")
        albedo[where] = facepaint.eyeball(stage.place[where], look.iris, head.gaze)
    key = np.clip(0.15 + 0.85 * (stage.normal @ look.key), 0, None)
    shade = 0.30 + 0.78 * key + 0.24 * np.clip(stage.normal @ look.fill, 0, None) + 0.05 * stage.normal[..., 1]
    shade *= _occlusion(stage, view)
    half = _unit(np.add(look.key, [0, 0, 1]))
    gloss = 0.10 * np.clip(stage.normal @ half, 0, 1) ** 22 * (skin & ~stage.of("hair"))
    if "chin" in curves:
        shade *= _neck_shadow(stage, curves, view, look)
    lit = albedo * shade[..., None] * facepaint.texture((h, w), view.cm, rng)[..., None] + gloss[..., None]
    back = look.background * (0.88 + 0.14 * np.linspace(1, 0, h)[:, None, None])
    back = back + 0.02 * noise((h, w), 5 * view.cm, rng)[..., None]
    lit = lit / (1 + 0.18 * np.clip(lit - 0.55, 0, None) / 0.45)
    cover = cv2.GaussianBlur((stage.part >= 0).astype(np.float32), (0, 0), 0.7)[..., None]
    lit[stage.part < 0] = back[stage.part < 0]
    return back + cover * (_spread(lit, stage.part >= 0) - back)


def _spread(picture: np.ndarray, solid: np.ndarray) -> np.ndarray:
    """Carry the subject's colours a little past its outline, so that a soft outline does not mix the background twice."""
    weight = cv2.GaussianBlur(solid.astype(np.float32), (0, 0), 2.0)[..., None]
    spread = cv2.GaussianBlur(picture * solid[..., None], (0, 0), 2.0) / np.maximum(weight, 1e-3)
    return np.where(solid[..., None], picture, spread)


def _occlusion(stage: _Stage, view: View) -> np.ndarray:
    """(h, w) factor: hollows that look less at the sky are darker. The empty background does not count."""
    depth = stage.depth
    solid = (stage.part >= 0).astype(np.float32)
    out = np.ones_like(depth)
    # Coarse hollows need no fine grid.
    for radius, strength, shrink in ((0.25, 0.16, 1), (0.7, 0.075, 4), (1.7, 0.030, 8)):
        size = (depth.shape[1] // shrink, depth.shape[0] // shrink)
        small, deep = (cv2.resize(a, size, interpolation=cv2.INTER_AREA) for a in (solid, depth * solid))
        sigma = radius * view.cm / shrink
        around = cv2.GaussianBlur(deep, (0, 0), sigma) / np.maximum(cv2.GaussianBlur(small, (0, 0), sigma), 1e-3)
        around = cv2.resize(around, depth.shape[::-1], interpolation=cv2.INTER_LINEAR)
        out *= np.exp(-strength * np.clip(around - depth, 0, 5)) * (1 + 0.25 * strength * np.clip(depth - around, 0, 2))
    return out


def _neck_shadow(stage: _Stage, curves, view: View, look: _Look) -> np.ndarray:
    """The head's soft shadow on the neck."""
    h, w = stage.part.shape
    jaw = np.vstack([curves[n] for n in ("jaw left", "chin", "jaw right") if n in curves])
    order = np.argsort(jaw[:, 0])
    edge = np.interp(np.arange(w), jaw[order, 0], jaw[order, 1])
    below = (np.arange(h)[:, None] - edge[None]) / view.cm
    shadow = 0.52 * np.exp(-0.5 * (np.clip(below - 0.8, 0, None) / 1.6) ** 2)
    shadow = cv2.GaussianBlur(shadow.astype(np.float32), (0, 0), 0.35 * view.cm)
    return np.where(stage.of("body"), 1 - shadow, 1.0)


def _paint_hair(picture, stage: _Stage, head: Head, view: View, look: _Look, curves, rng):
    """Strands over the hair, wisps over the hairline; also some strands for hands to draw."""
    hair = stage.of("hair")
    root = view.turned(np.array([[head.traits["parting"] * 0.7, 12.5, 1.5]]))[0]
    hang = np.clip((7.0 - stage.position[..., 1]) / 6.0, 0, 1)
    field = strands.flow(stage.normal, stage.position, root, hang)
    bend = 0.28 * noise(hair.shape, 1.4 * view.cm, rng) + 0.12 * noise(hair.shape, 0.5 * view.cm, rng)
    cos, sin = np.cos(bend), np.sin(bend)
    field = np.dstack([field[..., 0] * cos - field[..., 1] * sin, field[..., 0] * sin + field[..., 1] * cos])
    lines = strands.streamlines(field, hair, 5200, 34, 0.11 * view.cm, rng)
    broad = strands.strand_gain(lines[:1400], hair.shape, 7, rng)
    fine = strands.strand_gain(lines, hair.shape, 2, rng)
    along = np.abs(field[..., 0] * look.key[0] - field[..., 1] * look.key[1])
    sheen = np.clip(1 - along, 0, 1) ** 3 * np.clip(stage.normal @ _unit(np.add(look.key, [0, 0, 1])), 0, 1) ** 8
    gain = np.exp(0.18 * broad + 0.20 * fine)[..., None]
    shine = (0.16 * sheen * (1 + 0.5 * fine))[..., None] * (0.5 + look.hair)
    soft = cv2.GaussianBlur(hair.astype(np.float32), (0, 0), 0.8)[..., None]
    picture = facepaint.over(picture, soft, picture * gain + shine)
    for name in ("hairline", "hair edge left", "hair edge right"):
        if name in curves:
            picture = facepaint.paint_hairs(picture, _wisps(curves[name], field, view.cm, rng), look.hair * 0.8, 0.55, 1, rng)
    chosen = sorted(lines, key=len, reverse=True)[:900]
    return picture, tuple(chosen[i] for i in rng.permutation(len(chosen))[:70])


def _wisps(curve: np.ndarray, field: np.ndarray, cm: float, rng) -> list[np.ndarray]:
    """Fine hairs that root just outside the hairline and lie into the hair: the edge stays where it is, but soft."""
    out = []
    h, w = field.shape[:2]
    for p in resample(curve, 0.05 * cm):
        x, y = int(np.clip(p[0], 0, w - 1)), int(np.clip(p[1] - 0.3 * cm, 0, h - 1))
        way = field[y, x]
        way = way if way[1] < 0 else -way
        start = p - way * rng.uniform(-0.1, 0.14) * cm + rng.normal(0, 0.04 * cm, 2)
        turn = rng.normal(0, 0.2)
        way = np.array([way[0] * np.cos(turn) - way[1] * np.sin(turn), way[0] * np.sin(turn) + way[1] * np.cos(turn)])
        out.append(np.array([start, start + way * rng.uniform(0.2, 0.6) * cm]))
    return out


def _beard(picture, stage: _Stage, look: _Look, view: View, curves, rng):
    """A short full beard: shadowed skin under many short hairs, free of the lips."""
    x, y = stage.place[..., 0], stage.place[..., 1]
    edge = -3.9 + 0.055 * np.clip(np.abs(x) - 2.5, 0, None) ** 2 + 0.9 * np.exp(-0.5 * (x / 2.2) ** 2)
    dense = np.clip((edge - y) / 0.7, 0, 1) * stage.of("skin")
    lips = np.vstack([curves["upper lip edge"], curves["lower lip edge"][::-1]])
    dense = dense * (1 - facepaint.fill(stage.part.shape, lips, 0.05 * view.cm)[..., 0])
    dense = cv2.GaussianBlur(dense.astype(np.float32), (0, 0), 0.06 * view.cm)
    picture = facepaint.over(picture, 0.55 * dense[..., None], look.hair * 0.7)
    field = np.dstack([0.25 * np.tanh(x / 3), np.ones_like(x)])
    lines = strands.streamlines(field, dense > 0.4, 3600, 5, 0.07 * view.cm, rng)
    picture = facepaint.paint_hairs(picture, lines, look.hair * 0.75, 0.7, 1, rng)
    return picture, tuple(lines[:220])


def _glasses(picture, head: Head, view: View, curves) -> None:
    """Dark round-cornered rims in front of the eyes, a bridge and arms, in place; adds their curves."""
    turn = np.linspace(0, 2 * np.pi, 120)
    c, s = np.cos(turn), np.sin(turn)
    rims, arms = {}, {}
    for side, out in (("left", -1.0), ("right", 1.0)):
        middle = head.irises[side] + np.array([0.12 * out, -0.25, 0])
        x = middle[0] + 2.45 * np.sign(c) * np.abs(c) ** 0.75
        y = middle[1] + 1.75 * np.sign(s) * np.abs(s) ** 0.75
        rims[side] = np.column_stack([x, y, 5.7 - 0.030 * x**2])
        end = rims[side][0 if out > 0 else 60]
        arms[f"arm {side}"] = view.project(end + np.array([[0, 0.9, 0], [0.5 * out, 1.0, -1.5], [1.1 * out, 0.8, -6.5]]))
        curves[f"glasses {side}"] = view.project(rims[side])
    bridge = np.array([rims["left"][6], [0.0, rims["left"][6][1] + 0.35, 6.3], rims["right"][54]])
    curves["glasses bridge"] = view.project(bridge)
    facepaint.on_patch(picture, facepaint.pick(curves, "glasses") | arms, view.cm, lambda p, at: _paint_glasses(p, at, view.cm))


def _paint_glasses(patch, lines, cm: float) -> np.ndarray:
    shape = patch.shape[:2]
    for name, rim in lines.items():
        ends = not name.startswith("glasses")
        shade = facepaint.line(shape, facepaint.down(rim, 0.3 * cm), 0.25 * cm, 0.12 * cm)
        patch = facepaint.over(patch, 0.35 * shade, patch * 0.5)
        patch = facepaint.over(patch, 0.97 * facepaint.line(shape, rim, 0.24 * cm, 0.02 * cm, ends), np.array([0.09, 0.07, 0.07]))
        glint = facepaint.line(shape, rim - 0.04 * cm, 0.05 * cm, 0.03 * cm, ends)
        patch = facepaint.over(patch, 0.5 * glint, 0.4)
    return patch


def is_clothes(at: np.ndarray) -> np.ndarray:
    """Where the body (..., 3) is clothed: below a round neckline."""
    return at[..., 1] < -15.3 + 0.008 * at[..., 0] ** 2 - 0.5 * (at[..., 2] > -4)


def _outline_curves(stage: _Stage, head: Head, view: View) -> dict[str, np.ndarray]:
    body = stage.of("body")
    clothes = body & is_clothes(stage.place)
    masks = {name: stage.of(name) for name in ("hair", "ear left", "ear right")}
    skin = stage.of("skin") | stage.of("eyeball left") | stage.of("eyeball right")
    masks |= {"skin": _filled(skin), "neck": body & ~clothes, "clothes": clothes}
    beside = cv2.dilate(np.where(skin, stage.depth, -np.inf).astype(np.float32), np.ones((9, 9)))
    masks["behind"] = masks["hair"] & (beside > stage.depth + 0.4)
    marks = view.project(head.vertices)
    return outlines(masks, marks[152], float(marks[13, 1]), float(marks[[105, 334], 1].mean()), view.cm)


def _filled(mask: np.ndarray) -> np.ndarray:
    """The skin without the holes of eyes and mouth."""
    whole = np.zeros(mask.shape, np.uint8)
    found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(whole, found, -1, 1, -1)
    return whole.astype(bool)


def _hidden(stage: _Stage, head: Head, view: View, curves) -> set[str]:
    """Feature lines of which less than 70 % is seen, because the head is turned or hair hangs before them."""
    out = {"nose bridge"}
    for name, line in head.lines.items():
        turned = view.turned(line)
        px = np.round(view.px(turned)).astype(int)
        h, w = stage.part.shape
        inside = (px >= 0).all(1) & (px[:, 0] < w) & (px[:, 1] < h)
        depth = np.full(len(px), np.inf)
        depth[inside] = cv2.dilate(stage.depth, np.ones((3, 3)))[px[inside, 1], px[inside, 0]]
        near = cv2.erode(stage.depth, np.ones((5, 5)))[np.clip(px[:, 1], 0, h - 1), np.clip(px[:, 0], 0, w - 1)]
        if (inside & (np.minimum(depth, near) < turned[:, 2] + 0.5)).mean() < 0.7:
            out.add(name)
    if "lip line" in curves:
        out |= {"inner upper lip", "inner lower lip"}
    return out


def _scene(seed, picture, stage, head, view, curves, fills, rng) -> Scene:
    soft = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 0.7)
    grain = rng.normal(0, 1.6, (*soft.shape[:2], 1)) + rng.normal(0, 0.8, soft.shape)
    pixels = np.clip(soft * 255 + grain + 0.5, 0, 255).astype(np.uint8)
    rows, cols = np.nonzero(stage.of("skin") | stage.of("hair"))
    chin = float(curves["chin"][:, 1].max()) if "chin" in curves else float(view.project(head.vertices[[152]])[0, 1])
    height = chin - float(rows.min())
    upper = rows < chin
    centre = (float(cols[upper].min() + cols[upper].max()) / 2, float(rows.min()) + height / 2)
    marks = {"mesh": view.project(head.vertices), "nose bridge": view.project(head.lines["nose bridge"])}
    for side in ("left", "right"):
        marks[f"iris {side}"] = view.project(_ball_circle(head, side, facepaint.IRIS_CM))
    return Scene(f"face {seed}", pixels, curves, height, centre, stage.part >= 0, marks, fills)
