"""Makes the shipped examples from the drawing simulator: ``python demo_cases/make.py [NAME]``.

Each example is a rendered scene that shows nobody and nowhere, drawn by a simulated hand with a few errors put in on purpose, and
photographed. ``--result`` runs each example instead and keeps the picture of its result (``result.jpg``), as README shows it;
``--page`` keeps pictures of its page, on a screen with a line of the list lit (``page.jpg``) and on paper (``printed.jpg``). That
needs Chromium and pdftoppm (Debian, Ubuntu: apt-get install chromium poppler-utils) and ``pip install ".[test]"``.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from featurediff_demo_cases import own_detector
from featurediff_demo_cases.sign import sign
from featurediff_demo_cases.toy_boat import toy_boat
from PIL import Image

from featurediff import geometry
from featurediff.sheet.sizes import parse_sheet
from featurediff.testing import building_mistakes, mistakes, table_mistakes
from featurediff.testing.camera import photograph
from featurediff.testing.fieldwarp import together
from featurediff.testing.hands import Placement, SimulatedSheet, draw, place
from featurediff.testing.scenes import Scene, rendered_building, rendered_face, rendered_table

HERE = Path(__file__).parent
RESULT_WIDTH_PX = 900
SCREEN_PX = (1280, 800)


@dataclass(frozen=True)
class Error:
    """One error put into the drawing, and how the answer tells it.

    ``features``: what the detector calls what is wrong (one of them is enough on the list). ``curves``: the scene's curves that
    are wrong, whose move or turn is told. ``said``: the error in words. ``turned``: told as a turn in degrees, not as a move.
    ``end``: "top" where only the curves' upper ends are wrong. ``flat``: told by the short axis of the curves, an ellipse.
    """

    features: tuple[str, ...]
    curves: tuple[str, ...]
    said: str
    turned: bool = False
    end: str = ""
    flat: bool = False


@dataclass(frozen=True)
class Example:
    """What to draw, how, and how to photograph it. Lengths in mm, angles in degrees.

    ``warp``: (scene, mm per px of it) -> all errors as one map of the reference. ``named``: the scene's things are given to the
    detector by name, as with --object.
    """

    name: str
    title: str
    story: str
    scene: Callable[[], Scene]
    warp: Callable
    sheet: str
    height_mm: float
    turn_deg: float
    hand: str
    tilt_deg: float
    floor: str
    errors: tuple[Error, ...]
    seed: int
    megapixels: float = 3.5
    named: bool = False


FERRY_PILOT = Example(
    name="ferry-pilot",
    title="The ferry pilot, A4",
    story="An invented pilot of an invented river ferry: a head of 160 mm in restated pencil lines on A4, "
    "photographed by hand on a wooden table.",
    scene=lambda: rendered_face(7),
    warp=lambda scene, k: mistakes.moved(scene, (("brow left",), (0.0, 3.0 / k)), (("lip",), (0.0, 3.5 / k))),
    sheet="A4",
    height_mm=160.0,
    turn_deg=2.0,
    hand="restated",
    tilt_deg=2.0,
    floor="wood",
    errors=(
        Error(("brow on the left",), ("brow left",), "The brow on the left is 3 mm low."),
        Error(("mouth line",), ("lip",), "The mouth is 3.5 mm low."),
    ),
    seed=7,
)

TALLOW_STREET = Example(
    name="tallow-street",
    title="The chandler's house in Tallow Street, a quarter of an imperial sheet",
    story="An invented house in an invented street, sketched from a photograph in restated pencil lines on 11 x 15 in, "
    "photographed by hand on a wooden table.",
    scene=lambda: rendered_building(3, "facade"),
    warp=lambda scene, k: together(
        building_mistakes.peak_lowered(scene, 4.0 / k),
        building_mistakes.column_moved(scene, 2, -3.0 / k),
        building_mistakes.window_moved(scene, 2, 4, (0.0, 3.0 / k)),
    ),
    sheet="15x11in",
    height_mm=150.0,
    turn_deg=-1.0,
    hand="restated",
    tilt_deg=2.0,
    floor="wood",
    errors=(
        Error(("left roof slope", "right roof slope"), ("gable slope",), "The peak of the gable is 4 mm low.", end="top"),
        Error(
            ("window 2 of the ground floor", "window 2 of the first floor", "window 2 of the second floor"),
            ("window 1-2", "window 2-2", "window 3-2"),
            "The second window column stands 3 mm too far left.",
        ),
        Error(("window 4 of the first floor",), ("window 2-4",), "Window 4 of the first floor is 3 mm low."),
    ),
    seed=3,
    megapixels=4.5,
)

BEEKEEPERS_TABLE = Example(
    name="beekeepers-table",
    title="The beekeeper's table, A4",
    story="An invented table in an invented beekeeper's kitchen: a jug, a bowl, a vase and fruit in clean pencil lines on A4, "
    "photographed by hand on a cloth.",
    scene=lambda: rendered_table(8),
    warp=lambda scene, k: table_mistakes.together(
        table_mistakes.rim_flat(scene, k, "jug", 0.28 / 0.36),
        table_mistakes.object_moved(scene, k, "pear", (-4.0, 0.0)),
        table_mistakes.axis_leaning(scene, k, "vase", 3.0),
    ),
    sheet="297x210mm",
    height_mm=160.0,
    turn_deg=0.0,
    hand="clean",
    tilt_deg=2.0,
    floor="cloth",
    errors=(
        Error(
            ("left side of the vase", "right side of the vase"),
            ("vase: axis",),
            "The axis of the vase leans 3 degrees to the right.",
            turned=True,
        ),
        Error(
            ("left side of the pear", "right side of the pear"),
            ("pear: outline",),
            "The pear stands 4 mm too far left.",
        ),
        Error(("rim of the jug",), ("jug: rim",), "The rim of the jug is too flat: FLAT.", flat=True),
    ),
    seed=8,
    named=True,
)

# Compared by marks alone: marks.yaml in its folder was made by hand, as an artist would on the page of `featurediff mark`.
TOY_BOAT = Example(
    name="toy-boat",
    title="A painted toy boat, A4",
    story="An invented toy on an invented shelf, which no detector knows: what is looked for was marked on the reference, in "
    "marks.yaml. Drawn in restated pencil lines, photographed by hand on a wooden table.",
    scene=toy_boat,
    warp=lambda scene, k: mistakes.moved(scene, (("porthole 3",), (0.0, -3.0 / k)), (("jib",), (-3.5 / k, 0.0))),
    sheet="A4",
    height_mm=170.0,
    turn_deg=1.5,
    hand="restated",
    tilt_deg=2.0,
    floor="wood",
    errors=(
        Error(
            ("left edge of the jib", "right edge of the jib", "lower edge of the jib"),
            ("jib",),
            "The jib, the sail on the left, stands 3.5 mm too far left.",
        ),
        Error(("porthole on the right",), ("porthole 3",), "The porthole on the right is 3 mm high."),
    ),
    seed=5,
)

COT_SIGN = Example(
    name="cot-sign",
    title="Lettering on a painted sign, A4 across",
    story="An invented sign with three letters, whose edges were marked on the reference in marks.yaml. Drawn in clean pencil "
    "lines, photographed by hand on a cloth.",
    scene=sign,
    warp=lambda scene, k: mistakes.moved(scene, (("O",), (4.0 / k, 0.0)), (("T",), (0.0, -3.0 / k))),
    sheet="297x210mm",
    height_mm=120.0,
    turn_deg=-1.0,
    hand="clean",
    tilt_deg=2.0,
    floor="cloth",
    errors=(
        Error(("outside of the O", "inside of the O"), ("O",), "The O stands 4 mm too far right."),
        Error(("upper edge of the T", "lower edge of the T in the middle"), ("T",), "The T is 3 mm high."),
    ),
    seed=4,
)

EXAMPLES = {
    "faces": (FERRY_PILOT,),
    "architecture": (TALLOW_STREET,),
    "still-life": (BEEKEEPERS_TABLE,),
    "marks": (TOY_BOAT, COT_SIGN),
}


def make(subject: str, example: Example) -> None:
    """Write reference.jpg, drawing.jpg and answer.json of one example."""
    folder = HERE / subject / example.name
    folder.mkdir(parents=True, exist_ok=True)
    scene = example.scene()
    placement = place(scene, parse_sheet(example.sheet), example.height_mm, example.turn_deg)
    warp = example.warp(scene, placement.mm_per_px)
    drawing = draw(scene, warp, hand=example.hand, placement=placement, seed=example.seed)
    photo = photograph(
        drawing,
        tilt_deg=example.tilt_deg,
        tilt_axis_deg=20.0,
        megapixels=example.megapixels,
        floor=example.floor,
        shadow=0.3,
        jpeg_quality=0,
        seed=example.seed,
    )
    Image.fromarray(scene.pixels).save(folder / "reference.jpg", quality=88)
    Image.fromarray(photo.pixels).save(folder / "drawing.jpg", quality=84)
    answer = answer_of(scene, example, drawing, placement)
    (folder / "answer.json").write_text(json.dumps(answer, indent=2) + "\n", encoding="utf-8")


def answer_of(scene: Scene, example: Example, drawing: SimulatedSheet, placement: Placement) -> dict:
    """What the drawing truly holds: per error, where it lies on the sheet and how far off it is (x right, y down, clockwise)."""
    moves = [_move(scene, error, drawing, placement) for error in example.errors]
    return {
        "title": example.title,
        "story": example.story,
        "sheet": example.sheet,
        "height_mm": example.height_mm,
        "turn_deg": example.turn_deg,
        "tilt_deg": example.tilt_deg,
        **({"objects": [_box(thing, scene.size_px) for thing in scene.objects]} if example.named else {}),
        "expected": [_said(error, move) for error, move in zip(example.errors, moves, strict=True)],
        "moves": moves,
    }


def _box(thing, size_px: float) -> str:
    """A thing as the artist names it: a box drawn by hand, a little larger than the thing."""
    more = 0.02 * size_px
    left, top, width, height = thing.box
    return f"{thing.name}:{left - more:.0f},{top - more:.0f},{width + 2 * more:.0f},{height + 2 * more:.0f}"


def _said(error: Error, move: dict) -> str:
    if not error.flat:
        return error.said
    drawn, right = (round(value) for value in move["short_mm"])
    return error.said.replace("FLAT", f"its short axis measures {drawn} mm, not {right} mm")


def _move(scene: Scene, error: Error, drawing: SimulatedSheet, placement: Placement) -> dict:
    lines = {**scene.curves, **scene.landmarks}
    curves = [curve for name, curve in lines.items() if any(word in name for word in error.curves)]
    if error.end == "top":
        curves = [curve[[curve[:, 1].argmin()]] for curve in curves]
    points = np.vstack(curves)
    right, drawn = geometry.apply(placement.matrix, points), drawing.true_mm(points)
    told = {"features": list(error.features), "at_mm": _rounded(drawn.mean(0))}
    if error.flat:
        return {**told, "short_mm": _rounded([_short_axis(drawn), _short_axis(right)])}
    if error.turned:
        return {**told, "turn_deg": _rounded([_slant(drawn) - _slant(right)])[0]}
    return {**told, "off_mm": _rounded((drawn - right).mean(0))}


def _short_axis(points: np.ndarray) -> float:
    """Extent of an ellipse's outline (n, 2) along its short axis."""
    arm = points - points.mean(0)
    return float(np.ptp(arm @ np.linalg.svd(arm, full_matrices=False)[2][1]))


