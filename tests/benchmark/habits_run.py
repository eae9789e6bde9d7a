"""Habits in whole pictures: first drawings of several faces, each with the same tendency put in, and what is told of them.

    python tests/benchmark/habits_run.py                       # six faces kept for reporting
    python tests/benchmark/habits_run.py --faces 1,3,5,7       # faces to develop on

    python tests/benchmark/habits_run.py --chance              # only the last table: half a minute

Four artists: one draws the eyes high (2 % of the head height, standard deviation 0.3 %), one the head narrow (4 %, 0.8 %), one
leans it left (3 degrees, 0.5), one errs at random (2 mm) without a habit. A4 and A3 in turn, three hands, tilts up to 3 degrees.
The last table is about measures alone, without pictures: invented masks whose every part errs by 1.5 % at random, and the same
with one pair of parts 2.5 % high (0.7 %), how often a habit is told of them.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
from pathlib import Path

ARTISTS = ("eyes high", "head narrow", "leaning left", "no habit")
FACES = "100,101,103,104,106,107"
HANDS = ("clean", "restated", "tonal")
SHEETS = (("A3", (297.0, 420.0), 220.0), ("A4", (210.0, 297.0), 160.0))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--faces", default=FACES)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--chance", action="store_true")
    options = parser.parse_args()
    if not options.chance:
        pictures(options)
    chance()
    return 0


def pictures(options: argparse.Namespace) -> None:
    """Draw, photograph, compare, tell."""
    faces = [int(face) for face in options.faces.split(",")]
    todo = [(artist, k, face) for artist in ARTISTS for k, face in enumerate(faces)]
    found: dict[str, list] = {artist: [] for artist in ARTISTS}
    # OpenCV's threads and fork deadlock: spawn.
    with multiprocessing.get_context("spawn").Pool(options.workers) as pool:
        for count, (artist, report) in enumerate(pool.imap(run, todo, chunksize=2), start=1):
            found[artist].append(report)
            print(f"\r{count}/{len(todo)} sheets", end="", file=sys.stderr, flush=True)
    show(found)


def run(case):
    """(artist, report as JSON holds it) of one first drawing, or None where it was not compared."""
    import cv2
    import numpy as np

    from featurediff.comparison import check
    from featurediff.errors import CompareError
    from featurediff.testing.camera import photograph
    from featurediff.testing.hands import draw, place
    from featurediff.testing.scenes import rendered_face

    cv2.setNumThreads(1)
    artist, k, face = case
    scene = rendered_face(face, size=(800, 1000))
    name, size, height = SHEETS[k % 2]
    placement = place(scene, size, height)
    warp = drawn_by(artist, scene, placement.mm_per_px, height, np.random.default_rng([ARTISTS.index(artist), k]))
    drawing = draw(scene, warp, hand=HANDS[k % 3], placement=placement, seed=k)
    photo = photograph(drawing, megapixels=5.0, tilt_deg=1.0 + k % 3, tilt_axis_deg=37.0 * k, seed=k)
    try:
        return artist, check(scene.pixels, photo.pixels, subject="faces", sheet=name).to_dict()
    except CompareError as error:
        print(f"\nnot compared: {case}: {error}", file=sys.stderr)
        return artist, None


def drawn_by(artist: str, scene, mm_per_px: float, height_mm: float, rng):
    """What an artist makes of a scene."""
    import numpy as np

    from featurediff.testing import mistakes

    x0, y0 = scene.centre_px
    if artist == "eyes high":
        up = (0, -rng.normal(0.02, 0.003) * height_mm / mm_per_px)
        return mistakes.moved(scene, (mistakes.eye("left"), up), (mistakes.eye("right"), up))
    if artist == "head narrow":
        share = rng.normal(-0.04, 0.008)
        return mistakes.bent(scene, lambda p: np.column_stack([(p[:, 0] - x0) * share, np.zeros(len(p))]))
    if artist == "leaning left":
        slope = np.tan(np.radians(rng.normal(3.0, 0.5)))
        return mistakes.bent(scene, lambda p: np.column_stack([(p[:, 1] - y0) * slope, np.zeros(len(p))]))
    return mistakes.careless(scene, 2.0 / mm_per_px, int(rng.integers(1000)))


def show(found: dict[str, list]) -> None:
    from featurediff.habits import words
    from featurediff.habits.reading import drawn
    from featurediff.habits.tendencies import habits

    for artist, reports in found.items():
        drawings = [drawn(report, artist) for report in reports if report is not None]
        print(f"\n{artist}: {len(drawings)} of {len(reports)} sheets compared")
        for each in habits(drawings):
            print("\n".join(f"  {words.sentence(one, each)}" for one in each.told) or "  no habit told")


def chance(runs: int = 150) -> None:
    """How often a habit is told where there is none, and where there is one, by the number of drawings."""
    import numpy as np

    from featurediff.habits.reading import drawn
    from featurediff.habits.tendencies import habits

    sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
    from habits_kit import HOLES, PLACES, report

    def told(count: int, high: float, rng):
        drawings = []
        for _ in range(count):
            own = rng.normal(high, 0.3 * high)
            off = {name: tuple(rng.normal(0, 1.5, 2) - ((0, own) if name in HOLES else (0, 0))) for name in PLACES}
            drawings.append(drawn(report(off, seed=int(rng.integers(1 << 30))), "x"))
        return [(each.label, each.measure) for each in habits(drawings)[0].told]

    print(f"\ndrawings   told without a habit   told with one, the right one   of {runs} artists each")
    for count in (4, 5, 6, 8, 12):
        rng = np.random.default_rng(count)
        false = sum(bool(told(count, 0.0, rng)) for _ in range(runs))
        right = sum(("holes", "down") in told(count, 2.5, rng) for _ in range(runs))
        print(f"{count:8d} {100 * false / runs:20.1f} % {100 * right / runs:26.0f} %")


if __name__ == "__main__":
    sys.exit(main())
