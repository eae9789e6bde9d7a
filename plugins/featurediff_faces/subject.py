"""Puts found features together into the `Subject` record: size, lean, region, blocks, gaps, pairs."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from featurediff.api import Advice, Feature, NotJudged, Subject
from featurediff_faces import topology, vocabulary
from featurediff_faces.features import outline_feature
from featurediff_faces.frame import PUPILS, Frame
from featurediff_faces.landmarks import Face
from featurediff_faces.outline import Outline

# Head height (crown to chin) over the height of the landmark mesh (its top to the chin), where the crown can't be seen.
# Common practice, no source: the face below the hairline is about three quarters of the head.
HEAD_OVER_MESH = 1.33
# A head of 230 mm fills 17 degrees from a little under 0.8 m. Judgement: between the 0.45 m and 1.35 m whose portraits are told
# apart at a glance (Bryan, Perona and Adolphs 2012, PLoS ONE 7(9) e45301; from memory).
NEAR = 17.0


def assemble(
    face: Face,
    frame: Frame,
    features: tuple[Feature, ...],
    outline: Outline,
    not_judged: tuple[NotJudged, ...],
    advice: tuple[Advice, ...],
) -> Subject:
    """The subject record of one face. ``face`` is in picture px, ``features`` and ``outline`` in frame px."""
    sitter_side = {name: side.sitter_side for name, side in topology.picture_sides(frame.face.points).items()}
    whole = [*features]
    whole += [outline_feature(name, piece, sitter_side, PUPILS) for name, piece in outline.pieces.items()]
    whole = [_in_picture(frame, feature) for feature in whole]
    parts = {feature.name: feature.part for feature in whole}
    size, more = _head_height(frame, features, outline)
    region = cv2.convexHull(np.vstack([f.points for f in whole] + [face.points]).astype(np.float32)).reshape(-1, 2)
    return Subject(
        features=tuple(whole),
        size_px=size,
        size_label="head height",
        region=region.astype(float),
        axis_deg=face.roll,
        groups=vocabulary.groups(sitter_side, tuple(parts.values())),
        gaps=vocabulary.gaps(parts),
        pairs=vocabulary.pairs(tuple(parts.values())),
        not_judged=not_judged,
        advice=advice + more,
        top_label="crown",
        bottom_label="chin",
        starts=vocabulary.starts(),
        near_deg=NEAR,
    )


def _in_picture(frame: Frame, feature: Feature) -> Feature:
    return replace(feature, points=frame.to_picture(feature.points), sigma_px=feature.sigma_px / frame.scale)


def _head_height(frame: Frame, features: tuple[Feature, ...], outline: Outline) -> tuple[float, tuple[Advice, ...]]:
    chin, top = frame.face.points[topology.CHIN, 1], frame.face.points[topology.TOP_OF_MESH, 1]
    chin = max([chin] + [float(feature.points[:, 1].max()) for feature in features if feature.name == "chin"])
    if outline.crown is not None:
        return float(chin - outline.crown) / frame.scale, ()
    advice = Advice("note", "The top of the head can't be seen; its height is estimated from the face.")
    return float(chin - top) * HEAD_OVER_MESH / frame.scale, (advice,)
