"""A class of sheets of one reference, compared with one worker and with several: time, memory, and what it says they share.

    python tests/benchmark/class_run.py                # 30 sheets of a face kept for reporting, 12 megapixels each
    python tests/benchmark/class_run.py --sheets 6 --face 21 --megapixels 4

Two of three sheets have the eyes 3 to 4 mm high, nothing else is wrong; five hands, tilts up to 3 degrees. Each run is the
command `featurediff check REFERENCE FOLDER` in a folder of its own, so it includes starting Python and loading the models.
Memory is that of all its processes together, pages that they share counted once (Pss of the kernel's smaps_rollup), ten times
a second; Linux only.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HANDS = ("clean", "restated", "tonal", "hatched", "faint")
FACE = 100


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sheets", type=int, default=30)
    parser.add_argument("--face", type=int, default=FACE)
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--workers", default="1,2", help="numbers of workers to compare")
    parser.add_argument("--keep", type=Path, help="make or find the sheets in this folder")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.keep or Path(temporary)
        make(folder, options)
        rows = [run(folder, int(workers), Path(temporary) / f"out-{workers}") for workers in options.workers.split(",")]
    show(rows, options)
    return 0


# ---------------------------------------------------------------- the sheets


def make(folder: Path, options: argparse.Namespace) -> None:
    """Draw and photograph what is not there yet."""
    (folder / "sheets").mkdir(parents=True, exist_ok=True)
    todo = [(folder, k, options) for k in range(options.sheets) if not (folder / "sheets" / f"pupil-{k:02d}.jpg").exists()]
    # OpenCV's threads and fork deadlock: spawn.
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        for count, _ in enumerate(pool.imap_unordered(make_one, todo), start=1):
            print(f"\r{count}/{len(todo)} sheets drawn", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)


def high(k: int) -> bool:
    """Whether sheet ``k`` has its eyes high."""
    return k % 3 != 2


def make_one(case) -> None:
    import cv2
    import numpy as np
    from PIL import Image

    from featurediff.testing import mistakes
    from featurediff.testing.camera import photograph
    from featurediff.testing.hands import draw, place
    from featurediff.testing.scenes import rendered_face

    cv2.setNumThreads(1)
    folder, k, options = case
    scene = rendered_face(options.face)
    placement = place(scene)
    up = -(3.0 + np.random.default_rng(k).uniform()) / placement.mm_per_px
    eyes = [(mistakes.eye(side), (0, up)) for side in ("left", "right")]
    warp = mistakes.moved(scene, *eyes) if high(k) else None
    drawing = draw(scene, warp, hand=HANDS[k % len(HANDS)], placement=placement, seed=k)
    photo = photograph(drawing, megapixels=options.megapixels, tilt_deg=1.0 * (k % 4), tilt_axis_deg=37.0 * k, seed=k)
    Image.fromarray(photo.pixels).save(folder / "sheets" / f"pupil-{k:02d}.jpg", quality=90)
    if k == 0:
        Image.fromarray(scene.pixels).save(folder / "photo.jpg", quality=92)


# ---------------------------------------------------------------- the runs


def run(folder: Path, workers: int, out: Path) -> dict:
    """One class run: seconds, peak memory in MB, processor seconds, what it says."""
    command = [sys.executable, "-m", "featurediff", "check", str(folder / "photo.jpg"), str(folder / "sheets")]
    command += ["--subject", "faces", "--sheet", "A4", "--out", str(out), "--workers", str(workers)]
    before, load = os.times(), os.getloadavg()[0]
    begun = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True)
    peak = 0
    while process.poll() is None:
        peak = max(peak, memory_of(process.pid))
        time.sleep(0.1)
    seconds = time.perf_counter() - begun
    printed, told = process.communicate()
    if process.returncode:
        raise SystemExit(told)
    after = os.times()
    busy = after.children_user + after.children_system - before.children_user - before.children_system
    data = json.loads((out / "class.json").read_text())
    return {"workers": workers, "seconds": seconds, "peak": peak / 1e6, "busy": busy, "load": load, "said": printed, "data": data}


def memory_of(session: int) -> int:
    """Bytes of all processes of a session, shared pages counted once."""
    total = 0
    for path in Path("/proc").iterdir():
        if not path.name.isdecimal():
            continue
        try:
            if os.getsid(int(path.name)) != session:
                continue
            lines = (path / "smaps_rollup").read_text().splitlines()
        except OSError:  # ended meanwhile
            continue
        total += sum(int(line.split()[1]) * 1024 for line in lines if line.startswith("Pss:"))
    return total


def show(rows: list[dict], options: argparse.Namespace) -> None:
    print(f"{options.sheets} sheets of {options.megapixels:g} megapixels, {os.cpu_count()} cores\n")
    print("workers   seconds   a sheet   times as fast   processor s   peak MB   load before")
    for row in rows:
        faster = rows[0]["seconds"] / row["seconds"]
        each = row["seconds"] / options.sheets
        print(
            f"{row['workers']:7d} {row['seconds']:9.1f} {each:9.2f} {faster:15.2f} {row['busy']:13.1f} {row['peak']:9.0f} "
            f"{row['load']:13.1f}"
        )
    planted = sum(high(k) for k in range(options.sheets))
    print(f"\nplanted: eyes high on {planted} of {options.sheets}; said:")
    print("\n".join(line for line in rows[-1]["said"].splitlines() if " drew " in line) or "  nothing shared")
    same = all(row["data"] == rows[0]["data"] for row in rows)
    print(f"the same result with every number of workers: {'yes' if same else 'NO'}")


if __name__ == "__main__":
    sys.exit(main())
