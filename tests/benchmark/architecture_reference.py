"""How far the architecture detector's lines lie from the true ones, on rendered buildings whose edges are known exactly.

    python tests/benchmark/architecture_reference.py               # seeds kept for reporting (100 and above)
    python tests/benchmark/architecture_reference.py --seeds 1-9   # seeds to develop on
    python tests/benchmark/architecture_reference.py --speed       # time against picture size and number of lines

"found": share of the true edges of at least a quarter of the building's size that a line of the detector lies on. Where it lies
on the other edge of the same moulding, a few percent beside the edge whose place is known, the edge counts as found and the line
as "beside": its place cannot be judged. "false": lines on no true edge; "clutter": those on people, cars, posts and trees.
Position in % of the building's size, angles in degrees. "VP": angle at the picture's middle between the ways to the true and the
found vanishing point; "eye": height of the eye level there, % of the picture's height.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field, replace
from itertools import pairwise

import cv2
import numpy as np
from featurediff_architecture.detector import ArchitectureDetector
from featurediff_architecture.directions import Directions, find_directions
from featurediff_architecture.segments import find_lines, raw_segments
from featurediff_architecture.working import working_copy

from featurediff.api import Picture, Subject
from featurediff.geometry import rescale_matrix
from featurediff.testing.scenes import rendered_building

REPORT = range(100, 104)
KINDS = ("facade", "street", "corner", "tower", "arcade")
# A line lies on an edge: turned by less, and off by less than this share of the size, over this share of its own length.
TURNED, OFF, OVER = 3.0, 0.012, 0.5
MOULDING, MOULDING_TURNED = 0.045, 6.0
LONG = 0.25
STRAIGHT = ("vertical", "receding left", "receding right", "level", "slope")


@dataclass
class Scores:
    """Pooled over the scenes of one kind."""

    lines: list[int] = field(default_factory=list)
    openings: list[int] = field(default_factory=list)
    found: list[bool] = field(default_factory=list)
    beside: list[int] = field(default_factory=list)
    false: list[int] = field(default_factory=list)
    clutter: list[int] = field(default_factory=list)
    off: list[float] = field(default_factory=list)
    turned: list[float] = field(default_factory=list)
    vanishing: list[float] = field(default_factory=list)
    eye: list[float] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="", help="FIRST-LAST; default: the seeds kept for reporting")
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--list", action="store_true", help="name every false line")
    parser.add_argument("--speed", action="store_true")
    options = parser.parse_args()
    cv2.setNumThreads(2)
    if options.speed:
        speed()
        return
    seeds = list(REPORT)
    if options.seeds:
        first, last = (int(part) for part in options.seeds.split("-"))
        seeds = list(range(first, last + 1))
    print(f"rendered buildings, seeds {seeds[0]}-{seeds[-1]}")
    print(
        "kind      lines openings  found beside  false clutter  off %: med  p95  angle: med  p95  VP: med  max  eye %: med   cpu"
    )
    for kind in options.kinds.split(","):
        show(kind, measure(kind, seeds, options.list))


def measure(kind: str, seeds: list[int], name_false: bool = False) -> Scores:
    """Scores over the scenes of one kind."""
    detector, scores = ArchitectureDetector(), Scores()
    for seed in seeds:
        scene = rendered_building(seed, kind=kind)
        picture = Picture(scene.pixels, scene.name)
        start = time.process_time()
        subject = detector.find(picture, {})
        scores.seconds.append(time.process_time() - start)
        false = score_lines(scores, scene, subject)
        score_directions(scores, scene, directions_of(scene.pixels))
        if name_false and false:
            print(f"    {scene.name}: {'; '.join(false)}")
    return scores


def true_lines(scene) -> dict[str, tuple[str, np.ndarray]]:
    """Name -> (kind, ends (2, 2)) of the straight edges that are seen, and of clutter's outlines piece by piece."""
    found = {}
    for name, points in scene.curves.items():
        sort = scene.kinds[name]
        if sort in ("clutter", "window", "door", "arch"):
            pieces = pairwise(points)
            found |= {f"{name} {k}": (sort, np.array(piece)) for k, piece in enumerate(pieces)}
        elif sort in STRAIGHT:
            found[name] = (sort, points[[0, -1]])
    return found


def score_lines(scores: Scores, scene, subject: Subject) -> list[str]:
    """Adds one scene's lines; returns the names of false ones."""
    truth, size = true_lines(scene), scene.size_px
    segments = [feature for feature in subject.features if feature.kind == "segment"]
    hit: set[str] = set()
    false, clutter, beside = [], 0, 0
    for feature in segments:
        best = None
        for name, (sort, ends) in truth.items():
            fit = lies_on(feature.points, ends, OFF * size, TURNED)
            if fit is not None:
                hit.add(name)
                if best is None or fit[0] < best[0]:
                    best = (*fit, sort)
        if best is None:
            near = [n for n, (_, ends) in truth.items() if lies_on(feature.points, ends, MOULDING * size, MOULDING_TURNED)]
            hit.update(near)
            beside += bool(near)
            if not near:
                false.append(feature.name)
        elif best[2] == "clutter":
            clutter += 1
            false.append(f"{feature.name} (clutter)")
        else:
            scores.off.append(100 * best[0] / size)
            scores.turned.append(best[1])
    long = [n for n, (sort, ends) in truth.items() if sort in STRAIGHT and np.hypot(*(ends[1] - ends[0])) > LONG * size]
    scores.found += [name in hit for name in long]
    scores.false.append(len(false) - clutter)
    scores.clutter.append(clutter)
    scores.beside.append(beside)
    scores.lines.append(len(segments))
    scores.openings.append(sum(feature.closed for feature in subject.features))
    return false


