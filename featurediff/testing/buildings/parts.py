"""The parts of a house: walls with windows and doors, roofs, chimneys, dormers; each records its exact edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff.testing.buildings import textures
from featurediff.testing.buildings.record import AXES, Rhythm
from featurediff.testing.buildings.site import UP, Frame, Site

# A window narrower than this on the fine canvas is a dark opening without sash and panes.
FAR_PX = 22
GLASS = np.array([0.13, 0.15, 0.17])


@dataclass(frozen=True)
class Look:
    """Colours (3,) 0..1 and material of one house, and how its windows are made."""

    wall: np.ndarray
    trim: np.ndarray
    sash: np.ndarray
    roof: np.ndarray
    door: np.ndarray
    material: str
    reveal: float
    head: str
    surround: float
    panes: tuple[int, int]
    cornice: bool
    shutters: bool


WALL_COLOURS = [
    (0.93, 0.86, 0.70),
    (0.90, 0.76, 0.58),
    (0.86, 0.84, 0.80),
    (0.80, 0.60, 0.48),
    (0.74, 0.80, 0.78),
    (0.93, 0.90, 0.83),
]
BRICKS = [(0.66, 0.40, 0.31), (0.60, 0.44, 0.36), (0.74, 0.56, 0.42)]
STONES = [(0.78, 0.74, 0.66), (0.68, 0.67, 0.65)]
ROOFS = [(0.56, 0.33, 0.26), (0.42, 0.40, 0.41), (0.50, 0.38, 0.32), (0.34, 0.35, 0.38)]


def choose_look(rng: np.random.Generator, materials=("plaster", "plaster", "brick", "stone")) -> Look:
    """A house's look by chance."""
    material = str(rng.choice(materials))
    palette = {"plaster": WALL_COLOURS, "brick": BRICKS, "stone": STONES}[material]
    wall = np.clip(np.array(palette[rng.integers(len(palette))]) + rng.normal(0, 0.02, 3), 0, 1)
    bright = rng.random() < 0.65
    trim = np.clip(wall * 1.12 + 0.05, 0, 0.98) if bright else wall * 0.80
    sash = np.array([0.93, 0.92, 0.88]) if rng.random() < 0.7 else np.array([0.32, 0.27, 0.22])
    return Look(
        wall, trim, sash,
        np.array(ROOFS[rng.integers(len(ROOFS))]) + rng.normal(0, 0.015, 3),
        np.array([(0.35, 0.20, 0.14), (0.16, 0.26, 0.22), (0.22, 0.26, 0.36), (0.45, 0.30, 0.2)][rng.integers(4)]),
        material,
        float(rng.uniform(0.14, 0.26)),
        str(rng.choice(["flat", "flat", "segment"])),
        float(rng.choice([0.0, 0.14, 0.2])),
        ((2, 3), (2, 2), (1, 2), (3, 3))[rng.integers(4)],
        bool(rng.random() < 0.6),
        bool(rng.random() < 0.2),
    )  # fmt: skip


@dataclass(frozen=True)
class WallPlan:
    """A wall's windows, m: ``columns`` equally spaced windows of ``wide`` x ``tall`` in ``rows`` storeys; ``base`` is the height
    of the first floor's level over the ground, ``sill`` of a sill over its floor. ``door``: the column that has a door on the
    ground instead. ``round_top``: arched windows in the top row."""

    columns: int
    rows: int
    storey: float
    base: float = 0.4
    wide: float = 1.05
    tall: float = 1.6
    sill: float = 0.85
    door: int | None = None
    margin: float = 0.5
    storey_lines: bool = True
    plinth: bool = True
    round_top: bool = False

    def lefts(self, width: float) -> np.ndarray:
        """u of each column's left edge; the end margins are ``margin`` spacings from the wall's ends to the windows' middles."""
        spacing = width / (self.columns - 1 + 2 * self.margin)
        return self.margin * spacing - self.wide / 2 + np.arange(self.columns) * spacing

    def sills(self) -> np.ndarray:
        return self.base + self.sill + np.arange(self.rows) * self.storey


