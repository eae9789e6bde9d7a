"""How the time of matching grows with the number of straight lines: it must not grow worse than linearly.

    python tests/benchmark/lines_speed.py                 # 10 to 160 lines
    python tests/benchmark/lines_speed.py --lines 20 40   # these numbers

The subject is a lattice of lines of unlike tone, drawn as pencil lines on A4 and handed to `match` without any guess. CPU time is
that of this process, the least of three runs; it is steadier than wall time where others share the machine.
"""

from __future__ import annotations

import argparse
import time

import cv2
import numpy as np

from featurediff.matching.match import match
from featurediff.records import Feature, Subject

REFERENCE = (1500, 1200)
SHEET = (1782, 1260)
PX_PER_MM = 6.0
RUNS = 3
# From 10 to 160 lines, time may grow by at most the number's factor times this; less, as registration costs the same for all.
SLACK = 1.1


def main() -> None:
    """Measure and print the curve."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, nargs="+", default=[10, 20, 40, 80, 160])
    numbers = sorted(parser.parse_args().lines)
    print(f"{'lines':>6} {'CPU s':>7} {'of which registration':>22} {'locating, ms a line':>20} {'found':>6}")
    spent = {}
    for number in numbers:
        total, registering, found = measured(number)
        spent[number] = total
        print(f"{number:6d} {total:7.2f} {registering:22.2f} {1000 * (total - registering) / number:20.1f} {found:6d}")
    growth, factor = spent[numbers[-1]] / spent[numbers[0]], numbers[-1] / numbers[0]
    verdict = "no worse than linear" if growth <= SLACK * factor else "WORSE THAN LINEAR"
    print(f"{factor:.0f} times the lines cost {growth:.1f} times the time: {verdict}.")


def measured(number: int) -> tuple[float, float, int]:
    """CPU time in s of one match, the part of it that registration takes, and how many lines were found."""
    subject, reference, drawing = scene(number)
    best = (np.inf, np.inf, 0)
    for _ in range(RUNS):
        laps: dict[str, float] = {}
        start = time.process_time()
        _, located = match(
            subject, reference, drawing, PX_PER_MM, (), lambda name, laps=laps: laps.setdefault(name, time.process_time())
        )
        total = time.process_time() - start
        best = min(best, (total, laps["register"] - start, sum(place.found for place in located)))
    return best


def scene(number: int) -> tuple[Subject, np.ndarray, np.ndarray]:
    """A subject of ``number`` lines, its reference and its drawing, grey float32 in 0..1."""
    rng = np.random.default_rng(number)
    lines = lattice(number, rng)
    reference = np.full(REFERENCE, 0.8, np.float32)
    for line, tone in zip(lines, rng.uniform(0.1, 0.5, number), strict=True):
        pair = np.round(line * 16).astype(int).tolist()
        cv2.line(reference, pair[0], pair[1], float(tone), 3, cv2.LINE_AA, 4)
    reference += rng.normal(0, 0.01, REFERENCE).astype(np.float32)
    drawing = np.full(SHEET, 0.92, np.float32)
    for line in lines:
        pair = np.round((line * 0.8 + [150, 250] + rng.normal(0, 3, (2, 2))) * 16).astype(int).tolist()
        cv2.line(drawing, pair[0], pair[1], 0.35, 3, cv2.LINE_AA, 4)
    drawing += rng.normal(0, 0.01, SHEET).astype(np.float32)
    features = tuple(Feature(f"line {k + 1}", f"lines/{k + 1}", "segment", line, slides=True) for k, line in enumerate(lines))
    low, high = np.vstack(lines).min(0), np.vstack(lines).max(0)
    region = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    return Subject(features, float(high[1] - low[1]), "height", region), reference, drawing


def lattice(number: int, rng: np.random.Generator) -> list[np.ndarray]:
    """Lines (2, 2) px in two directions, unlike in length, spread over the same area whatever their number."""
    side = int(np.ceil(np.sqrt(number / 2)))
    cell = np.array([1000.0, 1200.0]) / side
    lines = []
    for k in range(number):
        row, column = divmod(k // 2, side)
        at = np.array([100.0, 150.0]) + cell * [column, row] + cell * rng.uniform(0.1, 0.3, 2)
        length = cell[k % 2] * rng.uniform(0.6, 0.9)
        lean = rng.uniform(-0.15, 0.15) * length
        lines.append(np.stack([at, at + ([length, lean] if k % 2 == 0 else [lean, length])]))
    return lines


if __name__ == "__main__":
    main()
