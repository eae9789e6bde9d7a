"""Invented subjects and drawings at the level of located points: no pictures, so hundreds of drawings a minute.

`portrait` is a made-up, slightly asymmetric head; `facade` a made-up house front. `draw` lays one on a sheet, moves what it is
told to move, and adds the noise of matching.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from featurediff.corrections import correct
from featurediff.deviations import deviations
from featurediff.geometry import apply, similarity_matrix
from featurediff.lineup import line_up
from featurediff.records import Correction, Deviation, Feature, Gap, Group, LineUp, Located, Pair, Sheet, Subject
from featurediff.settings import Settings

# A change maps a feature and its true points on the sheet, in mm along the subject's own axes (n, 2), to drawn points.
Change = Callable[[Feature, np.ndarray], np.ndarray]

SIDES = (("left", -1), ("right", 1))


def sheet(trust: float = 0.8, unit: str = "mm") -> Sheet:
    """An A4 sheet trusted to ``trust``, which is two standard uncertainties at the corners."""
    size = (210.0, 297.0) if unit == "mm" else None
    return Sheet(size, "four edges", np.eye(3), None, 0.5, 5.0, trust, np.full(4, trust / 2), unit)


# ---------------------------------------------------------------- an invented head, 1000 px high


def portrait() -> Subject:
    """A head of 1000 px, crown at (500, 100), chin at (506, 1100); the left eye is a little larger, the mouth a little off."""
    features: list[Feature] = []
    eyes = "head/face/features/eyes"
    for side, s in SIDES:
        x, wide = 500 + s * 135, 62 if s < 0 else 58
        own = {"left": "right", "right": "left"}[side]
        features += [
            _curve(
                f"brow on the {side}",
                f"{eyes}/{side}/brow",
                [(x - s * wide * 1.05, 508 + s), (x - s * 20, 498), (x + s * 30, 487), (x + s * 85, 505)],
                measures=("across", "down", "width", "tilt", "shape"),
                importance=0.7,
                anchors={"inner end": 0, "peak": 10, "outer end": 15},
                sitter_name=f"sitter's {own} brow",
            ),
            _ring(
                f"eye on the {side}",
                f"{eyes}/{side}/eye/lids",
                (x, 562),
                (wide, 19),
                measures=("across", "down", "width", "height", "tilt", "openness"),
                tolerance="A",
                importance=1.0,
                anchors={("outer corner" if s > 0 else "inner corner"): 0, ("inner corner" if s > 0 else "outer corner"): 12},
                sitter_name=f"sitter's {own} eye",
            ),
            _ring(
                f"iris on the {side}",
                f"{eyes}/{side}/eye/iris",
                (x + 3, 560),
                (21, 21),
                kind="ellipse",
                measures=("across", "down", "width"),
                tolerance="A",
                importance=0.7,
                stage="detail",
            ),
            _curve(
                f"wing of the nose on the {side}",
                f"head/face/features/nose/wing/{side}",
                [(500 + s * 52, 705), (500 + s * 66, 732), (500 + s * 50, 752)],
                importance=0.6,
            ),
            _point(f"mouth corner on the {side}", f"head/face/features/mouth/corner/{side}", (504 + s * 86, 842), "A", 0.8),
            _curve(
                f"jaw on the {side}",
                f"head/face/outline/lower/jaw/{side}",
                [(500 + s * 290, 830), (500 + s * 240, 960), (500 + s * 120, 1070)],
                importance=0.8,
                stage="proportion",
                slides=True,
            ),
            _curve(
                f"cheek line on the {side}",
                f"head/face/outline/cheeks/{side}",
                [(500 + s * 330, 560), (500 + s * 328, 680), (500 + s * 305, 790)],
                measures=("across", "shape"),
                importance=0.6,
                stage="proportion",
                slides=True,
            ),
            _curve(
                f"ear on the {side}",
                f"head/ears/{side}",
                [(500 + s * 340, 520), (500 + s * 385, 540), (500 + s * 372, 640), (500 + s * 340, 700)],
                tolerance="C",
                importance=0.3,
                slides=True,
            ),
            _curve(
                f"neck on the {side}",
                f"body/neck/{side}",
                [(500 + s * 220, 1010), (500 + s * 215, 1180)],
                measures=("across",),
                tolerance="C",
                importance=0.3,
                slides=True,
            ),
        ]
    features += [
        _curve("bridge of the nose", "head/face/features/nose/bridge", [(488, 580), (486, 690)], ("across", "tilt"), slides=True),
        _point("tip of the nose", "head/face/features/nose/tip", (497, 728), "B", 0.6),
        _curve(
            "base of the nose",
            "head/face/features/nose/base",
            [(455, 752), (498, 766), (543, 752)],
            ("across", "down", "tilt"),
            tolerance="A",
            importance=0.9,
            anchors={"middle": 8},
        ),
        _curve(
            "mouth line",
            "head/face/features/mouth/line",
            [(418, 842), (500, 846), (590, 841)],
            ("across", "down", "width", "tilt", "shape"),
            tolerance="A",
            importance=0.9,
        ),
        _curve(
            "lower lip edge",
            "head/face/features/mouth/lower lip edge",
            [(440, 858), (504, 892), (570, 858)],
            ("down", "shape"),
            tolerance="A",
            importance=0.7,
        ),
        _curve(
            "upper lip edge",
            "head/face/features/mouth/upper lip edge",
            [(430, 832), (480, 815), (504, 822), (528, 815), (578, 832)],
            ("down", "shape"),
            tolerance="A",
            importance=0.7,
        ),
        _curve(
            "chin",
            "head/face/outline/lower/chin",
            [(420, 1085), (506, 1100), (590, 1084)],
            ("across", "down", "shape"),
            importance=0.8,
            stage="proportion",
            slides=True,
        ),
        _curve(
            "hairline",
            "head/hair/line",
            [(260, 420), (380, 300), (520, 280), (640, 310), (750, 430)],
            ("down", "shape"),
            tolerance="C",
            importance=0.5,
            slides=True,
        ),
        _curve(
            "hair outline",
            "head/hair/outline",
            [(140, 560), (170, 300), (330, 130), (500, 100), (680, 140), (840, 310), (860, 570)],
            ("across", "down", "width", "shape"),
            tolerance="C",
            importance=0.3,
            stage="proportion",
            slides=True,
        ),
    ]
    below_nose = [f.name for f in features if "mouth" in f.part or "/lower/" in f.part or f.part.startswith("body")]
    nose_end = [f.name for f in features if any(f"nose/{end}" in f.part for end in ("base", "tip", "wing"))]
    groups = (
        Group("head", "whole head", "size"),
        Group("head/face", "whole face", "size"),
        Group("head/face/features", "eyes, nose and mouth", "proportion", True),
        Group(eyes, "eyes and brows", "placement", True),
        *(Group(f"{eyes}/{s}", f"eye on the {s} and its brow", "placement", True) for s, _ in SIDES),
        *(Group(f"{eyes}/{s}/eye", f"eye on the {s}") for s, _ in SIDES),
        Group("head/face/features/nose", "nose"),
        Group("head/face/features/mouth", "mouth"),
        Group("head/face/outline/lower", "chin and jaw", "proportion", True),
        Group("head/face/outline", "outline of the face", "proportion"),
        Group("head/hair", "hair"),
        Group("head/ears", "ears", "placement", True),
        Group("body", "neck", "placement"),
    )
    pairs = (
        Pair("eyes", f"{eyes}/left/eye", f"{eyes}/right/eye"),
        Pair("eyes and brows", f"{eyes}/left", f"{eyes}/right"),
        Pair("brows", f"{eyes}/left/brow", f"{eyes}/right/brow", "placement"),
        Pair("face", "head/face/outline/cheeks/left", "head/face/outline/cheeks/right", width=True),
        Pair("nose", "head/face/features/nose/wing/left", "head/face/features/nose/wing/right", "placement", True),
        Pair("ears", "head/ears/left", "head/ears/right", "placement"),
    )
    gaps = (
        Gap("nose", "down", tuple(nose_end + below_nose), "mouth and chin move with it"),
        Gap("upper lip", "down", tuple(below_nose), "mouth and chin move with it"),
        Gap("chin", "down", ("chin",), "the jaw corners stay"),
    )
    region = np.array([[120, 90], [880, 90], [880, 1110], [120, 1110]], float)
    return Subject(
        tuple(features), 1000.0, "head height", region, 0.0, groups, gaps, pairs, top_label="crown", bottom_label="chin"
    )


# ---------------------------------------------------------------- an invented house front


def facade() -> Subject:
    """A house front 800 px wide with four windows, a door and a gable."""
    features = [
        _segment("left corner", "front/corners/left", (100, 300), (100, 900), ("across", "tilt")),
        _segment("right corner", "front/corners/right", (900, 300), (900, 900), ("across", "tilt")),
        _segment("eaves", "front/roof/eaves", (60, 300), (940, 300), ("down", "tilt"), "placement"),
        _segment("roof slope on the left", "front/roof/left slope", (80, 300), (500, 60), ("down", "tilt"), "placement"),
        _segment("roof slope on the right", "front/roof/right slope", (500, 60), (920, 300), ("down", "tilt"), "placement"),
        _box("door", "front/door", (720, 640), (110, 260)),
        *(_box(f"window {k}", f"front/windows/{k}", (140 + 185 * (k - 1), 400), (90, 140)) for k in range(1, 5)),
        _segment("ground line", "front/ground", (60, 900), (940, 900), ("down", "tilt")),
    ]
    names = ("right corner", "door", "window 2", "window 3", "window 4")
    groups = (
        Group("front/windows", "windows", "placement", True),
        Group("front/roof", "roof", "proportion"),
        Group("front/corners", "corners", "proportion", True),
    )
    gaps = (Gap("pier between windows 1 and 2", "across", names[2:], "windows 2, 3 and 4"),)
    pairs = (Pair("front", "front/corners/left", "front/corners/right", width=True),)
    region = np.array([[60, 50], [940, 50], [940, 910], [60, 910]], float)
    return Subject(tuple(features), 850.0, "height of the front", region, 0.0, groups, gaps, pairs)


# ---------------------------------------------------------------- shapes


def _through(points: list, count: int = 16) -> np.ndarray:
    """``count`` points on a smooth curve through a few."""
    points = np.array(points, float)
    at = np.linspace(0, 1, len(points))
    degree = min(len(points) - 1, 3)
    fits = [np.polyfit(at, points[:, k], degree) for k in (0, 1)]
    dense = np.linspace(0, 1, count)
    return np.column_stack([np.polyval(fit, dense) for fit in fits])


def _curve(name, part, points, measures=("across", "down"), tolerance="B", importance=0.5, stage="placement", **more) -> Feature:
    return Feature(name, part, "curve", _through(points), False, measures, tolerance, importance, stage, **more)


def _point(name, part, at, tolerance, importance) -> Feature:
    return Feature(name, part, "point", np.array([at], float), False, ("across", "down"), tolerance, importance, "placement")


def _ring(name, part, centre, half, kind="curve", count=24, **more) -> Feature:
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    points = np.column_stack([centre[0] + half[0] * np.cos(t), centre[1] + half[1] * np.sin(t)])
    return Feature(name, part, kind, points, True, **more)


def _segment(name, part, a, b, measures, stage="proportion") -> Feature:
    points = np.linspace(a, b, 12).astype(float)
    return Feature(name, part, "segment", points, False, measures, "B", 0.8, stage, slides=True)


def _box(name, part, corner, size) -> Feature:
    (x, y), (w, h) = corner, size
    points = [
        (x, y),
        (x + w / 2, y),
        (x + w, y),
        (x + w, y + h / 2),
        (x + w, y + h),
        (x + w / 2, y + h),
        (x, y + h),
        (x, y + h / 2),
    ]
    return Feature(name, part, "curve", np.array(points, float), True, ("across", "down", "width", "height"), "B", 0.6)


# ---------------------------------------------------------------- drawings


@dataclass(frozen=True)
class Drawing:
    """A subject as drawn: what `featurediff.corrections.correct` is given."""

    subject: Subject
    located: tuple[Located, ...]
    lineup: LineUp
    true: np.ndarray
    settings: Settings
    sheet: Sheet

    def corrections(self) -> tuple[tuple[Correction, ...], tuple[Correction, ...], tuple[str, ...]]:
        """(corrections, later, good)."""
        return correct(self.subject, self.located, self.lineup, self.sheet, self.settings)

    def deviations(self) -> tuple[Deviation, ...]:
        """All deviations."""
        return deviations(self.subject, self.located, self.lineup, self.sheet, self.settings)


def draw(
    subject: Subject,
    change: Change | None = None,
    *,
    seed: int = 0,
    size_mm: float = 160.0,
    turn: float = 0.0,
    noise: float = 0.28,
    trust: float = 0.8,
    rule: str = "fewest",
    only: Callable[[Feature], bool] | None = None,
    mirror: bool = False,
    settings: Settings | None = None,
    unit: str = "mm",
) -> Drawing:
    """Draw ``subject`` ``size_mm`` high, turned by ``turn``, with ``change`` applied in mm along the subject's own axes."""
    settings = settings or Settings()
    rng = np.random.default_rng(seed)
    if mirror:
        subject = mirrored(subject)
    scale = size_mm / subject.size_px
    middle = subject.region.mean(0)
    flat = similarity_matrix(scale, 0.0, (0.0, 0.0))
    turned = similarity_matrix(1.0, turn, (0.0, 0.0))
    move = np.array([105.0, 148.0]) - apply(turned, apply(flat, middle[None]))[0]
    located = []
    for feature in subject.features:
        if only is not None and not only(feature):
            located.append(Located(feature.name, False, "nothing is drawn there"))
            continue
        points = apply(flat, feature.points)
        drawn = change(feature, points) if change else points
        drawn = apply(turned, drawn) + move
        located.append(_matched(feature, drawn, noise, rng))
    true = similarity_matrix(scale, turn, tuple(move))
    lineup = line_up(subject, tuple(located), rule, settings, true)
    return Drawing(subject, tuple(located), lineup, true, settings, sheet(trust, unit))


