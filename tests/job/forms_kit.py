"""An invented table at the level of located outlines: a bottle, a jug with a handle, a bowl and a pear, no pictures.

`draw` lays it on an A4 sheet 160 mm high, moves what it is told to move, and adds the noise of matching: 0.25 mm across every
outline, alike over neighbouring points, and any amount along smooth ones. Outlines are smooth curves of our own making.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from featurediff.corrections import correct, refine_lineup
from featurediff.deviations import deviations
from featurediff.geometry import apply, normals, similarity_matrix
from featurediff.lineup import line_up
from featurediff.records import Correction, Deviation, Feature, Form, Group, LineUp, Located, Sheet, Subject
from featurediff.settings import Settings

SIZE, MM = 800.0, 160.0  # px of the group, mm on the paper
SHEET = Sheet((297.0, 210.0), "four edges", np.eye(3), None, 0.5, 5.0, 0.8, np.full(4, 0.4))
NOISE, ALIKE = 0.25, 6
PX = SIZE / MM

# A change maps a feature and its true points on the sheet in mm (n, 2) to drawn points.
Change = Callable[[Feature, np.ndarray], np.ndarray]

_RIM = ("across", "down", "width", "height", "tilt", "openness", "ends")
_SIDE = ("across", "tilt", "shape")
# Name -> (axis x, top, foot, half widths at equal steps from top to foot, half width and half height of the rim)
_VESSELS = {
    "bottle": (200, 120, 880, (45, 42, 42, 44, 60, 118, 128, 130, 130, 128, 126), (45, 14)),
    "jug": (480, 380, 880, (105, 88, 84, 100, 128, 145, 148, 138, 120, 104, 100), (105, 36)),
    "bowl": (820, 660, 880, (140, 138, 134, 128, 120, 110, 97, 82, 68, 60, 60), (140, 44)),
}
_MARKS = {
    "bottle": {"shoulder": 0.5},
    "jug": {"neck": 0.2, "shoulder": 0.4, "widest point": 0.6},
    "bowl": {},
}


def table() -> Subject:
    """The subject, in px of its picture."""
    features, groups, forms = [], [], []
    for name, (x, top, foot, widths, rim) in _VESSELS.items():
        part = f"table/{name}"
        features.append(_ellipse(f"rim of the {name}", f"{part}/rim", (x, top), rim))
        level = np.linspace(top, foot, 61)
        half = _smooth(level, np.linspace(top, foot, len(widths)), widths)
        anchors = {mark: round(60 * share) for mark, share in _MARKS[name].items()}
        for side, sign in (("left", -1), ("right", 1)):
            line = np.column_stack([x + sign * half, level])
            features.append(_line(f"left side of the {name}" if sign < 0 else f"right side of the {name}",
                                  f"{part}/body/{side} side", line, _SIDE, 0.8, "proportion", anchors))  # fmt: skip
        angle = np.radians(np.linspace(180, 0, 21))
        base = np.column_stack([x + half[-1] * np.cos(angle), foot + 0.35 * half[-1] * np.sin(angle)])
        features.append(_line(f"base of the {name}", f"{part}/body/base", base, ("down", "shape"), 0.7, "placement", {}))
        groups += [Group(part, name, "placement", apart=True), Group(f"{part}/body", f"body of the {name}", "proportion")]
        sides = tuple((f"{side} side of the {name}",) for side in ("left", "right"))
        forms.append(Form(name, part, np.array([[x, foot], [x, top]], float), *sides))
    turn = np.radians(np.linspace(-80, 80, 30))
    handle = np.column_stack([600 + 90 * np.cos(turn), 590 + 130 * np.sin(turn)])
    features.append(
        _line("handle of the jug", "table/jug/handle/outside", handle, ("across", "down", "shape"), 0.6, "placement", {})
    )
    turn = np.radians(np.linspace(0, 340, 35))
    for which, rows in (("upper", slice(17, 35)), ("lower", slice(0, 18))):
        pear = np.column_stack([1060 + 70 * np.cos(turn), 800 + 80 * np.sin(turn)])[rows]
        features.append(_line(f"{which} part of the outline of the pear", f"table/pear/outline/{which}", pear,
                              ("across", "down", "shape"), 0.7, "shape", {}))  # fmt: skip
    groups.append(Group("table/pear", "pear", "placement", apart=True))
    points = np.vstack([each.points for each in features])
    low, high = points.min(0), points.max(0)
    region = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    return Subject(tuple(features), SIZE, "height of the group", region, groups=tuple(groups), forms=tuple(forms))


def _smooth(at: np.ndarray, knots: np.ndarray, values) -> np.ndarray:
    """Values between knots, rounded over one step."""
    fine = np.linspace(knots[0], knots[-1], 601)
    line = np.interp(fine, knots, values)
    width = 600 // (len(knots) - 1)
    padded = np.pad(line, width, mode="edge")
    return np.interp(at, fine, np.convolve(padded, np.ones(width) / width, "same")[width:-width])


def _ellipse(name: str, part: str, centre, half) -> Feature:
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    points = np.array(centre) + np.column_stack([half[0] * np.cos(angle), half[1] * np.sin(angle)])
    return Feature(name, part, "ellipse", points, True, _RIM, "B", 0.9, "shape", 0.4)


def _line(name: str, part: str, points, measures, importance, stage, anchors) -> Feature:
    return Feature(
        name, part, "curve", np.asarray(points, float), False, measures, "B", importance, stage, 0.5, True, anchors=anchors
    )


@dataclass(frozen=True)
class Result:
    """The list of one drawing and what it was made of."""

    shown: tuple[Correction, ...]
    later: tuple[Correction, ...]
    deviations: tuple[Deviation, ...]
    lineup: LineUp

    @property
    def texts(self) -> list[str]:
        """The sentences of the list."""
        return [each.text for each in self.shown]


def draw(*changes: Change, seed: int = 0, turn: float = 0.0, noise: float = NOISE, numbered: bool = False) -> Result:
    """The list of a drawing of the table with these changes, turned on the sheet by ``turn`` degrees."""
    rng = np.random.default_rng(seed)
    subject = replace(table(), numbered=numbered)
    middle = np.array([630.0, 500.0])
    at = similarity_matrix(1 / PX, turn, (0.0, 0.0))
    at[:2, 2] = np.array([148.0, 105.0]) - apply(at, middle[None])[0]
    located = []
    for feature in subject.features:
        true = apply(at, feature.points)
        points = true
        for change in changes:
            points = change(feature, points)
        located.append(_located(feature, points, rng, noise))
    settings = Settings()
    found = tuple(located)
    placed = refine_lineup(subject, found, line_up(subject, found, "fewest", settings, at), SHEET, settings)
    shown, later, _ = correct(subject, found, placed, SHEET, settings)
    return Result(shown, later, deviations(subject, found, placed, SHEET, settings), placed)


def _located(feature: Feature, points: np.ndarray, rng, noise: float) -> Located:
    """Noise across the line, alike over `ALIKE` points, and along it where it is smooth."""
    count = len(points)
    raw = rng.normal(size=count + 2 * ALIKE)
    kernel = np.ones(ALIKE) / np.sqrt(ALIKE)
    across = noise * np.convolve(raw, kernel, "same")[ALIKE : ALIKE + count]
    tangent = np.column_stack([normals(points, feature.closed)[:, 1], -normals(points, feature.closed)[:, 0]])
    slide = rng.normal(0, 0.5)
    moved = points + across[:, None] * normals(points, feature.closed) + (0 if feature.closed else slide) * tangent
    return Located(feature.name, True, "", moved, np.full(count, max(noise, 0.1)), np.eye(2) * 0.01, 0.8)