def _slant(points: np.ndarray) -> float:
    """Direction in degrees of the straight line through points (n, 2) that run along it."""
    way = points[-1] - points[0]
    return float(np.degrees(np.arctan2(way[1], way[0])))


def _rounded(values: Sequence[float]) -> list[float]:
    return [round(float(value), 2) for value in values]


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


def keep_page(subject: str, example: Example) -> None:
    """Run one example and keep pictures of its page on a screen and on paper, small enough for README."""
    from tempfile import TemporaryDirectory

    from featurediff.cli import main

    with TemporaryDirectory() as out:
        if main(["demo", example.name, "--out", out]) != 0:
            raise SystemExit(f"{example.name} failed")
        _photograph_page(Path(out))
        for name in ("page", "printed"):
            picture = Image.open(Path(out) / f"{name}.png").convert("RGB")
            picture.save(HERE / subject / example.name / f"{name}.jpg", quality=82, optimize=True)


def _photograph_page(out: Path) -> None:
    """Open report.html of the folder in Chromium; leave page.png, its first line chosen, and printed.png there."""
    import os
    import shutil
    import subprocess

    from playwright.sync_api import sync_playwright

    chromium, to_picture = shutil.which("chromium") or shutil.which("chromium-browser"), shutil.which("pdftoppm")
    if not chromium or not to_picture:
        raise SystemExit("Chromium or pdftoppm is missing: apt-get install chromium poppler-utils")
    with sync_playwright() as driver:
        # Chromium refuses to be run by the superuser in its sandbox, as containers do.
        root = hasattr(os, "geteuid") and os.geteuid() == 0
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"] if root else [])
        size = dict(zip(("width", "height"), SCREEN_PX, strict=True))
        page = browser.new_context(viewport=size, reduced_motion="reduce").new_page()
        page.goto((out / "report.html").as_uri())
        page.pdf(path=out / "printed.pdf", prefer_css_page_size=True)
        page.locator("#fix-1 a.line").click()
        page.screenshot(path=out / "page.png")
        browser.close()
    subprocess.run([to_picture, "-r", "100", "-png", "-singlefile", out / "printed.pdf", out / "printed"], check=True)


def main() -> None:
    """Make all examples, or the one named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("name", nargs="?", help="only this example")
    parser.add_argument("--result", action="store_true", help="run the examples and keep the pictures of their results")
    parser.add_argument("--page", action="store_true", help="run the examples and keep pictures of their pages")
    arguments = parser.parse_args()
    run = keep_result if arguments.result else keep_page if arguments.page else make
    for subject, examples in EXAMPLES.items():
        for example in examples:
            if arguments.name in (None, example.name):
                run(subject, example)
    if run is make and arguments.name in (None, "hands"):
        own_detector.make(HERE / "detectors" / "hands")


if __name__ == "__main__":
    main()
