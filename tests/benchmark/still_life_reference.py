"""How far the still-life detector's outlines, ellipses and axes lie from the true ones, on rendered tables known exactly.

    python tests/benchmark/still_life_reference.py            # seeds kept for reporting (100 and above)
    python tests/benchmark/still_life_reference.py --seeds 1-9   # seeds to develop on
    python tests/benchmark/still_life_reference.py --boxes    # with each thing's box given, as the artist may

Lengths are in mm on a drawing in which the group is 160 mm high. "told apart": things found as one, by an overlap (intersection
over union) of 0.7 between the convex hulls of their features and of what is seen of them. Outlines are measured at the points
of the features handed over, to the nearest exact line of the thing; a feature counts when its thing was told apart. Axes of
fruit are left out: they are nearly round.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field

import cv2
import numpy as np
from featurediff_still_life.detector import StillLifeDetector
from featurediff_still_life.ellipses import fit_ellipse

from featurediff.api import Feature, Picture, Subject, SubjectError
from featurediff.testing.scenes import rendered_table

REPORT = range(100, 110)
HIGH = 160.0  # mm
TOLD_APART = 0.7
FRUIT = ("pear", "apple")


@dataclass
class Errors:
    """All that is measured over the scenes. Lengths in mm at `HIGH`, angles in degrees."""

    things: int = 0
    apart: int = 0
    made_up: int = 0
    rims: int = 0
    false_rims: int = 0
    openness: list[float] = field(default_factory=list)
    centre: list[float] = field(default_factory=list)
    width: list[float] = field(default_factory=list)
    tilt: list[float] = field(default_factory=list)
    lean: list[float] = field(default_factory=list)
    outline: dict[str, list[np.ndarray]] = field(default_factory=dict)
    seconds: list[float] = field(default_factory=list)
    rims_seen: int = 0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="", help="FIRST-LAST; default: the seeds kept for reporting")
    parser.add_argument("--boxes", action="store_true", help="give the detector the things' boxes")
    options = parser.parse_args()
    seeds = list(REPORT)
    if options.seeds:
        first, last = (int(part) for part in options.seeds.split("-"))
        seeds = list(range(first, last + 1))
    cv2.setNumThreads(1)
    errors = Errors()
    for seed in seeds:
        measure(seed, errors, options.boxes)
    print(f"{len(seeds)} rendered tables, seeds {seeds[0]}-{seeds[-1]}" + (", boxes given" if options.boxes else ""))
    show(errors)


def measure(seed: int, errors: Errors, boxes: bool) -> None:
    """Adds one scene's errors."""
    scene = rendered_table(seed)
    settings = {}
    if boxes:
        settings["objects"] = {thing.name: ",".join(str(v) for v in thing.box) for thing in scene.objects}
    started = time.process_time()
    try:
        subject = StillLifeDetector().find(Picture(scene.pixels, scene.name), settings)
    except SubjectError:
        subject = None
    errors.seconds.append(time.process_time() - started)
    errors.things += len(scene.objects)
    errors.rims_seen += sum("rim" in thing.ellipses for thing in scene.objects)
    if subject is None:
        return
    mm = HIGH / scene.size_px
    for label, features in by_thing(subject).items():
        thing = match(subject, features, scene)
        if thing is None:
            errors.made_up += 1
            continue
        errors.apart += 1
        for feature in features:
            if feature.kind == "ellipse":
                measure_rim(feature, thing, mm, errors)
            else:
                exact = np.vstack([scene.curves[name] for name in thing.lines])
                errors.outline.setdefault(sort_of(feature), []).append(distance(feature.points, exact) * mm)
        form = next((form for form in subject.forms if form.label == label), None)
        if form is not None and thing.axis is not None and thing.kind not in FRUIT:
            errors.lean.append(lean(form.axis) - lean(thing.axis))


def by_thing(subject: Subject) -> dict[str, list[Feature]]:
    """The features of each thing found."""
    found: dict[str, list[Feature]] = {}
    for feature in subject.features:
        parts = feature.part.split("/")
        if len(parts) > 2:
            found.setdefault(parts[1], []).append(feature)
    return found


def match(subject: Subject, features: list[Feature], scene):
    """The true thing whose seen part the features' hull overlaps best, if by `TOLD_APART`; both as convex hulls."""
    hull = filled(np.vstack([feature.points for feature in features]), scene.pixels.shape[:2])
    best, most = None, TOLD_APART
    for thing in scene.objects:
        rows, columns = np.nonzero(thing.mask)
        own = filled(np.column_stack([columns, rows]), scene.pixels.shape[:2])
        overlap = float((hull & own).sum() / (hull | own).sum())
        if overlap > most:
            best, most = thing, overlap
    return best


def filled(points: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """(h, w) bool: the convex hull of points."""
    canvas = np.zeros(shape, np.uint8)
    cv2.fillConvexPoly(canvas, cv2.convexHull(np.round(points).astype(np.int32)), 1)
    return canvas > 0


def measure_rim(feature: Feature, thing, mm: float, errors: Errors) -> None:
    true = thing.ellipses.get("rim")
    if true is None:
        errors.false_rims += 1
        return
    found = fit_ellipse(feature.points)
    errors.rims += 1
    errors.openness.append(found.openness - true.openness)
    errors.centre.append(float(np.hypot(*(found.centre - true.centre))) * mm)
    errors.width.append(2 * (found.long - true.long) * mm)
    errors.tilt.append((found.turn - true.angle_deg + 90) % 180 - 90)


def distance(points: np.ndarray, exact: np.ndarray) -> np.ndarray:
    """(n,) distance to the nearest exact point."""
    return np.sqrt(((points[:, None] - exact[None]) ** 2).sum(2)).min(1)


def sort_of(feature: Feature) -> str:
    """ "sides", "base", "handle or spout", "stem" or "outline"."""
    part = feature.part.split("/", 2)[2]
    for word, sort in (("side", "sides"), ("base", "base"), ("handle", "handle or spout"), ("stem", "stem")):
        if word in part:
            return sort
    return "outline"


def lean(axis: np.ndarray) -> float:
    """Degrees clockwise from plumb of an axis given by its foot and top."""
    across, up = axis[1] - axis[0]
    return float(np.degrees(np.arctan2(across, -up)))


def show(errors: Errors) -> None:
    print(f"told apart {errors.apart} of {errors.things}; found besides, or not well enough: {errors.made_up}")
    print(f"rims {errors.rims} of {errors.rims_seen}; ellipses on things that have none: {errors.false_rims}")
    rows = [("rim openness", errors.openness, ""), ("rim centre", errors.centre, "mm"), ("rim width", errors.width, "mm")]
    rows += [("rim tilt", errors.tilt, "deg"), ("axis lean", errors.lean, "deg")]
    rows += [(sort, np.concatenate(parts), "mm") for sort, parts in sorted(errors.outline.items())]
    pooled = [part for parts in errors.outline.values() for part in parts]
    rows += [("all outlines", np.concatenate(pooled), "mm")] if pooled else []
    print(f"{'':18s}{'n':>6s}{'median':>9s}{'95 %':>9s}")
    for name, values, unit in rows:
        if len(values):
            size = np.abs(values)
            print(f"{name:18s}{len(values):6d}{np.median(size):9.3f}{np.percentile(size, 95):9.3f} {unit}")
    print(f"time {np.median(errors.seconds):.2f} s of one core for each picture")


if __name__ == "__main__":
    main()
