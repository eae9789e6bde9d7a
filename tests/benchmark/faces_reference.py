"""How far the faces detector's curves lie from the true ones, on rendered faces whose lines are known exactly.

    python tests/benchmark/faces_reference.py            # seeds kept for reporting (100 and above)
    python tests/benchmark/faces_reference.py --seeds 1-10   # seeds to develop on

All lengths are in percent of the pupil distance. "landmarks" is the landmark model's own curve, "refined" the one the detector
hands over; "stated" is the standard uncertainty it states. Only curves whose truth the renderer gives are listed.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import cv2
import numpy as np
from featurediff_faces.detector import FacesDetector
from featurediff_faces.features import landmark_features, pupil_distance, smooth

from featurediff.api import Picture
from featurediff.geometry import resample
from featurediff.testing.scenes import Scene, rendered_face

REPORT = range(100, 112)


@dataclass
class Errors:
    """Across-the-curve errors of one feature over all faces, in % of the pupil distance."""

    landmarks: list[np.ndarray]
    refined: list[np.ndarray]
    stated: list[float]
    missing: int = 0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="", help="FIRST-LAST; default: the seeds kept for reporting")
    parser.add_argument("--yaw", type=float, default=0.0)
    parser.add_argument("--roll", type=float, default=0.0)
    options = parser.parse_args()
    seeds = list(REPORT)
    if options.seeds:
        first, last = (int(part) for part in options.seeds.split("-"))
        seeds = list(range(first, last + 1))
    cv2.setNumThreads(2)
    table = measure(rendered_face(seed, yaw=options.yaw, roll=options.roll) for seed in seeds)
    print(f"{len(seeds)} rendered faces, seeds {seeds[0]}-{seeds[-1]}, yaw {options.yaw:g}, roll {options.roll:g}")
    show(table)


def measure(scenes) -> dict[str, Errors]:
    """Errors by feature name (sides pooled) over scenes."""
    detector = FacesDetector()
    table: dict[str, Errors] = {}
    for scene in scenes:
        picture = Picture(scene.pixels, scene.name)
        subject = detector.find(picture, {})
        face, _ = detector._choose(picture, {})
        plain = {feature.name: feature for feature in landmark_features(face)}
        refined = {feature.name: feature for feature in subject.features}
        unit = pupil_distance(face)
        for name, truth in true_curves(scene, unit).items():
            pooled = table.setdefault(name.split(" on the ")[0], Errors([], [], []))
            if name in plain:
                pooled.landmarks.append(across(plain[name].points, truth) / unit * 100)
            if name in refined:
                pooled.refined.append(across(refined[name].points, truth) / unit * 100)
                pooled.stated.append(refined[name].sigma_px / unit * 100)
            else:
                pooled.missing += 1
    detector.close()
    return table


def across(points: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Signed distance (n,) of points to a dense polyline; positive below or right of it. Points beyond its ends are left out."""
    gap = points[:, None] - truth[None]
    nearest = np.hypot(gap[..., 0], gap[..., 1]).argmin(1)
    if len(truth) == 1:
        return np.hypot(*(points - truth[0]).T)
    inside = (nearest > 0) & (nearest < len(truth) - 1)
    tangent = np.gradient(truth, axis=0)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    normal /= np.maximum(np.hypot(*normal.T)[:, None], 1e-9)
    mostly_level = np.abs(truth[-1, 0] - truth[0, 0]) >= np.abs(truth[-1, 1] - truth[0, 1])
    if (normal[:, 1].sum() if mostly_level else normal[:, 0].sum()) < 0:
        normal = -normal
    signed = (gap[np.arange(len(points)), nearest] * normal[nearest]).sum(1)
    return signed[inside] if inside.any() else signed


SIDED = {
    "upper lid {}": "upper lid",
    "lower lid {}": "lower lid",
    "iris {}": "iris",
    "nose wing {}": "wing of the nose",
    "jaw {}": "jaw",
    "cheek line {}": "cheek line",
    "ear {}": "ear",
    "neck side {}": "neck",
    "shoulder {}": "shoulder",
}
SINGLE = ("upper lip edge", "lower lip edge", "chin", "hairline")


def true_curves(scene: Scene, unit: float) -> dict[str, np.ndarray]:
    """The truth by the detector's names, dense polylines in px."""
    lines = dict(scene.landmarks) | dict(scene.curves)
    found = {}
    for side in ("left", "right"):
        for theirs, ours in SIDED.items():
            if theirs.format(side) in lines:
                found[f"{ours} on the {side}"] = dense(lines[theirs.format(side)])
        top, bottom = dense(lines[f"brow {side} top"]), dense(lines[f"brow {side} bottom"])
        found[f"brow on the {side}"] = np.vstack([top, bottom[::-1], top[:1]])
    for name in SINGLE:
        if name in lines:
            found[name] = dense(lines[name])
    if "lip line" in lines:
        found["mouth line"] = dense(lines["lip line"])
        ends = lines["lip line"][np.argsort(lines["lip line"][:, 0])[[0, -1]]]
        found["mouth corner on the left"], found["mouth corner on the right"] = ends[:1], ends[1:]
    elif "inner upper lip" in lines:
        found["lower edge of the upper lip"] = dense(lines["inner upper lip"])
        found["upper edge of the lower lip"] = dense(lines["inner lower lip"])
    if "nose base" in lines:
        found["base of the nose"] = dense(lines["nose base"])
    hair = [lines[f"hair outline {part}"] for part in ("left", "top", "right") if f"hair outline {part}" in lines]
    if hair:
        found["hair outline"] = joined(hair)
    return found


def joined(pieces: list[np.ndarray]) -> np.ndarray:
    """Pieces of one outline as one dense set of points; a gap between two pieces is no line."""
    return np.vstack([dense(piece) for piece in pieces])


def dense(line: np.ndarray) -> np.ndarray:
    """A smooth curve through the truth's points, dense enough to measure distances to."""
    line = np.asarray(line, float)
    return smooth(line, per_span=40) if len(line) < 60 else resample(line, 0.5)


def show(table: dict[str, Errors]) -> None:
    head = ("feature", "n", "none", "landmarks", "", "", "refined", "", "", "stated")
    print("{:30s} {:>3s} {:>4s}   {:>9s} {:>6s} {:>6s}   {:>9s} {:>6s} {:>6s}   {:>6s}".format(*head))
    print("{:30s} {:>3s} {:>4s}   {:>9s} {:>6s} {:>6s}   {:>9s} {:>6s} {:>6s}".format(
        "", "", "", "bias", "median", "95 %", "bias", "median", "95 %"))  # fmt: skip
    for name, errors in sorted(table.items()):
        row = f"{name:30s} {len(errors.refined):3d} {errors.missing:4d}"
        for part in (errors.landmarks, errors.refined):
            if part:
                every = np.concatenate(part)
                row += f"   {every.mean():9.2f} {np.median(np.abs(every)):6.2f} {np.percentile(np.abs(every), 95):6.2f}"
            else:
                row += f"   {'-':>9s} {'-':>6s} {'-':>6s}"
        row += f"   {np.mean(errors.stated):6.2f}" if errors.stated else ""
        print(row)


if __name__ == "__main__":
    main()
