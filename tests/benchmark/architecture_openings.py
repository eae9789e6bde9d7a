"""Openings of rendered buildings: share found, false ones, and how far their corners lie from the exact ones.

    python tests/benchmark/architecture_openings.py --seeds 1-9 [--kinds facade,street] [--pictures FOLDER]

Seeds below 100 are for development, from 100 on for reporting. The facade planes are given exactly (what finds them is measured
elsewhere). An exact opening counts as found when an outline shares 40 % of the joint area with it (the frame deep in its reveal,
or its surround, do), and as outer when one shares 60 %; corners are compared for these. A found one is false when it shares
less than 40 % with every exact one, those hidden in part by trees included.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import cv2
import numpy as np
from featurediff_architecture.windows import find_openings

from featurediff.geometry import apply
from featurediff.testing.scenes import rendered_building

KINDS = ("facade", "street", "corner", "tower", "arcade")
OPENINGS = ("window", "door", "arch")


def segments_of(pixels):
    """(n, 4) straight edges by the library's detector."""
    found = cv2.createLineSegmentDetector().detect(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY))[0]
    return np.zeros((0, 4)) if found is None else np.asarray(found, float).reshape(-1, 4)


def wall_outline(rhythm):
    (low, high), top = rhythm.ends, rhythm.top
    corners = [[low, top], *([rhythm.peak] if rhythm.peak else []), [high, top], [high, 0], [low, 0]]
    return apply(rhythm.matrix, np.array(corners, float))


def cells(rhythm):
    """All places of the wall's grid, seen or not."""
    for low, high in rhythm.columns:
        for sill, head in rhythm.rows:
            yield apply(rhythm.matrix, np.array([[low, head], [high, head], [high, sill], [low, sill]], float))


def shared(a, b):
    """Intersection over union of two outlines, on the joint box at a scale that suits it."""
    both = np.vstack([a, b])
    low, high = both.min(0), both.max(0)
    if (a.min(0) > b.max(0)).any() or (b.min(0) > a.max(0)).any():
        return 0.0
    scale = 120 / max((high - low).max(), 1e-6)
    masks = []
    for outline in (a, b):
        mask = np.zeros((130, 130), np.uint8)
        cv2.fillPoly(mask, [np.round((outline - low) * scale + 3).astype(np.int32)], 1)
        masks.append(mask > 0)
    return float((masks[0] & masks[1]).sum() / (masks[0] | masks[1]).sum())


def box_corners(outline):
    """Top left, top right, bottom right, bottom left of an outline whose sides are about upright."""
    total, slant = outline.sum(1), outline[:, 0] - outline[:, 1]
    return outline[[total.argmin(), slant.argmax(), total.argmax(), slant.argmin()]]


def corner_error(found, exact):
    """Distances px of the two lower corners, and for four-cornered ones the upper two."""
    a, b = box_corners(found), box_corners(exact)
    which = [0, 1, 2, 3] if len(found) == 4 and len(exact) <= 5 else [2, 3]
    return np.hypot(*(a - b)[which].T)


def whole_outline(scene, curve):
    """A curve of an opening as a closed outline, its first point not repeated; an arch's is led down to the ground."""
    if np.allclose(curve[0], curve[-1]):
        return curve[:-1]
    matrix = next(iter(scene.rhythms.values())).matrix
    ends = apply(np.linalg.inv(matrix), curve[[-1, 0]])
    return np.vstack([curve, apply(matrix, np.column_stack([ends[:, 0], [0.0, 0.0]]))])