def lies_on(line: np.ndarray, edge: np.ndarray, off: float, most: float) -> tuple[float, float] | None:
    """Mean distance in px and angle in degrees of a line (2, 2) within ``off`` px and ``most`` degrees of an edge; else None."""
    way = edge[1] - edge[0]
    length = float(np.hypot(*way))
    own = line[1] - line[0]
    if length < 1e-6:
        return None
    turned = abs((np.degrees(np.arctan2(own[1], own[0]) - np.arctan2(way[1], way[0])) + 90.0) % 180.0 - 90.0)
    way = way / length
    on = line[0] + np.linspace(0, 1, 21)[:, None] * own
    along, across = (on - edge[0]) @ way, np.abs((on - edge[0]) @ np.array([-way[1], way[0]]))
    beside = (along > -2 * off) & (along < length + 2 * off)
    if turned > most or beside.mean() < OVER or across[beside].max() > off:
        return None
    return float(across[beside].mean()), float(turned)


def directions_of(pixels: np.ndarray) -> Directions:
    """The detector's directions, in px of the picture."""
    working = working_copy(pixels)
    found = find_directions(find_lines(working), working.size)
    to_picture = rescale_matrix(1.0 / working.scale)

    def moved(direction):
        return None if direction is None else replace(direction, point=to_picture @ direction.point)

    eye = found.eye_level
    if eye is not None:
        eye = np.linalg.inv(to_picture).T @ eye
        eye = eye / np.hypot(*eye[:2])
    h, w = pixels.shape[:2]
    return Directions(moved(found.vertical), tuple(moved(d) for d in found.level), eye, (w, h))


def score_directions(scores: Scores, scene, found: Directions) -> None:
    """Adds the angles between true and found vanishing points, of those directions that the detector found."""
    h, w = scene.pixels.shape[:2]
    middle = np.array([[w / 2, h / 2]])
    pairs = [(found.vertical, scene.vanishing["z"])] if found.vertical is not None else []
    for direction in found.level[:2]:
        ways = {name: apart(direction.way(middle)[0], scene.vanishing[name], middle[0]) for name in "xy"}
        pairs.append((direction, scene.vanishing[min(ways, key=ways.get)]))
    scores.vanishing += [apart(direction.way(middle)[0], truth, middle[0]) for direction, truth in pairs]
    if found.eye_level is not None:
        true_y = scene.camera.eye_level_at(w / 2)
        scores.eye.append(100 * abs(float(found.eye_height(w / 2)) - true_y) / h)


def apart(way: np.ndarray, vanishing: np.ndarray, at: np.ndarray) -> float:
    """Degrees 0..90 between ``way`` (2,) and the way from ``at`` to a homogeneous point."""
    aim = vanishing[:2] - at * vanishing[2]
    return float(np.degrees(np.arccos(min(abs(float(way @ aim)) / max(np.hypot(*aim), 1e-9), 1.0))))


def show(kind: str, s: Scores) -> None:
    def at(values: list[float], share: float) -> float:
        return float(np.percentile(values, share)) if values else float("nan")

    cells = [
        f"{kind:9}{np.mean(s.lines):6.1f}{np.mean(s.openings):9.1f}{100 * np.mean(s.found):6.0f}%{np.mean(s.beside):7.1f}",
        f"{np.mean(s.false):7.2f}{np.mean(s.clutter):8.2f}{at(s.off, 50):13.2f}{at(s.off, 95):5.2f}",
        f"{at(s.turned, 50):12.2f}{at(s.turned, 95):5.2f}{at(s.vanishing, 50):9.2f}{at(s.vanishing, 100):5.1f}",
        f"{at(s.eye, 50):12.2f}{np.median(s.seconds):6.1f}",
    ]
    print("".join(cells))


def speed() -> None:
    """CPU time of the detector on one picture in growing sizes, and of line finding against the number of segments."""
    detector = ArchitectureDetector()
    scene = rendered_building(1, kind="street", size=(2000, 1500))
    for width in (1000, 2000, 4000):
        pixels = cv2.resize(scene.pixels, (width, width * 3 // 4), interpolation=cv2.INTER_CUBIC)
        spent = []
        for _ in range(3):
            start = time.process_time()
            detector.find(Picture(pixels, "x"), {})
            spent.append(time.process_time() - start)
        print(f"{width * width * 3 // 4 / 1e6:5.1f} megapixels: {min(spent):.2f} s of CPU")
    working = working_copy(scene.pixels)
    raw = raw_segments(working.grey)
    for share in (0.125, 0.25, 0.5, 1.0):
        some = raw[: int(share * len(raw))]
        spent = []
        for _ in range(3):
            start = time.process_time()
            find_directions(find_lines(working, some), working.size)
            spent.append(time.process_time() - start)
        print(f"{len(some):5} segments: {min(spent):.3f} s of CPU for lines and directions")


if __name__ == "__main__":
    main()
