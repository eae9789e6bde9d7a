"""An invented house at the level of located lines: a front with two storeys of five windows, a hipped roof, two receding sides.

The front is seen square on; the sides recede to two points on one eye level (a made-up view, so that every kind of error has its
place). `draw` lays it on a sheet, lets errors happen in mm, joins the corners again as an artist does, and adds the noise of
matching: 0.25 mm across a line and 0.3 degrees of its tilt, unless stated.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from located_kit import Drawing

from featurediff.corrections import refine_lineup
from featurediff.geometry import apply, similarity_matrix
from featurediff.lineup import line_up
from featurediff.records import (
    Feature,
    Group,
    Junction,
    Located,
    Meeting,
    Pair,
    Row,
    Sheet,
    Subject,
)
from featurediff.settings import Settings

LEVEL, SIZE = 650.0, 800.0
POINTS = {"left": np.array([-150.0, LEVEL]), "right": np.array([1150.0, LEVEL])}
MIDDLE = np.array([500.0, 480.0])
SHEET = Sheet((297.0, 420.0), "four edges", np.eye(3), None, 0.5, 5.0, 0.8, np.full(4, 0.4))

# A change maps a name and true points on the sheet, in mm (n, 2), to drawn points.
Change = Callable[[str, np.ndarray], np.ndarray]


# ---------------------------------------------------------------- the house, in px of its picture


def house(lengths: bool = True, numbered: bool = True, columns: bool = True) -> Subject:
    """The subject. ``lengths``: lines between two corners are judged by their lengths too."""
    lines = {
        "left corner of the front": ((250, 250), (250, 850)),
        "right corner of the front": ((750, 250), (750, 850)),
        "eaves of the front": ((250, 250), (750, 250)),
        "foot of the front": ((250, 850), (750, 850)),
        "storey line of the front": ((250, 550), (750, 550)),
        "ridge": ((420, 117), (580, 117)),
        "left roof slope": ((250, 250), (420, 117)),
        "right roof slope": ((750, 250), (580, 117)),
        **_side("left", 250, 0),
        **_side("right", 750, 1000),
    }
    features = [_line(name, ends, lengths) for name, ends in lines.items()]
    rows = []
    for floor, y in (("first", 310), ("ground", 610)):
        names = []
        for k in range(5):
            name = f"window {k + 1} of the {floor} floor"
            names.append(name)
            features.append(_box(name, f"house/front/windows/{floor}/{k + 1}", (285 + 95 * k, y), (50, 110)))
        rows.append(Row(f"windows of the {floor} floor", tuple(names), tuple((name,) for name in names), "across"))
    if columns:
        items = tuple(tuple(f"window {k} of the {floor} floor" for floor in ("first", "ground")) for k in range(1, 6))
        rows.append(Row("window columns of the front", tuple(f"window column {k}" for k in range(1, 6)), items, "across"))
    meetings = []
    for side, corner, far in (("left", 250, 0), ("right", 750, 1000)):
        names = []
        for k, share in enumerate((0.25, 0.55)):
            name = f"window {k + 1} of the {side} side"
            names.append(name)
            features.append(_receding(name, f"house/{side} side/windows/{k + 1}", side, corner, far, share))
        lines_there = tuple(f"{line} of the {side} side" for line in ("eaves", "storey line", "foot"))
        meetings.append(Meeting(f"lines that recede to the {side}", lines_there, POINTS[side], True, tuple(names)))
    groups = (
        Group("house/front", "front", "proportion"),
        Group("house/front/windows", "windows of the front", "placement", True),
        Group("house/roof", "roof", "proportion"),
        Group("house/left side", "side on the left", "proportion"),
        Group("house/right side", "side on the right", "proportion"),
    )
    pairs = (Pair("front", "house/front/corners/left", "house/front/corners/right", width=True),)
    region = np.array([[0, 100], [1000, 100], [1000, 850], [0, 850]], float)
    return Subject(
        tuple(features),
        SIZE,
        "height of the house",
        region,
        groups=groups,
        pairs=pairs,
        junctions=_junctions(lines),
        meetings=tuple(meetings),
        rows=tuple(rows),
        numbered=numbered,
    )


def _side(side: str, corner: float, far: float) -> dict:
    ends = {}
    for name, y in (("eaves", 250), ("storey line", 550), ("foot", 850)):
        ends[f"{name} of the {side} side"] = ((corner, y), tuple(_towards(side, np.array([corner, y]), far)))
    top, foot = ends[f"eaves of the {side} side"][1], ends[f"foot of the {side} side"][1]
    return ends | {f"{side} outer corner": (top, foot)}


def _towards(side: str, start: np.ndarray, x: float) -> np.ndarray:
    share = (x - start[0]) / (POINTS[side][0] - start[0])
    return start + share * (POINTS[side] - start)


def _line(name: str, ends, lengths: bool) -> Feature:
    upright = "corner" in name
    if "side" in name or "outer" in name:
        part = f"house/{'left' if 'left' in name else 'right'} side/{name}"
    elif "roof slope" in name or name == "ridge":
        part = f"house/roof/{name}"
    elif upright:
        part = f"house/front/corners/{'left' if 'left' in name else 'right'}"
    else:
        part = f"house/front/{name}"
    measures = ("across", "tilt") if upright else ("down", "tilt")
    # A storey line ends against a wall, at no corner of its own.
    slides = "storey line" in name
    if lengths and not slides:
        measures += ("height",) if upright else ("width",)
    stage = "proportion" if upright else "placement"
    return Feature(name, part, "segment", np.array(ends, float), False, measures, "B", 0.7, stage, slides=slides)


def _box(name: str, part: str, corner, size) -> Feature:
    (x, y), (w, h) = corner, size
    points = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], float)
    return Feature(name, part, "curve", points, True, ("across", "down", "width", "height"), "B", 0.5)


def _receding(name: str, part: str, side: str, corner: float, far: float, share: float) -> Feature:
    xs = [corner + (far - corner) * s for s in (share, share + 0.2)]
    tops, feet = ([_towards(side, np.array([corner, y]), x) for x in xs] for y in (330, 470))
    points = np.array([tops[0], tops[1], feet[1], feet[0]])
    return Feature(name, part, "curve", points, True, ("across", "down", "width", "height"), "B", 0.5)


def _junctions(lines: dict) -> tuple[Junction, ...]:
    places: dict[tuple[int, int], list[tuple[str, int]]] = {}
    for name, ends in lines.items():
        for index, at in zip((0, -1), ends, strict=True):
            places.setdefault((round(at[0]), round(at[1])), []).append((name, index))
    return tuple(Junction(f"corner {k}", tuple(ends)) for k, ends in enumerate(places.values()) if len(ends) > 1)


# ---------------------------------------------------------------- drawings


def draw(
    subject: Subject,
    *changes: Change,
    seed: int = 0,
    size_mm: float = 140.0,
    turn: float = 0.0,
    noise: float = 0.25,
    tilt: float = 0.3,
    missing: tuple[str, ...] = (),
    settings: Settings | None = None,
) -> Drawing:
    """Draw ``subject`` ``size_mm`` high, turned by ``turn`` as a whole, with the ``changes`` one after the other."""
    settings = settings or Settings()
    rng = np.random.default_rng(seed)
    flat = similarity_matrix(size_mm / subject.size_px, 0.0, (0.0, 0.0))
    turned = similarity_matrix(1.0, turn, (0.0, 0.0))
    move = np.array([148.0, 200.0]) - apply(turned @ flat, MIDDLE[None])[0]
    drawn = {feature.name: apply(flat, feature.points) for feature in subject.features}
    for change in changes:
        drawn = {name: change(name, points) for name, points in drawn.items()}
    drawn = _joined(subject, drawn)
    located = []
    for feature in subject.features:
        points = apply(turned, drawn[feature.name]) + move
        if feature.name in missing:
            located.append(Located(feature.name, False, "nothing is drawn there"))
        elif feature.kind == "segment":
            located.append(_matched_line(feature, points, noise, tilt, rng))
        else:
            located.append(_matched(feature, points, noise, rng))
    true = similarity_matrix(size_mm / subject.size_px, turn, tuple(move))
    lineup = line_up(subject, tuple(located), "fewest", settings, true)
    lineup = refine_lineup(subject, tuple(located), lineup, SHEET, settings)
    return Drawing(subject, tuple(located), lineup, true, settings, SHEET)


def _joined(subject: Subject, drawn: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Lines drawn as far as the lines they meet: ends at a corner lie where they cross, if by 25 degrees or more."""
    result = {name: points.copy() for name, points in drawn.items()}
    for junction in subject.junctions:
        ways = [np.diff(drawn[name], axis=0)[0] for name, _ in junction.ends]
        for k, (name, end) in enumerate(junction.ends):
            square = [abs(ways[k][0] * w[1] - ways[k][1] * w[0]) / np.hypot(*w) / np.hypot(*ways[k]) for w in ways]
            other = int(np.argmax(square))
            if square[other] < np.sin(np.radians(25)):
                continue
            result[name][end] = _crossing(drawn[name], drawn[junction.ends[other][0]])
    return result


