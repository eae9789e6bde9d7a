"""From landmarks to named features: curves, points and ellipses with what of them is judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff.api import Feature
from featurediff.geometry import resample
from featurediff_faces import topology
from featurediff_faces.landmarks import Face
from featurediff_faces.topology import SideTopology
from featurediff_faces.vocabulary import CHEEKS, EARS, EYES, HAIR, JAW, LOWER, MOUTH, NECK, NOSE, SHOULDERS, SIDES, sided, sitter

STEP = 0.015  # of the pupil distance between neighbouring points of a curve
# Standard uncertainty of an unrefined landmark curve across itself, as a part of the pupil distance (DESIGN.md: 1-2 %).
SIGMA_LANDMARK = 0.015


@dataclass(frozen=True)
class Scale:
    """Lengths that everything is measured in: ``pupils`` px between the pupils, corrected for a turned head."""

    pupils: float

    @property
    def step(self) -> float:
        return STEP * self.pupils


def pupil_distance(face: Face) -> float:
    """Distance between the iris centres in px, divided by the cosine of the turn (at most 50 degrees' worth)."""
    both = topology.sides()
    apart = face.points[both["left"].iris_centre] - face.points[both["right"].iris_centre]
    return float(np.hypot(*apart) / max(np.cos(np.radians(face.yaw)), 0.64))


def smooth(points: np.ndarray, closed: bool = False, per_span: int = 12) -> np.ndarray:
    """A centripetal Catmull-Rom curve through (n, 2) points (Barry and Goldman 1988), sampled densely; ends are kept."""
    points = np.asarray(points, float)
    if len(points) < 3:
        return points.copy()
    if closed:
        padded = np.vstack([points[-1:], points, points[:2]])
    else:
        padded = np.vstack([2 * points[0] - points[1], points, 2 * points[-1] - points[-2]])
    knots = np.concatenate([[0.0], np.cumsum(np.sqrt(np.maximum(np.hypot(*np.diff(padded, axis=0).T), 1e-9)))])
    pieces = []
    for i in range(1, len(padded) - 2):
        p, t = padded[i - 1 : i + 3], knots[i - 1 : i + 3]
        at = np.linspace(t[1], t[2], per_span, endpoint=False)[:, None]
        a = [(t[k + 1] - at) / (t[k + 1] - t[k]) * p[k] + (at - t[k]) / (t[k + 1] - t[k]) * p[k + 1] for k in range(3)]
        b = [(t[k + 2] - at) / (t[k + 2] - t[k]) * a[k] + (at - t[k]) / (t[k + 2] - t[k]) * a[k + 1] for k in range(2)]
        pieces.append((t[2] - at) / (t[2] - t[1]) * b[0] + (at - t[1]) / (t[2] - t[1]) * b[1])
    if not closed:
        pieces.append(points[-1:])
    return np.vstack(pieces)


def curve(points: np.ndarray, scale: Scale, closed: bool = False) -> np.ndarray:
    """Landmarks joined by a smooth curve, resampled at the working step."""
    return resample(smooth(points, closed), scale.step, closed)


def nearest(points: np.ndarray, to: np.ndarray) -> int:
    """Index of the point nearest to ``to``."""
    return int(np.argmin(np.hypot(*(points - to).T)))


def landmark_features(face: Face) -> tuple[Feature, ...]:
    """All features that the landmark mesh gives, unrefined, in px of the picture."""
    scale = Scale(pupil_distance(face))
    found: list[Feature] = []
    for side_name, side in topology.picture_sides(face.points).items():
        found += _eye(face, side_name, side, scale)
    found += _nose(face, scale) + _mouth(face, scale) + _outline(face, scale)
    return tuple(found)


def _eye(face: Face, side_name: str, side: SideTopology, scale: Scale) -> list[Feature]:
    at, own = face.points, side.sitter_side
    part = f"{EYES}/{side_name}"
    sigma = SIGMA_LANDMARK * scale.pupils
    upper, lower = curve(at[list(side.upper_lid)], scale), curve(at[list(side.lower_lid)], scale)
    lids = np.vstack([upper, lower[-2:0:-1]])
    corners = {"outer corner": 0, "inner corner": len(upper) - 1}
    top, bottom = curve(at[list(side.brow_top)], scale), curve(at[list(side.brow_bottom)], scale)
    brow = resample(np.vstack([top, bottom[::-1]]), scale.step, closed=True)
    iris = iris_ellipse(at[side.iris_centre], at[list(side.iris)], scale)
    brow_ends = {
        "outer end": nearest(brow, (top[0] + bottom[0]) / 2),
        "inner end": nearest(brow, (top[-1] + bottom[-1]) / 2),
        "peak": nearest(brow, peak(top)),
    }
    # The eye itself is judged in place, size and opening; its lids and iris only in what that leaves: bend and gaze.
    return [
        Feature(
            sided("brow", side_name), f"{part}/brow", "curve", brow, True, ("across", "down", "width", "height", "tilt", "shape"),
            "B", 0.7, "placement", sigma, anchors=brow_ends, sitter_name=sitter("brow", own),
        ),
        Feature(
            sided("eye", side_name), f"{part}/eye/lids", "curve", lids, True,
            ("across", "down", "width", "height", "tilt", "openness"), "A", 1.0, "placement", sigma, anchors=corners,
            sitter_name=sitter("eye", own),
        ),
        Feature(
            sided("upper lid", side_name), f"{part}/eye/upper lid", "curve", upper, False, ("shape",), "A", 0.6, "detail", sigma,
            anchors={"outer corner": 0, "inner corner": len(upper) - 1}, sitter_name=sitter("upper lid", own),
        ),
        Feature(
            sided("lower lid", side_name), f"{part}/eye/lower lid", "curve", lower, False, ("shape",), "A", 0.5, "detail", sigma,
            anchors={"outer corner": 0, "inner corner": len(lower) - 1}, sitter_name=sitter("lower lid", own),
        ),
        Feature(
            sided("iris", side_name), f"{part}/eye/iris", "ellipse", iris, True, ("across", "down", "width"), "A", 0.7, "detail",
            sigma, sitter_name=sitter("iris", own),
        ),
    ]  # fmt: skip


def peak(top: np.ndarray) -> np.ndarray:
    """The point of a brow's upper edge that stands furthest above the straight line between its ends."""
    along = (top[-1] - top[0]) / max(np.hypot(*(top[-1] - top[0])), 1e-9)
    across = (top - top[0]) @ np.array([-along[1], along[0]])
    return top[int(np.argmax(np.abs(across)))]


def iris_ellipse(centre: np.ndarray, rim: np.ndarray, scale: Scale) -> np.ndarray:
    """Outline of the iris from its centre and four rim points: half axes from opposite points."""
    first, second = (rim[0] - rim[2]) / 2, (rim[1] - rim[3]) / 2
    around = 2 * np.pi * max(np.hypot(*first), np.hypot(*second))
    t = np.linspace(0, 2 * np.pi, max(round(around / scale.step), 24), endpoint=False)[:, None]
    return centre + np.cos(t) * first + np.sin(t) * second


def _nose(face: Face, scale: Scale) -> list[Feature]:
    at = face.points
    sigma = SIGMA_LANDMARK * scale.pupils
    base = _left_to_right(curve(at[list(topology.NOSE_BASE)], scale))
    beneath = 1.5 * sigma  # nostrils and shadow make the base the least sure line of the nose
    found = [
        Feature(
            "bridge of the nose", f"{NOSE}/bridge", "curve", curve(at[list(topology.BRIDGE)], scale), False,
            ("across", "tilt"), "B", 0.4, "tilt", 2 * sigma, slides=True, estimated=True,
        ),
        Feature(
            "tip of the nose", f"{NOSE}/tip", "point", at[[topology.NOSE_TIP]], False, ("across", "down"),
            "B", 0.6, "placement", 2 * sigma, estimated=True,
        ),
        Feature(
            "base of the nose", f"{NOSE}/base", "curve", base, False, ("across", "down", "tilt"), "A", 0.9, "placement", beneath,
            anchors={"middle": nearest(base, at[topology.NOSE_BASE_MIDDLE])},
        ),
    ]  # fmt: skip
    for side_name, side in topology.picture_sides(at).items():
        found.append(
            Feature(
                sided("wing of the nose", side_name), f"{NOSE}/wing/{side_name}", "curve", curve(at[list(side.wing)], scale),
                False, ("across", "down"), "B", 0.6, "placement", sigma,
                sitter_name=f"{side.sitter_side} wing of the sitter's nose",
            )
        )  # fmt: skip
    return found


def _left_to_right(points: np.ndarray) -> np.ndarray:
    return points if points[0, 0] <= points[-1, 0] else points[::-1]


def mouth_gap(face: Face) -> float:
    """How far the lips are apart in the middle, in px."""
    chains = topology.lips()
    upper, lower = face.points[list(chains.upper_inner)], face.points[list(chains.lower_inner)]
    return float(np.hypot(*(upper - lower).T).max())


def _mouth(face: Face, scale: Scale) -> list[Feature]:
    at, chains = face.points, topology.lips()
    sigma = SIGMA_LANDMARK * scale.pupils
    upper = _left_to_right(curve(at[list(chains.upper_outer)], scale))
    lower = _left_to_right(curve(at[list(chains.lower_outer)], scale))
    inner_upper, inner_lower = at[list(chains.upper_inner)], at[list(chains.lower_inner)]
    bow = {"cupid's bow": nearest(upper, at[topology.UPPER_LIP_MIDDLE])}
    found = [
        Feature(
            "upper lip edge", f"{MOUTH}/upper lip edge", "curve", upper, False, ("down", "shape"), "A", 0.7, "shape", sigma,
            anchors=bow,
        ),
        Feature(
            "lower lip edge", f"{MOUTH}/lower lip edge", "curve", lower, False, ("down", "shape"), "A", 0.7, "shape", sigma,
        ),
    ]  # fmt: skip
    ends = (at[[chains.upper_outer[0]]], at[[chains.upper_outer[-1]]])
    whole = ("across", "down", "width", "tilt", "shape")
    if mouth_gap(face) < 0.05 * scale.pupils:
        middle = np.vstack([ends[0], (inner_upper + inner_lower)[1:-1] / 2, ends[1]])
        found.insert(
            0, Feature("mouth line", f"{MOUTH}/line", "curve", _left_to_right(curve(middle, scale)), False, whole, "A", 0.9,
                       "placement", sigma),
        )  # fmt: skip
    else:
        for name, chain, measures, importance in (
            ("lower edge of the upper lip", inner_upper, whole, 0.9),
            ("upper edge of the lower lip", inner_lower, ("down", "shape"), 0.8),
        ):
            line = _left_to_right(curve(np.vstack([ends[0], chain[1:-1], ends[1]]), scale))
            found.append(Feature(name, f"{MOUTH}/{name}", "curve", line, False, measures, "A", importance, "placement", sigma))
    for side_name, side in topology.picture_sides(at).items():
        found.append(
            Feature(
                sided("mouth corner", side_name), f"{MOUTH}/corner/{side_name}", "point", at[[side.mouth_corner]], False,
                ("across", "down"), "A", 0.8, "placement", sigma,
                sitter_name=f"{side.sitter_side} corner of the sitter's mouth",
            )
        )  # fmt: skip
    return found


def _outline(face: Face, scale: Scale) -> list[Feature]:
    at = face.points
    sigma = SIGMA_LANDMARK * scale.pupils
    both = topology.picture_sides(at)
    chin = np.vstack([at[list(both["left"].jaw[:1])], at[[_beside_chin(both["left"])]], at[[topology.CHIN]],
                      at[[_beside_chin(both["right"])]], at[list(both["right"].jaw[:1])]])  # fmt: skip
    chin = topology.on_the_rim(at, curve(chin, scale))
    found = [
        Feature(
            "chin", f"{LOWER}/chin", "curve", chin, False, ("across", "down", "shape"), "B", 0.8, "proportion", 1.5 * sigma,
            slides=True, anchors={"lowest point": nearest(chin, at[topology.CHIN])},
        )
    ]  # fmt: skip
    for side_name in SIDES:
        side = both[side_name]
        jaw, cheek = (topology.on_the_rim(at, curve(at[list(chain)], scale)) for chain in (side.jaw, side.cheek))
        found.append(
            Feature(
                sided("jaw", side_name), f"{JAW}/{side_name}", "curve", jaw, False,
                ("across", "down", "shape"), "B", 0.8, "proportion", 2 * sigma, slides=True,
                sitter_name=f"{side.sitter_side} side of the sitter's jaw",
            )
        )  # fmt: skip
        found.append(
            Feature(
                sided("cheek line", side_name), f"{CHEEKS}/{side_name}", "curve", cheek, False,
                ("across", "shape"), "B", 0.6, "proportion", 2 * sigma, slides=True,
                sitter_name=sitter("cheek line", side.sitter_side),
            )
        )  # fmt: skip
    return found


def _beside_chin(side: SideTopology) -> int:
    return 377 if side.sitter_side == "left" else 148


def outline_feature(name: str, piece, sitter_side: dict[str, str], unit: float) -> Feature:
    """The record of a piece that `featurediff_faces.outline` found. ``sitter_side`` maps the picture's side to the
    sitter's; ``unit``: px between the pupils."""
    what, _, side_name = name.partition(" on the ")
    own = sitter_side.get(side_name, "")
    table = {
        "hair outline": (f"{HAIR}/outline", ("across", "down", "width", "shape"), 0.3, "proportion", ""),
        "hairline": (f"{HAIR}/line", ("down", "shape"), 0.5, "placement", ""),
        "ear": (f"{EARS}/{side_name}", ("across", "down", "shape"), 0.3, "placement", sitter("ear", own)),
        "neck": (f"{NECK}/{side_name}", ("across", "shape"), 0.3, "placement", f"{own} side of the sitter's neck"),
        "shoulder": (f"{SHOULDERS}/{side_name}", ("across", "down", "shape"), 0.2, "placement", sitter("shoulder", own)),
    }
    part, measures, importance, stage, sitter_name = table[what]
    return Feature(
        name, part, "curve", piece.points, False, measures, "C", importance, stage, piece.sigma * unit,
        slides=True, anchors=piece.anchors, sitter_name=sitter_name,
    )  # fmt: skip