def outline(u0, u1, v0, v1, head: str) -> np.ndarray:
    """(n, 2) an opening's outline from its lower left, up, over the head ("flat", "segment", "round") and down; not closed."""
    if head == "flat":
        return np.array([[u0, v0], [u0, v1], [u1, v1], [u1, v0]], float)
    half = (u1 - u0) / 2
    rise = half if head == "round" else 0.22 * half
    radius = (half**2 + rise**2) / (2 * rise)
    spring, middle = v1 - rise, np.array([(u0 + u1) / 2, v1 - radius])
    reach = np.arcsin(min(half / radius, 1.0))
    angles = np.linspace(-reach, reach, 41 if head == "round" else 13)
    arc = middle + radius * np.column_stack([np.sin(angles), np.cos(angles)])
    return np.vstack([[[u0, v0]], [[u0, spring]] if head != "round" else np.zeros((0, 2)), arc, [[u1, v0]]])


def opening(site: Site, frame: Frame, shape: np.ndarray, depth: float, colour):
    """Cut an opening (n, 2) into a painted wall: its reveals. Returns the patch it is seen in, or None."""
    patch = site.canvas.cover(frame.at(*shape.T))
    if patch is None:
        return None
    near = site.canvas._nearness(frame.at(*shape.T), patch)
    mask = patch.mask & (site.canvas.near[patch.box] <= near * 1.0007) & (site.canvas.near[patch.box] >= near * 0.9993)
    if not mask.any():
        return None
    patch = type(patch)(patch.x, patch.y, mask)
    site.canvas.paint(frame.at(*shape.T), np.asarray(colour) * 0.3, within=patch)
    for a, b in zip(shape, np.roll(shape, -1, 0), strict=True):
        along = b - a
        # The outline runs clockwise: the opening lies to the right of each side.
        inward = np.array([along[1], -along[0]]) / max(np.hypot(*along), 1e-9)
        normal = inward[0] * frame.right + inward[1] * frame.up
        corners = frame.at([a[0], b[0], b[0], a[0]], [a[1], b[1], b[1], a[1]], [0, 0, -depth, -depth])
        tint = site.lit(colour, normal) * (0.80 if inward[1] > -0.3 else 0.62)
        if site.seen(corners[0], normal):
            site.canvas.paint(corners, tint, within=patch)
    return patch


def window(site: Site, frame: Frame, u0, u1, v0, v1, look: Look, head: str = "flat") -> None:
    """A window with reveals, sash, panes that mirror the sky or show the dark room, sill and, by the look, a surround."""
    if look.surround:
        band = look.surround
        for a, b, c, d in ((u0 - band, u0, v0, v1), (u1, u1 + band, v0, v1), (u0 - band, u1 + band, v1, v1 + band)):
            if head == "flat":
                site.box(frame, a, b, c, d, 0.0, 0.03, look.trim)
    if look.shutters and head == "flat":
        half = (u1 - u0) / 2
        for a, b in ((u0 - half - 0.03, u0 - 0.03), (u1 + 0.03, u1 + half + 0.03)):
            site.box(frame, a, b, v0, v1, 0.0, 0.05, look.door * 1.15 + 0.05)
            for k in range(6):
                low = v0 + (v1 - v0) * (k + 0.2) / 6
                site.face(frame.quad(a + 0.06, b - 0.06, low, low + 0.6 * (v1 - v0) / 6, 0.05), look.door * 0.85, frame.out)
    shape = outline(u0, u1, v0, v1, head)
    patch = opening(site, frame, shape, look.reveal, look.wall if not look.surround else look.trim)
    if patch is not None and patch.mask.shape[1] < FAR_PX:
        site.canvas.paint(frame.at(*shape.T, -look.reveal), GLASS * site.rng.uniform(0.8, 2.0), within=patch)
        return
    if patch is not None:
        _sash(site, frame, shape, look, patch, head)
    sill = (u0 - 0.08, u1 + 0.08, v0 - 0.12, v0 - 0.01)
    site.box(frame, *sill, 0.0, 0.07, look.trim)
    site.cast(frame, frame.at([sill[0], sill[1], sill[0], sill[1]], [sill[2]] * 4, [0.07, 0.07, 0.0, 0.0]), (0.7, 0.72, 0.77))