def _crossing(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    way_a, way_b = a[1] - a[0], b[1] - b[0]
    share = np.linalg.solve(np.column_stack([way_a, -way_b]), b[0] - a[0])[0]
    return a[0] + share * way_a


def _matched_line(feature: Feature, points: np.ndarray, noise: float, tilt: float, rng: np.random.Generator) -> Located:
    way = points[1] - points[0]
    length = float(np.hypot(*way))
    along = way / length
    across = np.array([-along[1], along[0]])
    lean = np.radians(tilt) * length / 2
    off = rng.normal(0, noise) + np.array([-1, 1]) * rng.normal(0, lean)
    found = points + off[:, None] * across + rng.normal(0, 0.4, (2, 1)) * along
    size = float(np.hypot(noise, lean))
    spread = noise**2 * np.outer(across, across) + 0.4**2 / 2 * np.outer(along, along)
    return Located(feature.name, True, "", found, np.full(2, size), spread, rng.uniform(0.6, 0.95))


def _matched(feature: Feature, points: np.ndarray, noise: float, rng: np.random.Generator) -> Located:
    found = points + rng.normal(0, noise, 2) + rng.normal(0, 0.4 * noise, points.shape)
    return Located(feature.name, True, "", found, np.full(len(points), noise), np.eye(2) * noise**2, rng.uniform(0.6, 0.95))


# ---------------------------------------------------------------- changes, in mm of a drawing 140 mm high


def lean(name: str, degrees: float, about: float = 0.5) -> Change:
    """The line turns clockwise about a point at this share of its length."""

    def change(other: str, points: np.ndarray) -> np.ndarray:
        if other != name:
            return points
        centre = points[0] + about * (points[-1] - points[0])
        return apply(similarity_matrix(1.0, degrees, (0, 0)), points - centre) + centre

    return change


def shift(names, x: float, y: float) -> Change:
    """These features move by (x, y) mm."""
    names = (names,) if isinstance(names, str) else tuple(names)
    return lambda name, points: points + np.array([x, y]) if name in names else points


def wider(amount: float, size_mm: float = 140.0) -> Change:
    """All of the front and the roof right of the front's left corner is stretched so that the front is ``amount`` mm wider, and
    the side on the right stands further right."""
    scale = size_mm / SIZE
    left, right = 250 * scale, 750 * scale

    def change(name: str, points: np.ndarray) -> np.ndarray:
        moved = points.copy()
        share = np.clip((points[:, 0] - left) / (right - left), 0.0, 1.0)
        if "left side" not in name and name != "left outer corner":
            moved[:, 0] += amount * share
        return moved

    return change


def aimed(side: str, x: float, y: float, size_mm: float = 140.0) -> Change:
    """The lines of a side aim at a point (x, y) mm off, each from where it leaves the front's corner; its windows go with it."""
    scale = size_mm / SIZE
    point, corner = POINTS[side] * scale, {"left": 250, "right": 750}[side] * scale

    def change(name: str, points: np.ndarray) -> np.ndarray:
        if f"of the {side} side" not in name:
            return points
        share = (points[:, 0] - corner) / (point[0] - corner)
        return points + share[:, None] * np.array([x, y])

    return change


def floor(which: str, *numbers: int) -> tuple[str, ...]:
    """Names of windows of a floor."""
    return tuple(f"window {k} of the {which} floor" for k in numbers)