def measure(scene, smallest=0.0):
    """Dict of one scene's results. Openings smaller than ``smallest`` px, high or wide, are not counted."""
    segments = segments_of(scene.pixels)
    exact = {n: whole_outline(scene, c) for n, c in scene.curves.items() if scene.kinds[n] in OPENINGS}
    every = [c for rhythm in scene.rhythms.values() for c in cells(rhythm)] + list(exact.values())
    counted = {n: c for n, c in exact.items() if np.ptp(c, axis=0).min() >= smallest}
    found, seconds = [], []
    walls = list(scene.rhythms.values())
    for rhythm in walls:
        region = wall_outline(rhythm)
        start = time.process_time()
        found += find_openings(scene.pixels, segments, rhythm.matrix[:, 0], rhythm.matrix[:, 1], region)
        seconds.append(time.process_time() - start)
    share = np.array([[shared(o.outline, c) for c in exact.values()] for o in found]).reshape(len(found), len(exact))
    names = list(exact)
    errors, relative, outer, hits, kind_right = [], [], 0, 0, 0
    for name, outline in counted.items():
        column = share[:, names.index(name)] if len(found) else np.zeros(0)
        if len(column) == 0 or column.max() < 0.4:
            continue
        best = found[int(column.argmax())]
        hits += 1
        kind_right += best.kind == scene.kinds[name]
        if column.max() >= 0.6:
            outer += 1
            distance = corner_error(best.outline, outline)
            errors += list(distance)
            relative += list(100 * distance / np.ptp(outline, axis=0).max())
    false = [o for o in found if max((shared(o.outline, c) for c in every), default=0.0) < 0.4]
    return {
        "exact": len(counted),
        "hits": hits,
        "outer": outer,
        "kind": kind_right,
        "false": len(false),
        "errors": errors,
        "relative": relative,
        "seconds": seconds,
        "found": found,
        "outlines": list(counted.values()),
        "false ones": false,
    }


def picture(scene, result, path):
    image = cv2.cvtColor(scene.pixels, cv2.COLOR_RGB2BGR)
    for outline in result["outlines"]:
        cv2.polylines(image, [np.round(outline * 8).astype(np.int32)], True, (0, 220, 0), 1, cv2.LINE_AA, 3)
    colours = {"window": (0, 0, 255), "door": (255, 0, 255), "arch": (255, 128, 0)}
    for o in result["found"]:
        colour = (0, 255, 255) if any(o is f for f in result["false ones"]) else colours[o.kind]
        cv2.polylines(image, [np.round(o.outline * 8).astype(np.int32)], True, colour, 2, cv2.LINE_AA, 3)
    cv2.imwrite(str(path), image)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="1-9")
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--smallest", type=float, default=24.0, help="px; smaller openings are not counted")
    parser.add_argument("--pictures", default="")
    args = parser.parse_args()
    cv2.setNumThreads(2)
    first, _, last = args.seeds.partition("-")
    head = "kind     openings  found   outer right kind false a scene"
    print(head + "   corner px: median / 95 %  % of size: median / 95 %  CPU s a wall")
    for kind in args.kinds.split(","):
        results = []
        for seed in range(int(first), int(last or first) + 1):
            scene = rendered_building(seed, kind)
            results.append(measure(scene, args.smallest))
            if args.pictures:
                picture(scene, results[-1], Path(args.pictures) / f"{kind}_{seed}.png")
        print_line(kind, results)


def print_line(kind, results):
    counts = ("exact", "hits", "outer", "kind", "false")
    exact, hits, outer, right, false = (sum(r[key] for r in results) for key in counts)
    lists = (np.array([v for r in results for v in r[key]]) for key in ("errors", "relative", "seconds"))
    errors, relative, seconds = lists
    spread = [np.percentile(values, [50, 95]) if len(values) else [np.nan, np.nan] for values in (errors, relative)]
    print(
        f"{kind:8} {exact:8d} {100 * hits / max(exact, 1):5.0f} % {100 * outer / max(exact, 1):5.0f} % "
        f"{100 * right / max(hits, 1):8.0f} % "
        f"{false / len(results):13.2f} "
        f"{spread[0][0]:13.2f} / {spread[0][1]:.2f} {spread[1][0]:18.2f} / {spread[1][1]:.2f} {np.median(seconds):12.2f}"
    )


if __name__ == "__main__":
    main()
