"""The views: a facade, a street, a corner house, a tower from below, an arcade with a domed tower."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from featurediff.testing.buildings import parts, rounds, textures
from featurediff.testing.buildings.parts import House, Look, WallPlan
from featurediff.testing.buildings.record import AXES, LEVEL, Camera
from featurediff.testing.buildings.site import Frame, Site, ground


@dataclass(frozen=True)
class Stage:
    """What a view needs before it is painted: its camera, the main building's points (n, 3) m, and how to paint it.

    ``near``: m from the camera at which people, trees and cars may stand; ``free``: x ranges m on the ground for them."""

    camera: Camera
    points: np.ndarray
    paint: Callable[[Site], None]
    stands: tuple[tuple[float, float], ...] = ()


def pose(yaw: float, pitch: float = 0.0, roll: float = 0.0) -> np.ndarray:
    """(3, 3) world -> camera. Degrees: ``yaw`` looks to the right, ``pitch`` up, ``roll`` turns the camera clockwise."""
    a, b, c = np.radians([yaw, pitch, roll])
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])
    tilt = np.array([[1.0, 0, 0], [0, np.cos(b), np.sin(b)], [0, -np.sin(b), np.cos(b)]])
    lean = np.array([[np.cos(c), np.sin(c), 0], [-np.sin(c), np.cos(c), 0], [0, 0, 1.0]])
    return lean @ tilt @ LEVEL @ turn


def fitted(points: np.ndarray, position, rotation, size, box) -> Camera:
    """The camera there whose picture holds the points (n, 3) in ``box`` (x0, y0, x1, y1), shares of the picture."""
    plain = Camera(1.0, (0.0, 0.0), rotation, np.asarray(position, float), size)
    flat = plain.project(points)
    low, high = flat.min(0), flat.max(0)
    want = np.array(box).reshape(2, 2) * size
    focal = float(((want[1] - want[0]) / (high - low)).min())
    middle = (want[0] + want[1]) / 2 - focal * (low + high) / 2
    middle[1] = want[1, 1] - focal * high[1]
    return Camera(focal, (float(middle[0]), float(middle[1])), rotation, np.asarray(position, float), size)


def _corners(house: House, rise: float = 0.0) -> np.ndarray:
    top = house.height + rise
    return np.array([(x, y, z) for x in (house.x0, house.x1) for y in (house.y0, house.y1) for z in (0.0, top)])


def facade(rng: np.random.Generator, size) -> Stage:
    look = parts.choose_look(rng)
    rows, columns = int(rng.integers(2, 4)), int(rng.integers(4, 7))
    storey, base = rng.uniform(2.9, 3.4), rng.uniform(0.25, 0.7)
    spacing = rng.uniform(2.0, 2.6)
    margin = rng.uniform(0.55, 0.72)
    width = spacing * (columns - 1 + 2 * margin)
    wide, tall = rng.uniform(0.9, 1.2), rng.uniform(1.45, 1.8)
    plan = WallPlan(columns, rows, storey, base, wide, tall, 0.9, int(rng.integers(1, columns - 1)), margin)
    gabled = rng.random() < 0.35
    house = House(0.0, width, 0.0, rng.uniform(8, 11), base + rows * storey + rng.uniform(0.45, 0.8))
    rise = (house.width if gabled else house.depth) / 2 * rng.uniform(0.6, 0.85)
    yaw = 0.0 if rng.random() < 0.5 else rng.choice([-1, 1]) * rng.uniform(4, 10)
    away = rng.uniform(17, 26)
    aim = np.array([width / 2 + rng.uniform(-1, 1), 0.0])
    way = np.array([np.sin(np.radians(yaw)), np.cos(np.radians(yaw))])
    position = np.array([*(aim - away * way), rng.uniform(1.5, 1.8)])
    points = _corners(house, rise)
    points = points[~((points[:, 2] > house.height) & (points[:, 1] > 0.1))]
    points = np.vstack([points, [[width / 2, house.depth / 2, house.height + rise + 0.6]]])
    camera = fitted(points, position, pose(yaw), size, (0.12, 0.08, 0.88, 0.86))
    spot = rng.uniform(0.2, 0.8) * width
    with_dormers = rng.random() < (0.6 if rows < 3 else 0.2)
    stack_x = (0.16 if spot > width / 2 else 0.84) * width

    def paint(site: Site) -> None:
        parts.wall(site, house.front(), width, house.height, plan, look, gable=rise if gabled else 0.0)
        for frame in (house.left(), house.right()):
            parts.wall(site, frame, house.depth, house.height, replace(plan, columns=2, door=None), look, "side ")
        parts.saddle_roof(site, house, rise, 0.45, look, "y" if gabled else "x")
        front = house.front()
        if not gabled:
            site.cast(front, front.at([0, width, 0, width], [house.height - 0.2] * 4, [0.45, 0.45, 0, 0]))
            ridge = house.height + rise
            parts.chimney(site, stack_x, house.depth / 2, ridge - 0.9, ridge + 1.1, 0.9, 0.7, "chimney")
            if with_dormers:
                for k, x in enumerate((0.36, 0.64) if columns > 4 else (0.5,)):
                    parts.dormer(site, x * width, 1.0, house.height + 1.0, 1.5, 1.25, 3.2, look, f"dormer {k + 1}")
        _corner_lines(site, house, front, "corner")
        site.edge("ground line", front.at([0, width], [0, 0]))

    return Stage(camera, points, paint, ((-12.0, -2.0), (width + 2.0, width + 12.0)))


def _corner_lines(site: Site, house: House, front: Frame, word: str) -> None:
    for side, u in (("left", 0.0), ("right", house.width)):
        site.edge(f"{word} {side}", front.at([u, u], [0.0, house.height]))


def street(rng: np.random.Generator, size) -> Stage:
    half, pave = rng.uniform(4.2, 5.6), rng.uniform(1.3, 1.8)
    rows: dict[str, list[tuple[House, Look, WallPlan, float]]] = {}
    for side in ("left", "right"):
        y, rows[side] = rng.uniform(3.0, 5.0), []
        while y < 46:
            columns = int(rng.integers(2, 5))
            deep = columns * rng.uniform(2.1, 2.7)
            storeys = int(rng.integers(2, 4))
            storey = rng.uniform(2.7, 3.3)
            plan = WallPlan(
                columns, storeys, storey, 0.3, rng.uniform(0.85, 1.1), rng.uniform(1.35, 1.7), 0.85, int(rng.integers(columns))
            )
            height = 0.3 + storeys * storey + rng.uniform(0.2, 0.6)
            x = (-half - 8.0, -half) if side == "left" else (half, half + 8.0)
            rows[side].append((House(*x, y, y + deep, height), parts.choose_look(rng), plan, rng.uniform(2.2, 3.6)))
            y += deep
    eye = np.array([rng.uniform(-1.2, 1.2), -2.5, rng.uniform(1.55, 1.8)])
    w, h = size
    focal = rng.uniform(0.72, 0.95) * w
    camera = Camera(focal, (w * rng.uniform(0.42, 0.58), h * rng.uniform(0.58, 0.68)), pose(0.0), eye, size)
    points = np.vstack([_corners(house) for side in rows.values() for house, *_ in side[1:3]])

    def paint(site: Site) -> None:
        for side, sign in (("left", -1), ("right", 1)):
            x0, x1 = (-half, -half + pave) if side == "left" else (half - pave, half)
            ground(site, x0, x1, -2.0, 120.0, (0.74, 0.72, 0.69), textures.paving, 0.12)
            kerb = sign * (half - pave)
            face = Frame(np.array([kerb, -2.0, 0.0]), AXES["y"], -sign * AXES["x"])
            site.face(face.quad(0, 120, 0, 0.12), (0.62, 0.61, 0.6), face.out)
            site.edge(f"{side} kerb", np.array([[kerb, -1.0, 0.12], [kerb, 60.0, 0.12]]))
            for number, (house, look, plan, rise) in enumerate(rows[side], 1):
                _street_house(site, side, number, house, look, plan, rise)
        end = rows["left"][-1][0]
        across = House(-12.0, 12.0, end.y1 + 6, end.y1 + 14, 9.0)
        look = rows["right"][0][1]
        parts.wall(site, across.front(), 24.0, 9.0, WallPlan(8, 2, 3.4, storey_lines=False), look, "end ")
        parts.saddle_roof(site, across, 3.5, 0.4, look, "x", "end ")

    return Stage(camera, points, paint, ((-half + 0.3, -half + pave - 0.3), (half - pave + 0.3, half - 0.3)))


def _street_house(site: Site, side: str, number: int, house: House, look: Look, plan: WallPlan, rise: float) -> None:
    named = number <= 4
    name = f"{side} {number} " if named else f"- {side} {number} "
    wall = house.right() if side == "left" else house.left()
    parts.wall(site, wall, house.depth, house.height, plan, look, name)
    gable = house.front()
    end = WallPlan(1, 0, 3.0, 0.0)
    parts.wall(site, gable, house.width, house.height, end, replace(look, material="plaster"), "- gable ", gable=rise)
    parts.saddle_roof(site, house, rise, 0.35, look, "y", f"- {name}", verge=0.0)
    out = wall.at([0, house.depth, 0, house.depth], [house.height - 0.15] * 4, [0.35, 0.35, 0, 0])
    site.cast(wall, out)
    roof = house.x1 + 0.35 if side == "left" else house.x0 - 0.35
    low = house.height - 0.35 * rise / (house.width / 2) + 0.14
    site.edge(f"{name}eaves", np.array([[roof, house.y0, low], [roof, house.y1, low]]))
    near = 0.0 if side == "left" else house.depth
    for word, u in (("near", near), ("far", house.depth - near)):
        site.edge(f"{name}corner {word}", wall.at([u, u], [0.12, house.height]))
    ym = (house.y0 + house.y1) / 2
    if site.rng.random() < 0.6:
        x = (house.x0 + house.x1) / 2 + (1.2 if side == "left" else -1.2)
        foot = house.height + rise * 0.5
        parts.chimney(site, x, ym, foot, house.height + rise + 0.9, 0.8, 0.8, f"{name}chimney")


def corner(rng: np.random.Generator, size) -> Stage:
    look = parts.choose_look(rng)
    rows = int(rng.integers(2, 5))
    storey, base = rng.uniform(2.9, 3.4), rng.uniform(0.25, 0.7)
    counts = int(rng.integers(3, 6)), int(rng.integers(3, 5))
    spacing = rng.uniform(2.0, 2.5)
    width, depth = ((n - 1 + 1.3) * spacing for n in counts)
    height = base + rows * storey + rng.uniform(0.4, 0.8)
    house = House(0.0, width, 0.0, depth, height)
    plan = WallPlan(
        counts[0], rows, storey, base, rng.uniform(0.9, 1.15), rng.uniform(1.45, 1.8), 0.9, int(rng.integers(1, counts[0])), 0.65
    )
    rise = depth / 2 * rng.uniform(0.5, 0.75)
    yaw = rng.uniform(28, 52)
    away = rng.uniform(15, 22)
    way = np.array([np.sin(np.radians(yaw)), np.cos(np.radians(yaw))])
    aim = np.array([rng.uniform(0, 1.5), rng.uniform(0, 1.5)])
    position = np.array([*(aim - away * way), rng.uniform(1.55, 1.8)])
    hip = rng.random() < 0.6
    peak = np.array([[min(depth / 2, width / 2), depth / 2, height + rise], [width - depth / 2, depth / 2, height + rise]])
    points = np.vstack([_corners(house), peak[:1]])
    camera = fitted(points, position, pose(yaw), size, (0.1, 0.08, 0.9, 0.86))

    def paint(site: Site) -> None:
        front, left = house.front(), house.left()
        parts.wall(site, front, width, height, plan, look, "right ")
        gable = 0.0 if hip else rise
        parts.wall(site, left, depth, height, replace(plan, columns=counts[1], door=None), look, "left ", gable=gable)
        over = 0.5
        if hip:
            _hip_roof(site, house, rise, over, look)
        else:
            parts.saddle_roof(site, house, rise, over, look, "x", "right ")
        for frame, span in ((front, width), (left, depth)):
            site.cast(frame, frame.at([-over, span + over, 0, span], [height - 0.2] * 4, [over, over, 0, 0]))
        parts.chimney(site, width * 0.6, depth / 2, height + rise - 0.8, height + rise + 1.0, 0.9, 0.8, "chimney")
        _corners_of_two_walls(site, front, left, width, height)
        site.edge("right ground line", front.at([0, width], [0, 0]))
        site.edge("left ground line", left.at([0, depth], [0, 0]))

    return Stage(camera, points, paint, ((-14.0, -6.0), (width + 2.0, width + 9.0)))


def _corners_of_two_walls(site: Site, front: Frame, left: Frame, width: float, height: float) -> None:
    site.edge("corner near", front.at([0, 0], [0, height]))
    site.edge("corner right", front.at([width] * 2, [0, height]))
    site.edge("corner left", left.at([0, 0], [0, height]))


def _hip_roof(site: Site, house: House, rise: float, over: float, look: Look) -> None:
    x0, x1, y0, y1, h = house.x0 - over, house.x1 + over, house.y0 - over, house.y1 + over, house.height
    half = (y1 - y0) / 2
    top = h + rise
    inset = min(half, 0.45 * (x1 - x0))
    a, b, c, d = (np.array(p) for p in ((x0, y0, h), (x1, y0, h), (x1, y1, h), (x0, y1, h)))
    p, q = np.array([x0 + inset, y0 + half, top]), np.array([x1 - inset, y0 + half, top])
    for corners in (np.array([d, c, q, p])[[1, 0, 3, 2]], np.array([b, c, q]), np.array([d, a, p]), np.array([a, b, q, p])):
        right = corners[1] - corners[0]
        right = right / np.linalg.norm(right)
        normal = np.cross(right, corners[2] - corners[1])
        normal = normal / np.linalg.norm(normal)
        normal = normal if normal[2] > 0 else -normal
        up = np.cross(normal, right)
        frame = Frame(corners[0], right, normal, up)
        span, rake = np.linalg.norm(corners[1] - corners[0]), float(((corners - corners[0]) @ up).max())
        texture = site.texture(frame, 0, span, 0, rake, textures.tiles) if site.seen(corners[0], normal) else None
        site.face(corners, look.roof, normal, texture=texture)
    for u, v, normal in ((a, b, -AXES["y"]), (d, a, -AXES["x"]), (b, c, AXES["x"])):
        drop = np.array([0, 0, 0.2])
        site.face(np.array([u - drop, v - drop, v, u]), look.trim, normal)
    site.face(np.array([a, b, c, d]) - [0, 0, 0.2], look.trim * 0.6, -AXES["z"])
    site.edge("right eaves", np.array([a, b]))
    site.edge("left eaves", np.array([d, a]))
    site.edge("ridge", np.array([p, q]))
    site.edge("hip near", np.array([a, p]))
    site.edge("hip right", np.array([b, q]))
    site.edge("hip left", np.array([d, p]))


def tower(rng: np.random.Generator, size) -> Stage:
    look = replace(parts.choose_look(rng, ("stone", "brick", "plaster")), shutters=False)
    side, rows, storey = rng.uniform(5.5, 7.5), int(rng.integers(4, 7)), rng.uniform(3.2, 3.8)
    height = 0.4 + rows * storey + 0.6
    house = House(0.0, side, 0.0, side, height)
    plan = WallPlan(2, rows, storey, 0.4, rng.uniform(0.8, 1.0), rng.uniform(1.5, 1.9), 0.9, None, 0.6, round_top=True)
    yaw, away = rng.uniform(26, 58), rng.uniform(13, 17)
    way = np.array([np.sin(np.radians(yaw)), np.cos(np.radians(yaw))])
    position = np.array([*(np.array([0.8, 0.8]) - away * way), 1.6])
    rise = side * rng.uniform(0.7, 1.0)
    points = np.vstack([_corners(house), [[side / 2, side / 2, height + rise]]])
    camera = fitted(points, position, pose(yaw, rng.uniform(18, 28)), size, (0.2, 0.06, 0.8, 0.95))

    def paint(site: Site) -> None:
        front, left = house.front(), house.left()
        parts.wall(site, front, side, height, plan, look, "right ")
        parts.wall(site, left, side, height, plan, look, "left ")
        _pyramid(site, house, rise, 0.4, look)
        for frame in (front, left):
            site.cast(frame, frame.at([-0.4, side + 0.4, 0, side], [height - 0.2] * 4, [0.4, 0.4, 0, 0]))
        _corners_of_two_walls(site, front, left, side, height)

    return Stage(camera, points, paint, ((-9.0, -5.0), (side + 2.0, side + 6.0)))


def _pyramid(site: Site, house: House, rise: float, over: float, look: Look) -> None:
    x0, x1, y0, y1, h = house.x0 - over, house.x1 + over, house.y0 - over, house.y1 + over, house.height
    a, b, c, d = (np.array(p) for p in ((x0, y0, h), (x1, y0, h), (x1, y1, h), (x0, y1, h)))
    top = np.array([(x0 + x1) / 2, (y0 + y1) / 2, h + rise])
    for u, v, out in ((a, b, -AXES["y"]), (d, a, -AXES["x"]), (b, c, AXES["x"]), (c, d, AXES["y"])):
        normal = np.cross(v - u, top - u)
        normal = normal / np.linalg.norm(normal)
        normal = normal if normal[2] > 0 else -normal
        site.face(np.array([u, v, top]), look.roof, normal)
        drop = np.array([0, 0, 0.3])
        site.face(np.array([u - drop, v - drop, v, u]), look.trim, out)
    site.face(np.array([a, b, c, d]) - [0, 0, 0.3], look.trim * 0.6, -AXES["z"])
    site.edge("right eaves", np.array([a, b]))
    site.edge("left eaves", np.array([d, a]))
    site.edge("hip near", np.array([a, top]))
    site.edge("hip right", np.array([b, top]))
    site.edge("hip left", np.array([d, top]))


def arcade(rng: np.random.Generator, size) -> Stage:
    look = replace(parts.choose_look(rng, ("stone", "plaster")), shutters=False, surround=0.16)
    count, span, pier = int(rng.integers(4, 7)), rng.uniform(2.4, 3.0), rng.uniform(0.7, 1.0)
    spring = rng.uniform(2.4, 3.0)
    first = spring + span / 2 + rng.uniform(0.6, 0.9)
    height = first + rng.uniform(3.2, 3.8)
    width = count * (span + pier) + pier
    house = House(0.0, width, 0.0, 7.0, height)
    radius = rng.uniform(2.2, 2.8)
    right = rng.random() < 0.5
    at = (width + radius + 0.3 if right else -radius - 0.3, radius)
    tower_high = height * rng.uniform(1.25, 1.5)
    tall = radius * rng.uniform(0.9, 1.3)
    yaw = rng.choice([0.0, rng.uniform(-20, 20)])
    away = rng.uniform(20, 27)
    middle = (min(0, at[0] - radius) + max(width, at[0] + radius)) / 2
    way = np.array([np.sin(np.radians(yaw)), np.cos(np.radians(yaw))])
    position = np.array([*(np.array([middle, 0]) - away * way), 1.65])
    points = np.vstack([_corners(house)[::1], [[at[0] + s * radius, at[1], z] for s in (-1, 1) for z in (0, tower_high + tall)]])
    points = points[points[:, 1] < 6.9]
    camera = fitted(points, position, pose(yaw), size, (0.07, 0.08, 0.93, 0.86))
    windows = WallPlan(
        count, 1, 3.2, first, 0.95, 1.6, 0.7, None, 0.5 + pier / 2 / (span + pier), storey_lines=False, plinth=False
    )

    def paint(site: Site) -> None:
        front = house.front()
        parts.wall(site, front, width, height, replace(windows, base=first), look)
        for frame in (house.left(), house.right()):
            parts.wall(site, frame, house.depth, height, WallPlan(2, 1, 3.2, first, plinth=False), look, "- side ")
        site.box(front, 0, width, first, first + 0.2, 0.0, 0.12, look.trim)
        site.box(front, -0.05, width + 0.05, height - 0.25, height + 0.1, 0.0, 0.3, look.trim)
        site.cast(front, front.at([0, width, 0, width], [height - 0.25] * 4, [0.3, 0.3, 0, 0]))
        site.cast(front, front.at([0, width, 0, width], [first] * 4, [0.12, 0.12, 0, 0]))
        site.edge("storey line 1", front.at([0, width], [first + 0.2] * 2, 0.12))
        site.edge("eaves", front.at([-0.05, width + 0.05], [height + 0.1] * 2, 0.3))
        for k in range(count):
            u = pier + k * (span + pier)
            _arch(site, front, u, u + span, spring, look, f"arch {k + 1}")
        slits = [(turn, z, z + 1.5, 0.32) for z in (2.0, height - 1.5) for turn in (-40.0, 0.0, 40.0)]
        rounds.cylinder(site, at, radius, 0.0, tower_high, look.wall, slits, 0.38)
        rounds.cylinder(site, at, radius * 1.07, tower_high - 0.35, tower_high, look.trim)
        green = np.array([0.42, 0.55, 0.48]) if rng.random() < 0.5 else look.roof
        rounds.dome(site, (*at, tower_high), radius, tall, green, 14)
        sides = rounds.cylinder_sides(position, at, radius)
        for word, (x, y) in zip(("left", "right"), sides, strict=True):
            site.edge(f"tower {word}", np.array([[x, y, 0.0], [x, y, tower_high - 0.35]]))
        site.edge("dome", rounds.dome_outline(position, (*at, tower_high), radius, tall), "dome")
        _corner_lines(site, house, front, "corner")
        site.edge("ground line", front.at([0, width], [0, 0]))

    return Stage(camera, points, paint, ((-9.0, -3.0), (width + 3.0, width + 9.0)))


def _arch(site: Site, front: Frame, u0: float, u1: float, spring: float, look: Look, name: str) -> None:
    shape = parts.outline(u0, u1, 0.0, spring + (u1 - u0) / 2, "round")
    patch = parts.opening(site, front, shape, 0.7, look.wall)
    if patch is not None:
        back = front.at(*shape.T, -0.7)
        dark = site.canvas.cover(back, patch)
        if dark is not None:
            ramp = np.linspace(0.16, 0.34, dark.mask.shape[0])[:, None, None] * np.array([1.0, 0.95, 0.88])
            tone = np.broadcast_to(ramp, (*dark.mask.shape, 3)).astype(np.float32)
            site.canvas.colour[dark.box][dark.mask] = tone[dark.mask]
    arc = parts.outline(u0, u1, 0.0, spring + (u1 - u0) / 2, "round")[1:-1]
    site.edge(name, front.at(*arc.T), "arch")
    for word, u in (("left", u0), ("right", u1)):
        site.edge(f"{name} {word} side", front.at([u, u], [0, spring]))


KINDS = {"facade": facade, "street": street, "corner": corner, "tower": tower, "arcade": arcade}