def _matched(feature: Feature, drawn: np.ndarray, noise: float, rng: np.random.Generator) -> Located:
    """Noise as matching has it: all of a feature together, each point by itself a little, and a sliding curve along itself."""
    size = noise * rng.uniform(0.8, 1.2)
    points = drawn + rng.normal(0, size, 2) + rng.normal(0, 0.4 * size, drawn.shape)
    if feature.slides and len(drawn) > 2:
        tangent = np.gradient(drawn, axis=0)
        tangent /= np.hypot(*tangent.T)[:, None]
        points = points + tangent * rng.normal(0, 2.0)
    return Located(feature.name, True, "", points, np.full(len(drawn), size), np.eye(2) * size**2, rng.uniform(0.6, 0.95))


def mirrored(subject: Subject) -> Subject:
    """The subject seen in a mirror, its sides named anew, as a detector would find it on a mirrored reference."""

    def flip(points: np.ndarray) -> np.ndarray:
        return np.column_stack([1000.0 - points[:, 0], points[:, 1]])

    def other(text: str) -> str:
        return text.replace("left", "#").replace("right", "left").replace("#", "right")

    features = tuple(
        replace(f, points=flip(f.points), name=other(f.name), part=other(f.part), sitter_name=other(f.sitter_name))
        for f in subject.features
    )
    groups = tuple(replace(g, part=other(g.part), label=other(g.label)) for g in subject.groups)
    gaps = tuple(replace(g, beyond=tuple(other(name) for name in g.beyond)) for g in subject.gaps)
    return replace(subject, features=features, groups=groups, gaps=gaps, region=flip(subject.region))


# ---------------------------------------------------------------- changes


def shift(test: Callable[[Feature], bool], x: float, y: float) -> Change:
    """Everything that passes ``test`` moves by (x, y) mm."""
    return lambda feature, points: points + np.array([x, y]) if test(feature) else points


def both(*changes: Change) -> Change:
    """One change after the other."""

    def all_of(feature: Feature, points: np.ndarray) -> np.ndarray:
        for change in changes:
            points = change(feature, points)
        return points

    return all_of


def named(*names: str) -> Callable[[Feature], bool]:
    """Features of these names."""
    return lambda feature: feature.name in names


def within(*prefixes: str) -> Callable[[Feature], bool]:
    """Features whose part starts with one of these."""
    return lambda feature: any(feature.part == p or feature.part.startswith(p + "/") for p in prefixes)
