"""Puts lines, openings and curves together into the `Subject` record: size, region, blocks, corners, meeting points, rows."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from featurediff.api import Advice, Feature, Junction, Meeting, Subject
from featurediff_architecture.directions import Directions
from featurediff_architecture.fronts import Front
from featurediff_architecture.naming import front_part, front_words
from featurediff_architecture.rhythm import Rhythm
from featurediff_architecture.vocabulary import groups
from featurediff_architecture.working import Working

# A building lower than this share of its width is measured by its width.
LOW = 0.35
# Verticals that lean this many degrees against each other look tilted to the eye.
LEANING = 2.0


def assemble(
    features: tuple[Feature, ...],
    corners: tuple[Junction, ...],
    meetings: tuple[Meeting, ...],
    fronts: tuple[Front, ...],
    rhythm: Rhythm,
    box: tuple[np.ndarray, np.ndarray],
    working: Working,
    advice: tuple[Advice, ...],
) -> Subject:
    """The subject record; ``box`` in working px, features in picture px."""
    size, label = building_size(box)
    features = features + rhythm.features
    points = np.vstack([feature.points for feature in features])
    region = cv2.convexHull(points.astype(np.float32)).reshape(-1, 2).astype(float)
    words = {front_part(k, len(fronts)): f"front {w}" for k, w in enumerate(front_words(fronts)) if w}
    blocks = [block for block in groups(words) if sum(_under(f.part, block.part) for f in features) > 1]
    return Subject(
        features=features,
        size_px=size / working.scale,
        size_label=label,
        region=region,
        groups=tuple(blocks) + rhythm.groups,
        not_judged=rhythm.not_judged,
        advice=advice,
        junctions=corners,
        meetings=tuple(_carrying(meeting, features, rhythm) for meeting in meetings),
        rows=rhythm.rows,
        numbered=True,
    )


def _carrying(meeting: Meeting, features: tuple[Feature, ...], rhythm: Rhythm) -> Meeting:
    """The meeting with the windows of the fronts that its lines belong to."""
    part = {feature.name: feature.part for feature in features}
    fronts = {front for name in meeting.members if (front := part[name].rsplit("/", 1)[0]).startswith("building/walls")}
    carried = tuple(feature.name for feature in rhythm.features if any(_under(feature.part, front) for front in fronts))
    return replace(meeting, carried=carried)


def building_size(box: tuple[np.ndarray, np.ndarray]) -> tuple[float, str]:
    """The size that tolerances refer to, in the px of ``box``, and its name."""
    width, height = (float(v) for v in box[1] - box[0])
    if height < LOW * width:
        return width, "width of the buildings"
    return height, "height of the buildings"


def lean_advice(directions: Directions, box: tuple[np.ndarray, np.ndarray]) -> tuple[Advice, ...]:
    """A note when the picture's verticals visibly converge."""
    if directions.vertical is None:
        return ()
    (left, top), (right, bottom) = box
    level = 0.5 * (top + bottom)
    a, b = directions.down(np.array([[left, level], [right, level]]))
    between = float(np.degrees(np.arctan2(a[0], a[1]) - np.arctan2(b[0], b[1])))
    if abs(between) < LEANING:
        return ()
    # Pointing down, verticals of a camera that looked up spread: the left one leads to the left.
    looked = "up" if between < 0 else "down"
    return (
        Advice(
            "note",
            f"The camera looked {looked}: verticals converge by {abs(between):.0f} degrees across the buildings. Draw them so, "
            "or set detector: straighten_verticals: true to compare with a picture whose verticals are straightened.",
        ),
    )


def _under(part: str, prefix: str) -> bool:
    return part == prefix or part.startswith(prefix + "/")
