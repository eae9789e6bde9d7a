"""A drawing, its reference and its list, made by hand for the tests of the page: an invented kite of straight and round parts."""

from __future__ import annotations

from html.parser import HTMLParser

import numpy as np

from featurediff import geometry
from featurediff.records import Advice, Correction, Feature, FeatureResult, LineUp, Located, NotJudged, Report, Sheet, Subject

LINEUP = LineUp("fewest", 0.2, 3.0, (30.0, 60.0))
MATRIX = geometry.similarity_matrix(LINEUP.scale, LINEUP.turn_deg, LINEUP.move_mm)
REFERENCE_SIZE = (760, 640)  # height, width
CIRCLE = np.column_stack([np.cos(np.linspace(0, 6.2, 24)), np.sin(np.linspace(0, 6.2, 24))])
FEATURES = (
    Feature("spar on the left", "kite/left", "segment", np.array([[100.0, 600.0], [300.0, 90.0]])),
    Feature("spar on the right", "kite/right", "segment", np.array([[500.0, 600.0], [300.0, 90.0]])),
    Feature("eye of the kite", "kite/eye", "ellipse", 40 * CIRCLE + [300.0, 300.0], closed=True),
    Feature("tail", "kite/tail", "curve", np.array([[300.0, 600.0], [320.0, 650.0], [300.0, 700.0]])),
    Feature("bow", "kite/bow", "point", np.array([[320.0, 660.0]])),
)
LONG = (
    "Move the eye of the kite and the bow together 3.5 mm left and 1.5 mm up; the spars on both sides stay where they are "
    "(small: if you are there anyway).",
    "Shorten the tail 3 mm; the bow and all that hangs on it come up with it, all of them by as much.",
    "Redraw the spar on the right: its length, its slope and its foot all disagree; the upper end may stay as it is.",
)
LONG_CHECK = (
    "The distance across between the lower end of the spar on the left and the middle of the tail equals the height of the eye "
    "of the kite, and it belongs level with the lower end of the spar on the right."
)


def sheet_picture(size_mm=(210.0, 297.0), scale=3.0, seed=0) -> np.ndarray:
    """(h, w, 3) a squared sheet with some grain and the kite's parts as dark dots."""
    rng = np.random.default_rng(seed)
    shape = (round(size_mm[1] * scale), round(size_mm[0] * scale))
    pixels = np.clip(rng.normal(222, 3, shape), 0, 255).astype(np.uint8)
    for feature in FEATURES:
        for x, y in geometry.resample(geometry.apply(MATRIX, feature.points), 0.4):
            pixels[int(y * scale) : int(y * scale) + 2, int(x * scale) : int(x * scale) + 2] = 70
    return np.repeat(pixels[..., None], 3, axis=2)


def reference_picture(seed=1) -> np.ndarray:
    """(h, w, 3) uint8: a mid grey picture."""
    rng = np.random.default_rng(seed)
    return np.clip(rng.normal(140, 6, (*REFERENCE_SIZE, 3)), 0, 255).astype(np.uint8)


def subject(numbered=False, features=FEATURES) -> Subject:
    """What a detector would have found on the reference."""
    region = np.array([[80.0, 70.0], [520.0, 70.0], [520.0, 720.0], [80.0, 720.0]])
    return Subject(features, 610.0, "height of the kite", region, numbered=numbered)


def located(off=(0.0, 2.0)) -> tuple[Located, ...]:
    """All parts found, each ``off`` mm from its place."""
    return tuple(Located(each.name, True, points_mm=geometry.apply(MATRIX, each.points) + off) for each in FEATURES)


def correction(
    rank, at=(90.0, 120.0), move=(0.0, -3.0), turn=None, text="", check="", explains=("tail",), arrows=None
) -> Correction:
    """One line of a list."""
    if arrows is None:
        arrows = () if move is None else ((at, move),)
    return Correction(
        rank, "placement", text or f"Raise part {rank} by 3 mm.", check or f"Part {rank} belongs level with the bow.",
        at, move, turn, None, explains, 0.9, 3.0, arrows,
    )  # fmt: skip


def report(*corrections, size_mm=(210.0, 297.0), later=(), capture=(), unit="mm", sides="picture", **more) -> Report:
    """A report with these lines."""
    sheet = Sheet(size_mm, "by its four edges", np.eye(3), None, 1.3, 5.0, 0.47, np.full(4, 0.2), unit=unit)
    places = {each.feature: each.points_mm.mean(0) for each in located()}
    results = tuple(FeatureResult(each.name, each.part, True, "", tuple(places[each.name]), (0.0, 2.0), 0.2) for each in FEATURES)
    return Report(
        subject="kites", sides=sides, sheet=sheet, size_mm=122.0, size_label="height of the kite", lineup=LINEUP,
        features=results, deviations=(), corrections=tuple(corrections), later=tuple(later), good=("spar on the left",),
        not_judged=(NotJudged("string", "it is not drawn yet"),), capture=tuple(capture), **more,
    )  # fmt: skip


def seven(long=False) -> tuple[Correction, ...]:
    """A full list; ``long`` with the longest sentences that the engine words."""
    places = [tuple(map(float, each.points_mm.mean(0))) for each in located()]
    spots = [*places, (70.0, 100.0), (140.0, 190.0)]
    moves = [(-3.5, -1.5), (0.0, 4.0), (0.0, -1.0), None, (9.0, 0.0), (-2.0, 0.0), (0.0, -30.0)]
    return tuple(
        correction(
            k + 1, spots[k], moves[k], 4.0 if moves[k] is None else None,
            LONG[k % 3] if long else "", LONG_CHECK if long else "", (FEATURES[k % 5].name,),
        )
        for k in range(7)
    )  # fmt: skip


ADVICE = (
    Advice("warning", "The pencil hardly stands out from the paper's grain: light the sheet from the side, or go closer."),
    Advice("note", "A corner of the sheet is out of the picture; it was found by extending the edges."),
)


class Reader(HTMLParser):
    """A page taken apart by the standard library: every element with its attributes, and the text that is not code."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.scripts: list[tuple[dict[str, str], str]] = []
        self.styles: list[str] = []
        self._text: list[str] = []
        self._open: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))
        self._open = [tag] if tag in ("script", "style") else []
        if tag == "script":
            self.scripts.append((dict(attributes), ""))
        elif tag == "style":
            self.styles.append("")

    def handle_endtag(self, tag):
        self._open = []

    def handle_data(self, data):
        if self._open == ["script"]:
            self.scripts[-1] = (self.scripts[-1][0], self.scripts[-1][1] + data)
        elif self._open == ["style"]:
            self.styles[-1] += data
        else:
            self._text.append(data)

    @property
    def text(self) -> str:
        """All text that is shown, with single blanks."""
        return " ".join("".join(self._text).split())

    def all(self, tag: str) -> list[dict[str, str]]:
        """Attributes of every element of that name."""
        return [attributes for name, attributes in self.elements if name == tag]