def _sash(site: Site, frame: Frame, shape: np.ndarray, look: Look, patch, head: str) -> None:
    back = -look.reveal
    site.canvas.paint(frame.at(*shape.T, back), site.lit(look.sash, frame.out), within=patch)
    inner = _shrunk(shape, 0.06)
    u0, v0 = inner.min(0)
    u1, v1 = inner.max(0)
    glass = site.canvas.cover(frame.at(*inner.T, back), patch)
    if glass is None:
        return
    mirror = float(site.rng.uniform(0, 1)) ** 2
    sky = np.array([0.62, 0.70, 0.80])
    top, low = GLASS + mirror * 0.7 * (sky - GLASS), GLASS * site.rng.uniform(0.7, 1.3) + 0.25 * mirror * (sky - GLASS)
    h = glass.mask.shape[0]
    share = np.linspace(0, 1, h)[:, None, None]
    ramp = np.broadcast_to(top * (1 - share) + low * share, (*glass.mask.shape, 3)).astype(np.float32)
    site.canvas.colour[glass.box][glass.mask] = ramp[glass.mask]
    if site.rng.random() < 0.35:
        # A curtain inside one half.
        cut = u0 + (u1 - u0) * site.rng.uniform(0.25, 0.5)
        site.canvas.paint(frame.quad(u0, cut, v0, v1, back - 0.05), np.array([0.45, 0.44, 0.42]), within=glass)
    across, up = look.panes
    for i in range(1, across):
        u = u0 + (u1 - u0) * i / across
        site.canvas.paint(frame.quad(u - 0.025, u + 0.025, v0, v1, back), site.lit(look.sash, frame.out), within=patch)
    for i in range(1, up):
        v = v0 + (v1 - v0) * i / up
        site.canvas.paint(frame.quad(u0, u1, v - 0.02, v + 0.02, back), site.lit(look.sash, frame.out), within=glass)
    _reveal_shadow(site, frame, shape, look, patch)


def _reveal_shadow(site: Site, frame: Frame, shape: np.ndarray, look: Look, patch) -> None:
    """The opening's edge throws its shadow on sash and glass: all of them but the opening's own outline moved along the sun."""
    slant = float(np.dot(site.sun, frame.out))
    back = site.canvas.cover(frame.at(*shape.T, -look.reveal), patch)
    if slant < 0.05 or site.overcast > 0.7 or back is None:
        return
    lit = shape - look.reveal / slant * np.array([np.dot(site.sun, frame.right), np.dot(site.sun, frame.up)])
    sunny = site.canvas.cover(frame.at(*lit.T, -look.reveal), back)
    dark = back.mask.copy()
    if sunny is not None:
        y, x = sunny.y - back.y, sunny.x - back.x
        dark[y : y + sunny.mask.shape[0], x : x + sunny.mask.shape[1]] &= ~sunny.mask
    site.canvas.colour[back.box][dark] *= np.float32(0.6 + 0.4 * site.overcast)


def _shrunk(shape: np.ndarray, by: float) -> np.ndarray:
    low, high = shape.min(0), shape.max(0)
    return (shape - (low + high) / 2) * (1 - 2 * by / (high - low)) + (low + high) / 2


