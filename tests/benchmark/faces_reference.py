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

from featurediff.api import Picture
from featurediff.testing.scenes import Scene, rendered_face
from featurediff_faces import topology
from featurediff_faces.detector import FacesDetector
from featurediff_faces.features import Scale, curve, landmark_features, pupil_distance, smooth

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


def true_curves(scene: Scene, unit: float) -> dict[str, np.ndarray]:
    """The truth by the detector's names: drawn lines where the renderer draws them, mesh lines elsewhere."""
    dense = lambda line: smooth(np.asarray(line, float), per_span=40)  # noqa: E731
    lines = scene.curves
    found = {}
    for side in ("left", "right"):
        found[f"upper lid on the {side}"] = dense(lines[f"upper lid {side}"])
        found[f"lower lid on the {side}"] = dense(lines[f"lower lid {side}"])
        top, bottom = dense(lines[f"brow {side} top"]), dense(lines[f"brow {side} bottom"])
        found[f"brow on the {side}"] = np.vstack([top, bottom[::-1], top[:1]])
    found["upper lip edge"] = dense(lines["upper lip edge"])
    found["lower lip edge"] = dense(lines["lower lip edge"])
    if np.abs(lines["inner upper lip"] - lines["inner lower lip"]).max() > 0.05 * unit:
        found["lower edge of the upper lip"] = dense(lines["inner upper lip"])
        found["upper edge of the lower lip"] = dense(lines["inner lower lip"])
    else:
        found["mouth line"] = dense((lines["inner upper lip"] + lines["inner lower lip"]) / 2)
    found["base of the nose"] = dense(lines["nose base"])
    for name in ("hairline", "hair outline"):
        if name in lines:
            found[name] = dense(lines[name])
    return found | _from_mesh(scene.landmarks["landmarks"], unit) | _from_mask(scene)


def _from_mesh(mesh: np.ndarray, unit: float) -> dict[str, np.ndarray]:
    sides, scale = topology.sides(), Scale(unit * 0.1)
    found = {}
    for side in sides.values():
        on = "left" if side.sitter_side == "right" else "right"
        found[f"wing of the nose on the {on}"] = curve(mesh[list(side.wing)], scale)
        found[f"jaw on the {on}"] = curve(mesh[list(side.jaw)], scale)
        found[f"cheek line on the {on}"] = curve(mesh[list(side.cheek)], scale)
        found[f"mouth corner on the {on}"] = mesh[[side.mouth_corner]]
    chin = [sides["right"].jaw[0], 148, topology.CHIN, 377, sides["left"].jaw[0]]
    found["chin"] = curve(mesh[chin], scale)
    return found


def _from_mask(scene: Scene) -> dict[str, np.ndarray]:
    """The silhouette above the eyes is the hair's outline."""
    if scene.mask is None or "hair outline" in scene.curves:
        return {}
    outlines, _ = cv2.findContours(scene.mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(outlines, key=len)[:, 0].astype(float)
    eyes = scene.curves["upper lid left"][:, 1].mean()
    return {"hair outline": outline[outline[:, 1] < eyes + 5]}


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
