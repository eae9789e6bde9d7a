"""Comparisons by marks alone: position errors, gain, false and missed items. ``python tests/benchmark/marked.py [--clicks PX]``

The toy boat of the examples in every hand, its marks clicked with slips of the hand, and edges against whole outlines. With
``--scenes 100,102``: things on a rendered table, marked by points of their true outlines; from 100 on for reporting only.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import cv2
import numpy as np
from featurediff_demo_cases.toy_boat import toy_boat

from featurediff import comparison, geometry
from featurediff.demo import get_demo
from featurediff.marking.detector import with_marks
from featurediff.marking.read import read_marks
from featurediff.marking.records import Mark, Marks
from featurediff.settings import Settings, SheetSettings
from featurediff.testing import mistakes
from featurediff.testing.camera import photograph
from featurediff.testing.hands import draw, place
from featurediff.testing.scenes import rendered_table

# What is moved, by how many mm, and which words the list must tell it with.
BOAT_MOVES = {
    "nothing": None,
    "jib": (("jib",), (-3.5, 0.0), "jib"),
    "porthole": (("porthole 3",), (0.0, -3.0), "porthole on the right"),
    "mainsail": (("mainsail",), (3.0, 0.0), "mainsail"),
    "pennant": (("pennant",), (3.0, 0.0), "pennant"),
}


def slipped(marks: Marks, px: float, seed: int) -> Marks:
    """Marks clicked again by a hand that slips by ``px`` (standard deviation, each axis)."""
    rng = np.random.default_rng(seed)

    def click(place):
        return tuple(np.add(place, rng.normal(0, px, 2)).tolist())

    def again(mark: Mark) -> Mark:
        own = mark.round
        if own is not None:
            own = replace(
                own, middle=click(own.middle), width=own.width + rng.normal(0, px), height=own.height + rng.normal(0, px)
            )
        return replace(mark, points=tuple(map(click, mark.points)), round=own)

    return replace(marks, marks=tuple(map(again, marks.marks)))


def whole(marks: Marks) -> Marks:
    """The same marks, with outlines told as one."""
    return replace(marks, marks=tuple(replace(mark, edges=mark.kind != "curve") for mark in marks.marks))


def table_marks(scene, points: int) -> Marks:
    """Things of a table, marked by so many points of each true outline, and by their rims as ellipses."""
    height, width = scene.pixels.shape[:2]
    marks = []
    for name, curve in scene.curves.items():
        inside = (curve > 1).all() and (curve < [width - 2, height - 2]).all()
        if (
            not inside
            or not name.endswith((": outline", ": left side", ": right side", ": base"))
            or np.ptp(curve, axis=0).max() < 40
        ):
            continue
        closed = bool(np.hypot(*(curve[0] - curve[-1])) < 6 and name.endswith("outline"))
        at = np.linspace(0, len(curve) - 1, points + closed).round().astype(int)[: points if closed else None]
        thing, what = name.split(": ")
        marks.append(Mark(f"{what} of the {thing}", "curve", tuple(map(tuple, curve[at].tolist())), closed=closed, part=(thing,)))
    return Marks("table", "", width, height, tuple(marks))


def run(scene, marks: Marks, hand: str, move, height_mm: float, sheet: str, seed: int) -> dict:
    """One sheet: errors (mm) by feature, gain of what was moved, items."""
    size = (210.0, 297.0) if sheet == "A4" else (297.0, 210.0)
    placed = place(scene, size, height_mm, 1.0)
    k = placed.mm_per_px
    warp = None if move is None else mistakes.moved(scene, (move[0], (move[1][0] / k, move[1][1] / k)))
    drawing = draw(scene, warp, hand=hand, placement=placed, seed=seed)
    photo = photograph(drawing, tilt_deg=2.0, megapixels=3.5, floor="wood", shadow=0.3, jpeg_quality=0, seed=seed)
    settings = with_marks(Settings(sheet=SheetSettings(size="x".join(f"{s:g}" for s in size) + "mm")), marks)
    found = comparison.compare(scene.pixels, photo.pixels, config=settings)
    errors, gains = {}, []
    for feature, located in zip(found.subject.features, found.located, strict=True):
        if not located.found:
            errors[feature.name] = None
            continue
        miss = located.points_mm - drawing.true_mm(feature.points)
        alone = len(feature.points) == 1
        # Along itself a line tells nothing.
        miss = np.hypot(*miss.T) if alone else (miss * geometry.normals(feature.points, feature.closed)).sum(1)
        errors[feature.name] = float(np.sqrt(np.mean(np.square(miss))))
    if move is not None:
        way = np.array(move[1]) / np.hypot(*move[1])
        for result, feature in zip(found.report.features, found.subject.features, strict=True):
            true = (drawing.true_mm(feature.points) - geometry.apply(placed.matrix, feature.points)).mean(0) @ way
            across = 1.0 if len(feature.points) < 2 else abs(geometry.normals(feature.points, feature.closed) @ way).mean()
            if result.found and true > 0.8 * np.hypot(*move[1]) and across > 0.5:
                gains.append(float(np.dot(result.off_mm, way) / true))
    items = [each.text for each in found.report.corrections]
    told = move is not None and any(move[2] in text for text in items)
    false = [text for text in items if move is None or move[2] not in text]
    return {"errors": errors, "gains": gains, "told": told, "false": false}


def show(title: str, sheets: list[dict], moves: list) -> None:
    """One line of the table."""
    errors = [e for sheet in sheets for e in sheet["errors"].values()]
    seen = np.array([e for e in errors if e is not None])
    gains = [g for sheet in sheets for g in sheet["gains"]]
    planted = [sheet for sheet, move in zip(sheets, moves, strict=True) if move is not None]
    perfect = [sheet for sheet, move in zip(sheets, moves, strict=True) if move is None]
    median, most = np.median(seen), np.quantile(seen, 0.95)
    print(
        f"{title:<10} found {len(seen):>3} of {len(errors):>3}  off {median:.2f} median {most:.2f} of 95 %"
        f"  gain {np.median(gains) if gains else float('nan'):.2f}  told {sum(s['told'] for s in planted)} of {len(planted)}"
        f"  beside it {sum(len(s['false']) for s in planted)}  on {len(perfect)} perfect {sum(len(s['false']) for s in perfect)}"
    )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hands", default="clean,restated,tonal,hatched")
    parser.add_argument("--clicks", type=float, default=1.5, help="slip of each click, px")
    parser.add_argument("--scenes", default="", help="rendered tables instead of the boat, by seed")
    parser.add_argument("--whole", action="store_true", help="outlines as one, not edge by edge")
    parser.add_argument("--verbose", action="store_true")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    for hand in arguments.hands.split(","):
        sheets, moves = [], []
        if arguments.scenes:
            for seed in map(int, arguments.scenes.split(",")):
                scene = rendered_table(seed)
                marks = slipped(table_marks(scene, 9), arguments.clicks, seed)
                sheets.append(run(scene, marks, hand, None, 150.0, "A4 across", seed))
                moves.append(None)
        else:
            scene, marks = toy_boat(), read_marks(get_demo("toy-boat").marks)
            for number, move in enumerate(BOAT_MOVES.values()):
                own = slipped(whole(marks) if arguments.whole else marks, arguments.clicks, 100 + number)
                sheets.append(run(scene, own, hand, move, 170.0, "A4", 100 + number))
                moves.append(move)
        if arguments.verbose:
            for sheet in sheets:
                print({n: None if e is None else round(e, 2) for n, e in sheet["errors"].items()}, sheet["false"])
        show(hand, sheets, moves)


if __name__ == "__main__":
    main()