def door(site: Site, frame: Frame, u0, u1, v1, look: Look, name: str, base: float = 0.0) -> None:
    """A panelled door in its reveal, with a step before it."""
    shape = outline(u0, u1, base, v1, "flat")
    if look.surround:
        band = look.surround
        for a, b, c, d in ((u0 - band, u0, base, v1), (u1, u1 + band, base, v1), (u0 - band, u1 + band, v1, v1 + band)):
            site.box(frame, a, b, c, d, 0.0, 0.03, look.trim)
    patch = opening(site, frame, shape, look.reveal, look.wall if not look.surround else look.trim)
    if patch is not None:
        back = -look.reveal
        site.canvas.paint(frame.at(*shape.T, back), site.lit(look.door, frame.out), within=patch)
        for a, b in ((0.12, 0.46), (0.54, 0.88)):
            for c, d in ((0.08, 0.42), (0.48, 0.86)):
                quad = frame.quad(u0 + a * (u1 - u0), u0 + b * (u1 - u0), base + c * (v1 - base), base + d * (v1 - base), back)
                site.canvas.paint(quad, site.lit(look.door * 0.75, frame.out), within=patch)
        _reveal_shadow(site, frame, shape, look, patch)
    if base > 0.05:
        site.box(frame, u0 - 0.25, u1 + 0.25, 0.0, base, 0.0, 0.5, np.array([0.66, 0.65, 0.63]))
    site.edge(name, frame.at(*shape.T), "door")


def wall(site: Site, frame: Frame, width: float, height: float, plan: WallPlan, look: Look, name: str = "", gable: float = 0.0):
    """A wall with its windows, door and storey lines; ``gable``: height of its peak over the eaves. Records the rhythm."""
    top = height + gable
    texture = site.texture(frame, 0, width, 0, top, textures.WALLS[look.material])
    corners = [[0, 0], [0, height], *([[width / 2, top]] if gable else []), [width, height], [width, 0]]
    if not site.seen(frame.at(width / 2, height)[0], frame.out):
        return
    site.canvas.paint(frame.at(*np.array(corners, float).T), site.lit(look.wall, frame.out), texture=texture)
    if plan.plinth:
        site.box(frame, 0, width, 0, plan.base, 0.0, 0.04, look.wall * 0.72)
    lefts, sills = plan.lefts(width), plan.sills()
    for row, sill in enumerate(sills):
        if plan.storey_lines and row:
            level = plan.base + row * plan.storey
            site.box(frame, 0, width, level, level + 0.18, 0.0, 0.06, look.trim)
            site.cast(frame, frame.at([0, width, 0, width], [level] * 4, [0.06, 0.06, 0, 0]), (0.72, 0.74, 0.78))
            site.edge(f"{name}storey line {row}", frame.at([0, width], [level + 0.18] * 2, 0.06))
        for column, u in enumerate(lefts):
            if row == 0 and column == plan.door:
                middle = u + plan.wide / 2
                door(site, frame, middle - 0.6, middle + 0.6, plan.base + 2.35, look, f"{name}door", plan.base)
                continue
            head = look.head if row < len(sills) - 1 or not plan.round_top else "round"
            window(site, frame, u, u + plan.wide, sill, sill + plan.tall, look, head)
            shape = outline(u, u + plan.wide, sill, sill + plan.tall, head)
            site.edge(f"{name}window {row + 1}-{column + 1}", frame.at(*shape.T), "window")
    columns = tuple((float(u), float(u + plan.wide)) for u in lefts)
    rows = tuple((float(v), float(v + plan.tall)) for v in sills)
    matrix = site.canvas.camera.plane(frame.origin, frame.right, frame.up)
    peak = (width / 2, top) if gable else None
    site.rhythms[name.strip() or "facade"] = Rhythm(matrix, columns, rows, (0.0, width), height, peak)


