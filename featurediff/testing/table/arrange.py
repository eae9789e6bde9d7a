"""A composition: which things stand where on the table, the light, the camera that takes them all in."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from featurediff.testing.table import forms
from featurediff.testing.table.solids import Box, Levels, Solid, Tube, Turned
from featurediff.testing.table.view import View, look

ROOM_MM = 6.0


@dataclass(frozen=True)
class Thing:
    """A form in its place. ``name`` is unique: "jug", "pear on the left"."""

    name: str
    form: forms.Form

    @property
    def solids(self) -> dict[str, Solid]:
        """Its body and parts by name."""
        return {"body": self.form.body, **self.form.parts}


@dataclass(frozen=True)
class Setting:
    """``things`` from left to right, ``edge``: the table's far edge y = edge[0] + edge[1] x, mm; ``light`` (3,) unit vector
    towards it; ``view`` the camera."""

    things: tuple[Thing, ...]
    edge: tuple[float, float]
    light: np.ndarray
    view: View


def arrange(seed: int, size: tuple[int, int]) -> Setting:
    """The composition of that seed."""
    rng = np.random.default_rng([seed, 401])
    elevation = rng.uniform(10, 45)
    side = int(rng.choice([-1, 1]))
    placed = _place(_chosen(rng, side), rng)
    light_side = int(rng.choice([-1, 1]))
    high, round_ = math.radians(rng.uniform(34, 52)), math.radians(rng.uniform(10, 40))
    light = np.array([light_side * math.cos(high) * math.cos(round_), -math.cos(high) * math.sin(round_), math.sin(high)])
    back = max(s.reach[1] + s.reach[2] for form in placed for s in (form.body, *form.parts.values()))
    edge = (back + rng.uniform(25, 80), rng.uniform(-0.08, 0.08))
    view = _camera(placed, elevation, rng.uniform(950, 1350), size)
    return Setting(_named(placed, view), edge, light, view)


def _chosen(rng: np.random.Generator, side: int) -> list[tuple[forms.Form, tuple[float, float, float, float]]]:
    """Forms, each with the field it may stand in: x from, x to, y from, y to. ``side`` +1 puts the jug right."""
    jug = forms.jug(rng, side)
    tall = forms.bottle(rng) if rng.random() < 0.6 else forms.vase(rng)
    out = [(jug, _field(side, 25, 80, 20, 70)), (tall, _field(-side, 40, 120, 50, 110))]
    if rng.random() < 0.55:
        out.append((forms.bowl(rng), _field(-side, 10, 110, -70, 0)))
    else:
        out.append((forms.cup(rng, -side), _field(-side, 60, 150, -60, 10)))
    if rng.random() < 0.5:
        out.append((forms.box(rng), _field(side, 120, 190, 30, 120)))
    fruit = [forms.pear(rng), forms.apple(rng) if rng.random() < 0.5 else forms.pear(rng)]
    fields = [_field(side, 0, 100, -140, -60), _field(side, 70, 200, -120, -20)]
    return out + list(zip(fruit, fields, strict=True))


def _field(side: int, near: float, far: float, front: float, back: float) -> tuple[float, float, float, float]:
    return (near, far, front, back) if side > 0 else (-far, -near, front, back)


def _place(wanted: list, rng: np.random.Generator) -> list[forms.Form]:
    """Each form at a random place in its field, clear of those already there; the field widens until one is found."""
    out: list[forms.Form] = []
    taken: list[tuple[float, float, float]] = []
    for form, (x0, x1, y0, y1) in wanted:
        for attempt in range(2000):
            grow = 1 + attempt / 120
            x = 0.5 * (x0 + x1) + grow * 0.5 * (x1 - x0) * rng.uniform(-1, 1)
            y = 0.5 * (y0 + y1) + grow * 0.5 * (y1 - y0) * rng.uniform(-1, 1)
            there = moved(form, x, y)
            marks = _footprint(there)
            if all(math.hypot(a - c, b - d) > r + s + ROOM_MM for a, b, r in marks for c, d, s in taken):
                break
        out.append(there)
        taken += marks
    return out


def _footprint(form: forms.Form) -> list[tuple[float, float, float]]:
    """Circles (x, y, r) that cover it from above; a stem lies within its fruit's."""
    body = form.body
    out = [body.reach]
    if isinstance(body, Box):
        long = 0 if body.half[0] > body.half[1] else 1
        short = min(body.half)
        out = []
        for t in np.linspace(-1, 1, 4):
            x, y = np.array(body.middle) + t * (max(body.half) - short) * body.axes[long]
            out.append((float(x), float(y), short * 1.42))
    for name, part in form.parts.items():
        if name != "stem":
            out += [(float(p[0]), float(p[1]), float(r)) for p, r in zip(part.course[::10], part.radius[::10], strict=True)]
    return out


def moved(form: forms.Form, x: float, y: float) -> forms.Form:
    """The form standing elsewhere."""
    return forms.Form(form.kind, _shift(form.body, x, y), {name: _shift(part, x, y) for name, part in form.parts.items()})


def _shift(solid: Solid, x: float, y: float) -> Solid:
    if isinstance(solid, Tube):
        return Tube(solid.course + [x, y, 0.0], solid.radius)
    if isinstance(solid, Box):
        return dataclasses.replace(solid, middle=(solid.middle[0] + x, solid.middle[1] + y))
    hollow = None if solid.hollow is None else _shift_levels(solid.hollow, x, y)
    return dataclasses.replace(solid, outside=_shift_levels(solid.outside, x, y), hollow=hollow)


def _shift_levels(levels: Levels, x: float, y: float) -> Levels:
    return Levels(levels.r, levels.x + x, levels.y + y, levels.z)


def _camera(placed: list[forms.Form], elevation: float, distance: float, size: tuple[int, int]) -> View:
    """Aimed at the group's middle, zoomed so that it fills three quarters of the frame."""
    points = np.vstack([cloud(s) for form in placed for s in (form.body, *form.parts.values())])
    target = np.array([0.0, 0.0, 80.0])
    focal = float(size[0])
    for _ in range(6):
        view = look(target, elevation, distance, focal, size)
        px = view.project(points)
        low, high = px.min(0), px.max(0)
        off = ((low + high) / 2 - view.camera[:2, 2]) * distance / focal
        target = target + off[0] * view.rotation[0] + off[1] * view.rotation[1]
        focal *= float((np.array([0.80, 0.74]) * size / (high - low)).min())
    return look(target, elevation, distance, focal, size)


def cloud(solid: Solid) -> np.ndarray:
    """(n, 3) points all over a solid's surface."""
    if isinstance(solid, Box):
        return solid.corners().reshape(-1, 3)
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    if isinstance(solid, Turned):
        k = np.linspace(0, len(solid.outside.r) - 1, 24)
        return solid.outside.points(k[:, None], turn[None]).reshape(-1, 3)
    return solid.mesh(8)[0]


def _named(placed: list[forms.Form], view: View) -> tuple[Thing, ...]:
    """Things from left to right; of two of a kind, the one on the left and the one on the right."""
    at = [float(view.project(cloud(form.body))[:, 0].mean()) for form in placed]
    order = np.argsort(at)
    kinds = [placed[i].kind for i in order]
    names = []
    for i, kind in enumerate(kinds):
        side = "left" if kind not in kinds[:i] else "right"
        names.append(f"{kind} on the {side}" if kinds.count(kind) > 1 else kind)
    return tuple(Thing(name, placed[i]) for name, i in zip(names, order, strict=True))
