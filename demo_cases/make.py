"""Makes the shipped examples from the drawing simulator: ``python demo_cases/make.py [NAME]``.

Each example is a rendered face that belongs to nobody, drawn by a simulated hand with a few errors put in on purpose, and
photographed. ``--result`` runs each example instead and keeps the picture of its result (``result.jpg``), as README shows it.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

from featurediff import geometry
from featurediff.sheet.sizes import parse_sheet
from featurediff.testing.camera import photograph
from featurediff.testing.hands import draw, place
from featurediff.testing.scenes import Scene, rendered_face
from featurediff.testing.warp import Move, Warp

HERE = Path(__file__).parent
RESULT_WIDTH_PX = 900


@dataclass(frozen=True)
class Error:
    """One error put into the drawing.

    All curves of the scene whose names hold ``word``, or one ``end`` of them ("left", "right"), lie ``off_mm`` (x, y) from where
    they belong, along the head's own axes. ``feature``: what the detector calls it. ``said``: the error in words.
    """

    feature: str
    word: str
    off_mm: tuple[float, float]
    said: str
    end: str = ""


@dataclass(frozen=True)
class Example:
    """What to draw, how, and how to photograph it. Lengths in mm, angles in degrees."""

    name: str
    title: str
    story: str
    face: int
    sheet: str
    head_mm: float
    turn_deg: float
    hand: str
    tilt_deg: float
    floor: str
    errors: tuple[Error, ...]
    megapixels: float = 3.5


FERRY_PILOT = Example(
    name="ferry-pilot",
    title="The ferry pilot, A4",
    story="An invented pilot of an invented river ferry: a head of 160 mm in restated pencil lines on A4, "
    "photographed by hand on a wooden table.",
    face=7,
    sheet="A4",
    head_mm=160.0,
    turn_deg=2.0,
    hand="restated",
    tilt_deg=2.0,
    floor="wood",
    errors=(
        Error("brow on the left", "brow left", (0.0, 3.0), "The brow on the left is 3 mm low."),
        Error("mouth line", "lip", (0.0, 3.5), "The mouth is 3.5 mm low."),
    ),
)

EXAMPLES = {"faces": (FERRY_PILOT,)}


def make(subject: str, example: Example) -> None:
    """Write reference.jpg, drawing.jpg and answer.json of one example."""
    folder = HERE / subject / example.name
    folder.mkdir(parents=True, exist_ok=True)
    scene = rendered_face(example.face)
    sheet_mm = parse_sheet(example.sheet)
    placement = place(scene, sheet_mm, example.head_mm, example.turn_deg)
    warp = warp_of(scene, example.errors, placement.mm_per_px)
    drawing = draw(scene, warp, hand=example.hand, placement=placement, seed=example.face)
    photo = photograph(
        drawing,
        tilt_deg=example.tilt_deg,
        tilt_axis_deg=20.0,
        megapixels=example.megapixels,
        floor=example.floor,
        shadow=0.3,
        jpeg_quality=0,
        seed=example.face,
    )
    Image.fromarray(scene.pixels).save(folder / "reference.jpg", quality=88)
    Image.fromarray(photo.pixels).save(folder / "drawing.jpg", quality=84)
    answer = answer_of(scene, example, warp, placement)
    (folder / "answer.json").write_text(json.dumps(answer, indent=2) + "\n", encoding="utf-8")


def warp_of(scene: Scene, errors: Sequence[Error], mm_per_px: float) -> Warp:
    """The errors as one smooth map of the reference; all other curves stay."""
    moves, moved = [], set()
    for error in errors:
        shift = (error.off_mm[0] / mm_per_px, error.off_mm[1] / mm_per_px)
        names = curves_of(scene, error)
        moves += [Move(points_of(scene, name, error.end), shift) for name in names]
        moved |= set(names)
    still = [curve for name, curve in scene.curves.items() if name not in moved]
    still += [other_part(scene, name, error.end) for error in errors if error.end for name in curves_of(scene, error)]
    return Warp(moves, np.vstack(still), scene.pixels.shape[:2])


def curves_of(scene: Scene, error: Error) -> list[str]:
    """The names of the curves that an error moves."""
    return [name for name in scene.curves if error.word in name]


def points_of(scene: Scene, name: str, end: str) -> np.ndarray:
    """(n, 2) px: a whole curve, or its last point at one end."""
    curve = scene.curves[name]
    if not end:
        return curve
    return curve[[curve[:, 0].argmax() if end == "right" else curve[:, 0].argmin()]]


def other_part(scene: Scene, name: str, end: str) -> np.ndarray:
    """(n, 2) px: the half of a curve away from ``end``, which stays; in between it bends."""
    curve = scene.curves[name]
    middle = curve[:, 0].mean()
    return curve[curve[:, 0] < middle] if end == "right" else curve[curve[:, 0] > middle]


def answer_of(scene: Scene, example: Example, warp: Warp, placement) -> dict:
    """What the drawing truly holds: per error, where the feature lies on the sheet and how far off it is (x right, y down)."""
    moves = []
    for error in example.errors:
        points = np.vstack([points_of(scene, name, error.end) for name in curves_of(scene, error)])
        right, drawn = geometry.apply(placement.matrix, points), geometry.apply(placement.matrix, warp.apply(points))
        moves.append(
            {
                "feature": error.feature,
                "at_mm": [round(float(v), 2) for v in drawn.mean(0)],
                "off_mm": [round(float(v), 2) for v in (drawn - right).mean(0)],
            }
        )
    return {
        "title": example.title,
        "story": example.story,
        "sheet": example.sheet,
        "head_mm": example.head_mm,
        "turn_deg": example.turn_deg,
        "tilt_deg": example.tilt_deg,
        "expected": [error.said for error in example.errors],
        "moves": moves,
    }


def keep_result(subject: str, example: Example) -> None:
    """Run one example and keep the picture of the report, small enough for README."""
    from tempfile import TemporaryDirectory

    from featurediff.cli import main

    with TemporaryDirectory() as out:
        if main(["demo", example.name, "--out", out]) != 0:
            raise SystemExit(f"{example.name} failed")
        picture = Image.open(Path(out) / "report.png").convert("RGB")
    height = round(picture.height * RESULT_WIDTH_PX / picture.width)
    small = picture.resize((RESULT_WIDTH_PX, height), Image.Resampling.LANCZOS)
    small.save(HERE / subject / example.name / "result.jpg", quality=85, optimize=True)


def main() -> None:
    """Make all examples, or the one named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("name", nargs="?", help="only this example")
    parser.add_argument("--result", action="store_true", help="run the examples and keep the pictures of their results")
    arguments = parser.parse_args()
    for subject, examples in EXAMPLES.items():
        for example in examples:
            if arguments.name in (None, example.name):
                (keep_result if arguments.result else make)(subject, example)


if __name__ == "__main__":
    main()