@dataclass(frozen=True)
class House:
    """A box from (x0, y0) to (x1, y1), y away from the viewer, walls ``height`` m high, eaves or gable to the front."""

    x0: float
    x1: float
    y0: float
    y1: float
    height: float

    def front(self) -> Frame:
        return Frame(np.array([self.x0, self.y0, 0.0]), AXES["x"], -AXES["y"])

    def left(self) -> Frame:
        """The wall on the left side, seen from the left: its far end is the picture's left."""
        return Frame(np.array([self.x0, self.y1, 0.0]), -AXES["y"], -AXES["x"])

    def right(self) -> Frame:
        return Frame(np.array([self.x1, self.y0, 0.0]), AXES["y"], AXES["x"])

    @property
    def width(self) -> float:
        return self.x1 - self.x0

    @property
    def depth(self) -> float:
        return self.y1 - self.y0


def slab(site: Site, corners: np.ndarray, colour, normal: np.ndarray, texture=None, thick: float = 0.12) -> None:
    """A roof plane (4, 3) with its thickness below: top, underside and edges."""
    below = corners - thick * UP
    site.face(below[::-1], np.asarray(colour) * 0.5, -normal)
    middle = corners.mean(0)
    for a, b, c, d in zip(corners, np.roll(corners, -1, 0), np.roll(below, -1, 0), below, strict=True):
        side = np.cross(b - a, UP)
        side = side / max(np.linalg.norm(side), 1e-9)
        side = side if np.dot(side, (a + b) / 2 - middle) > 0 else -side
        site.face(np.array([a, b, c, d]), np.clip(np.asarray(colour) * 0.5 + 0.32, 0, 1), side)
    site.face(corners, colour, normal, texture=texture)


def saddle_roof(
    site: Site, house: House, rise: float, over: float, look: Look, along: str, name: str = "", verge: float = 0.25
) -> None:
    """A saddle roof with its ridge ``along`` "x" (eaves to the front) or "y" (gable to the front); ``over`` m of eaves."""
    x0, x1, y0, y1, h = house.x0, house.x1, house.y0, house.y1, house.height
    if along == "x":
        half, slope = house.depth / 2, rise / (house.depth / 2)
        drop = over * slope
        ym = (y0 + y1) / 2
        a, b = x0 - verge, x1 + verge
        planes = {
            "front": np.array([[a, y0 - over, h - drop], [b, y0 - over, h - drop], [b, ym, h + rise], [a, ym, h + rise]]),
            "back": np.array([[b, y1 + over, h - drop], [a, y1 + over, h - drop], [a, ym, h + rise], [b, ym, h + rise]]),
        }
        normals = {"front": np.array([0, -rise, half]), "back": np.array([0, rise, half])}
    else:
        half, slope = house.width / 2, rise / (house.width / 2)
        drop = over * slope
        xm = (x0 + x1) / 2
        a, b = y0 - verge, y1 + verge
        planes = {
            "left": np.array([[x0 - over, b, h - drop], [x0 - over, a, h - drop], [xm, a, h + rise], [xm, b, h + rise]]),
            "right": np.array([[x1 + over, a, h - drop], [x1 + over, b, h - drop], [xm, b, h + rise], [xm, a, h + rise]]),
        }
        normals = {"left": np.array([-rise, 0, half]), "right": np.array([rise, 0, half])}
    lift = 0.14 * UP
    order = sorted(planes, key=lambda side: -np.linalg.norm(planes[side].mean(0) - site.canvas.camera.position))
    for side in order:
        corners = planes[side] + lift
        normal = normals[side] / np.linalg.norm(normals[side])
        right = corners[1] - corners[0]
        right = right / np.linalg.norm(right)
        up = np.cross(normal, right)
        frame = Frame(corners[0], right, normal, up)
        span, rake = np.linalg.norm(corners[1] - corners[0]), np.linalg.norm(corners[3] - corners[0])
        texture = site.texture(frame, 0, span, 0, rake, textures.tiles) if site.seen(corners[0], normal) else None
        slab(site, corners, look.roof, normal, texture)
    _roof_edges(site, {side: corners + lift for side, corners in planes.items()}, along, name)


