"""A rendered table as a `Scene` to draw from: the picture, each thing's exact lines, and what is true of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import cv2
import numpy as np

from featurediff.testing.scenes import Scene
from featurediff.testing.table.arrange import Setting, Thing, arrange
from featurediff.testing.table.cover import box_faces
from featurediff.testing.table.ellipses import Ellipse, circle, seen_circle
from featurediff.testing.table.render import render
from featurediff.testing.table.sight import seen, stretches, within
from featurediff.testing.table.solids import Box, Run, Solid, Tube, Turned, contour
from featurediff.testing.table.view import View


@dataclass(frozen=True)
class TableObject:
    """What is true of one thing on the table, in px; sides are the picture's.

    ``name``: "jug", "pear on the left"; ``kind``: its sort. ``box``: x, y, width, height around what is seen of it. ``mask``
    (h, w) bool: where it is seen; ``whole`` (h, w) bool: where it would be seen with nothing before it. ``contour`` (n, 2): the
    outline of ``whole``, closed, traced from its pixels (to half a pixel; the scene's curves are exact). ``axis`` (2, 2) or
    None: foot and top of its axis of symmetry. ``ellipses``: "rim", "inner rim", "foot", whole, hidden parts too. ``marks``:
    "shoulder", "neck", "widest point" -> (2, 2), the contour on that level on the left and on the right. ``base``: its lowest
    point of contact with the table. ``lines``: names of its curves in the scene.
    """

    name: str
    kind: str
    box: tuple[int, int, int, int]
    mask: np.ndarray
    whole: np.ndarray
    contour: np.ndarray
    axis: np.ndarray | None
    ellipses: Mapping[str, Ellipse]
    marks: Mapping[str, np.ndarray]
    base: tuple[float, float]
    lines: tuple[str, ...]


@dataclass(frozen=True)
class TableScene(Scene):
    """A still life. ``objects`` from left to right; ``view``: the true camera; ``light`` (3,): unit vector towards the light.

    ``size_px`` is the height of the whole group and ``centre_px`` its middle. ``landmarks`` hold the objects' axes and marks:
    "jug: axis", "jug: shoulder".
    """

    objects: tuple[TableObject, ...] = ()
    view: View | None = None
    light: np.ndarray = field(default_factory=lambda: np.zeros(3))

    def object(self, name: str) -> TableObject:
        """The object of that name. Raises KeyError."""
        for thing in self.objects:
            if thing.name == name:
                return thing
        raise KeyError(name)


# Lines within a thing and behind it are drawn more lightly than its outline.
_FIRMNESS = {"inner rim": 0.65, "dimple": 0.5, "table edge": 0.75, "stem end": 0.6}


def render_table(seed: int, size: tuple[int, int]) -> TableScene:
    """The still life of that seed; see `featurediff.testing.scenes.rendered_table`."""
    setting = arrange(seed, size)
    picture = render(setting, seed)
    curves: dict[str, np.ndarray] = {}
    objects = []
    for index, thing in enumerate(setting.things):
        lines = thing_lines(thing, setting)
        curves.update(lines)
        objects.append(_record(thing, setting, picture.owner == index, picture.whole[index], tuple(lines)))
    curves.update(_cut("table edge", _edge(setting), setting))
    corners = np.vstack([thing.contour for thing in objects])
    low, high = corners.min(0), corners.max(0)
    landmarks = {f"{o.name}: axis": o.axis for o in objects if o.axis is not None}
    landmarks |= {f"{o.name}: {mark}": at for o in objects for mark, at in o.marks.items()}
    return TableScene(
        name=f"table {seed}",
        pixels=picture.pixels,
        curves=curves,
        size_px=float(high[1] - low[1]),
        centre_px=(float((low[0] + high[0]) / 2), float((low[1] + high[1]) / 2)),
        mask=_around(picture.owner >= 0, float(high[1] - low[1]) / 12),
        landmarks=landmarks,
        firmness={name: share for name in curves for word, share in _FIRMNESS.items() if name.split(",")[0].endswith(word)},
        started=("jug",),
        objects=tuple(objects),
        view=setting.view,
        light=setting.light,
    )


def _around(mask: np.ndarray, reach: float) -> np.ndarray:
    return cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5) < reach


# ------------------------------------------------------------------ lines


def thing_lines(thing: Thing, setting: Setting) -> dict[str, np.ndarray]:
    """Name -> (n, 2) px: every line of a thing that is seen."""
    out: dict[str, np.ndarray] = {}
    for part, solid in thing.solids.items():
        outer = None if solid is thing.form.body else thing.form.body
        for name, (points, closed) in part_lines(part, solid, thing.form.body, setting.view).items():
            out |= _cut(f"{thing.name}: {name}", points, setting, closed, outer)
        if isinstance(solid, Tube) and part in ("spout", "stem"):
            points, closed = _tube_end(solid, setting.view)
            out |= _cut(f"{thing.name}: {part} {'mouth' if part == 'spout' else 'end'}", points, setting, closed, outer, solid)
    return out


def _cut(
    name: str,
    points: np.ndarray,
    setting: Setting,
    closed: bool = False,
    body: Solid | None = None,
    own: Solid | None = None,
) -> dict[str, np.ndarray]:
    """The seen stretches of a line in space; the longest bears the name, further ones "part 2", "part 3".

    ``body``: for a part's line, the body whose wall it may reach through. ``own``: a solid that cannot hide it.
    """
    solids = [s for t in setting.things for s in t.solids.values() if s is not own]
    px = setting.view.project(points)
    free = within(px, setting.view.size)
    free[free] = seen(points[free], setting.view, solids)
    if isinstance(body, Turned) and body.lip:
        free &= ~body.within_wall(points)
    lines = stretches(px, free, closed)
    return {name if i == 0 else f"{name}, part {i + 1}": line for i, line in enumerate(lines)}


def part_lines(part: str, solid: Solid, body: Solid, view: View) -> dict[str, tuple[np.ndarray, bool]]:
    """Name -> ((n, 3) mm, closed): the lines of a body or one of its parts, hidden stretches included."""
    if isinstance(solid, Box):
        return _box_lines(solid, view)
    if isinstance(solid, Tube):
        return _tube_lines(part, solid, body, view)
    return _vessel_lines(solid, view) if solid.lip else _fruit_lines(solid, view)


def _vessel_lines(solid: Turned, view: View) -> dict[str, tuple[np.ndarray, bool]]:
    out = {}
    for i, run in enumerate(_longest_first(contour(solid.outside, view))):
        more = "" if i == 0 else f" {i + 1}"
        out[f"left side{more}"], out[f"right side{more}"] = (run.left, False), (run.right, False)
    o, inner = solid.outside, solid.hollow
    for name, levels, k in (("rim", o, -1), ("inner rim", inner, 0), ("foot", o, 0)):
        out[name] = (circle(_middle(levels, k), float(levels.r[k]), 720), True)
    return out


def _longest_first(runs: list[Run]) -> list[Run]:
    return sorted(runs, key=lambda run: -float(np.ptp(run.left[:, 2])))


def _fruit_lines(solid: Turned, view: View) -> dict[str, tuple[np.ndarray, bool]]:
    out = {}
    for i, run in enumerate(_longest_first(contour(solid.outside, view))):
        name = "outline" if i == 0 else f"outline {i + 1}"
        loop = np.vstack([run.left, run.right[::-1][1:]]) if run.closed_high else None
        if loop is not None and run.closed_low:
            out[name] = (loop[:-1], True)
        elif loop is not None:
            out[name] = (loop, False)
        else:
            out[f"{name} on the left"], out[f"{name} on the right"] = (run.left, False), (run.right, False)
    if solid.hollow is not None:
        for run in contour(solid.hollow, view):
            line = np.vstack([run.left[::-1], run.right[1:]]) if run.closed_low else np.vstack([run.left, run.right[::-1]])
            out["dimple"] = (line, False)
    return out


def _tube_lines(part: str, solid: Tube, body: Solid, view: View) -> dict[str, tuple[np.ndarray, bool]]:
    one, two = solid.contour(view)
    if part == "stem":
        left, right = sorted((one, two), key=lambda line: view.project(line)[:, 0].mean())
        return {"stem on the left": (left, False), "stem on the right": (right, False)}
    axis = view.project(_middle(body.outside, len(body.outside.r) // 2))[0]
    if part == "spout":
        low, high = sorted((one, two), key=lambda line: -view.project(line)[:, 1].mean())
        return {"spout from below": (low, False), "spout from above": (high, False)}
    inner, outer = sorted((one, two), key=lambda line: np.abs(view.project(line)[:, 0] - axis).mean())
    return {"handle outside": (outer, False), "handle inside": (inner, False)}


def _tube_end(solid: Tube, view: View) -> tuple[np.ndarray, bool]:
    """The ring at a tube's far end, or the half of it that is seen when the end faces away."""
    ring, away, along = solid.end_ring()
    to = view.centre - ring
    if along @ to.mean(0) > 0:
        return ring, True
    facing = (away * to).sum(1) > 0
    first = int(np.flatnonzero(facing & ~np.roll(facing, 1))[0])
    return np.roll(ring, -first, 0)[: int(facing.sum())], False


def _box_lines(solid: Box, view: View) -> dict[str, tuple[np.ndarray, bool]]:
    """The edges of the faces that are seen; names by their place in the picture."""
    foot, head = solid.corners()
    sides = [int(name[-1]) for name in box_faces(solid, view) if name != "top"]
    out = {}
    lows = sorted(sides, key=lambda i: view.project((foot[i] + foot[(i + 1) % 4]) / 2)[0])
    words = ["left", "right"] if len(lows) == 2 else ["front"]
    for word, i in zip(words, lows, strict=True):
        out[f"bottom edge, {word}"] = _line(foot[i], foot[(i + 1) % 4])
        out[f"front top edge, {word}"] = _line(head[i], head[(i + 1) % 4])
    backs = sorted((i for i in range(4) if i not in sides), key=lambda i: view.project((head[i] + head[(i + 1) % 4]) / 2)[0])
    for n, i in enumerate(backs):
        out[f"back top edge, {('left', 'right')[n] if len(backs) == 2 else n + 1}"] = _line(head[i], head[(i + 1) % 4])
    posts = sorted({c for i in sides for c in (i, (i + 1) % 4)}, key=lambda c: view.project(foot[c])[0])
    places = ["left", "middle", "right"] if len(posts) == 3 else ["left", "right"]
    for place, c in zip(places, posts, strict=True):
        out[f"upright, {place}"] = _line(foot[c], head[c])
    return out


def _line(a: np.ndarray, b: np.ndarray, count: int = 200) -> tuple[np.ndarray, bool]:
    return a + np.linspace(0, 1, count)[:, None] * (b - a), False


def _edge(setting: Setting) -> np.ndarray:
    x = np.linspace(-900.0, 900.0, 3000)
    return np.column_stack([x, setting.edge[0] + setting.edge[1] * x, np.zeros_like(x)])


def _middle(levels, k: int) -> np.ndarray:
    return np.array([levels.x[k], levels.y[k], levels.z[k]])


# ------------------------------------------------------------------ records


def _record(thing: Thing, setting: Setting, mask: np.ndarray, whole: np.ndarray, lines: tuple[str, ...]) -> TableObject:
    body, view = thing.form.body, setting.view
    x, y, w, h = cv2.boundingRect(mask.astype(np.uint8))
    ellipses: dict[str, Ellipse] = {}
    marks: dict[str, np.ndarray] = {}
    axis = None
    if isinstance(body, Turned):
        o = body.outside
        axis = view.project(np.array([_middle(o, 0), _middle(o, -1)]))
        marks = {name: at for name, z in body.marks.items() if (at := _on_contour(body, z, view)) is not None}
    if isinstance(body, Turned) and body.lip:
        o, inner = body.outside, body.hollow
        for name, levels, k in (("rim", o, -1), ("inner rim", inner, 0), ("foot", o, 0)):
            ellipses[name] = seen_circle(view, _middle(levels, k), float(levels.r[k]))
    return TableObject(
        thing.name, thing.form.kind, (x, y, w, h), mask, whole, _trace(whole), axis, ellipses, marks, _base(body, view), lines
    )


def _on_contour(body: Turned, z: float, view: View) -> np.ndarray | None:
    """(2, 2): the outline's points on the level at height z, left and right; None where the contour leaves that level out."""
    for run in contour(body.outside, view):
        heights = run.left[:, 2]
        if heights.min() <= z <= heights.max():
            i = int(np.abs(heights - z).argmin())
            return view.project(np.array([run.left[i], run.right[i]]))
    return None


def _base(body: Solid, view: View) -> tuple[float, float]:
    if isinstance(body, Box):
        px = view.project(body.corners()[0])
    else:
        o = body.outside
        # Fruit touches the table in a small ring about its lowest point.
        px = view.project(circle(_middle(o, 0), float(o.r[0]) if body.lip else 0.0))
    low = px[int(px[:, 1].argmax())]
    return float(low[0]), float(low[1])


def _trace(mask: np.ndarray) -> np.ndarray:
    """(n, 2) px: the outline of the largest blob of a mask, along its pixels' outer edges' middles."""
    lines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return max(lines, key=len)[:, 0].astype(float)
