"""Puts found features together into the `Subject` record: size, lean, region, blocks, gaps, pairs."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.api import Advice, Feature, NotJudged, Subject
from featurediff_faces import topology, vocabulary
from featurediff_faces.landmarks import Face

HEAD_OVER_MESH = 1.3


def assemble(
    face: Face, features: tuple[Feature, ...], advice: tuple[Advice, ...] = (), not_judged: tuple[NotJudged, ...] = ()
) -> Subject:
    """The subject record of one face; all lengths in px of the picture."""
    parts = {feature.name: feature.part for feature in features}
    sitter_side = {name: side.sitter_side for name, side in topology.picture_sides(face.points).items()}
    mesh = face.points[topology.CHIN] - face.points[topology.TOP_OF_MESH]
    region = cv2.convexHull(np.vstack([f.points for f in features] + [face.points]).astype(np.float32)).reshape(-1, 2)
    return Subject(
        features=features,
        size_px=float(np.hypot(*mesh) * HEAD_OVER_MESH),
        size_label="head height",
        region=region.astype(float),
        axis_deg=face.roll,
        groups=vocabulary.groups(sitter_side, tuple(parts.values())),
        gaps=vocabulary.gaps(parts),
        pairs=vocabulary.pairs(tuple(parts.values())),
        not_judged=not_judged,
        advice=advice,
    )