def _roof_edges(site: Site, planes: dict[str, np.ndarray], along: str, name: str) -> None:
    seen = site.canvas.camera.position
    if along == "x":
        front = planes["front"]
        site.edge(f"{name}eaves", front[[0, 1]])
        site.edge(f"{name}ridge", front[[3, 2]])
        site.edge(f"{name}verge left", front[[0, 3]])
        site.edge(f"{name}verge right", front[[1, 2]])
        return
    left, right = planes["left"], planes["right"]
    site.edge(f"{name}gable slope left", left[[1, 2]])
    site.edge(f"{name}gable slope right", right[[0, 3]])
    if seen[0] < left[0, 0]:
        site.edge(f"{name}eaves", left[[0, 1]])
    if seen[0] > right[0, 0]:
        site.edge(f"{name}eaves", right[[0, 1]])


def chimney(site: Site, x: float, y: float, foot: float, top: float, wide: float, deep: float, name: str) -> None:
    """A brick chimney on a roof with a cap."""
    colour = np.array([0.58, 0.40, 0.33])
    frame = Frame(np.array([x - wide / 2, y - deep / 2, 0.0]), AXES["x"], -AXES["y"])
    block(site, frame, wide, deep, foot, top, colour, textures.brick)
    cap = Frame(np.array([x - wide / 2 - 0.06, y - deep / 2 - 0.06, 0.0]), AXES["x"], -AXES["y"])
    block(site, cap, wide + 0.12, deep + 0.12, top, top + 0.14, np.array([0.70, 0.68, 0.64]))
    site.edge(f"{name} left", frame.at([0, 0], [foot, top]))
    site.edge(f"{name} right", frame.at([wide, wide], [foot, top]))
    site.edge(f"{name} top", cap.at([0, wide + 0.12], [top + 0.14] * 2))


def block(site: Site, frame: Frame, wide, deep, low, high, colour, material=None) -> None:
    """A block behind a frame's plane, ``deep`` m, with all its visible faces."""
    texture = site.texture(frame, 0, wide, low, high, material) if material else None
    site.face(frame.quad(0, wide, low, high), colour, frame.out, texture=texture)
    for u, normal in ((0.0, -frame.right), (wide, frame.right)):
        side = Frame(frame.at(u, 0, -deep if u == 0 else 0)[0], -frame.out if u else frame.out, normal)
        texture = site.texture(side, 0, deep, low, high, material) if material and site.seen(side.origin, normal) else None
        site.face(side.quad(0, deep, low, high), colour, normal, texture=texture)
    for v, normal in ((low, -UP), (high, UP)):
        site.face(frame.at([0, wide, wide, 0], [v] * 4, [0, 0, -deep, -deep]), colour, normal)


def dormer(site: Site, x: float, y: float, sill: float, wide: float, tall: float, deep: float, look: Look, name: str) -> None:
    """A small gabled dormer with one window, its front at ``y``."""
    frame = Frame(np.array([x - wide / 2, y, 0.0]), AXES["x"], -AXES["y"])
    rise = 0.38 * wide
    block(site, frame, wide, deep, sill - 0.3, sill + tall, look.wall, None)
    peak = np.array([[0, sill + tall], [wide / 2, sill + tall + rise], [wide, sill + tall]])
    site.face(frame.at(*peak.T), look.wall, frame.out)
    small = House(x - wide / 2, x + wide / 2, y, y + deep, sill + tall)
    inset = 0.18 * wide
    window(site, frame, inset, wide - inset, sill, sill + tall - 0.12, look)
    saddle_roof(site, small, rise, 0.12, look, "y", f"{name} ", verge=0.12)
    site.edge(f"{name} window", frame.at(*outline(inset, wide - inset, sill, sill + tall - 0.12, "flat").T), "window")
