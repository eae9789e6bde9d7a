"""What can be judged on this reference and what can't: cut off, turned away, covered. Nothing is guessed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from featurediff.api import Advice, Feature, NotJudged
from featurediff.geometry import normals
from featurediff_faces.frame import PUPILS, Frame
from featurediff_faces.landmarks import Face
from featurediff_faces.outline import FAR_TURN, Outline
from featurediff_faces.refine import sample_profiles
from featurediff_faces.vocabulary import CHEEKS, EYES, LOWER, NOSE

PROFILE_TURN = 50.0  # degrees of turn from which the far side's eye and mouth corner are hidden or unreliable
SIDEWAYS = 45.0  # degrees of lean from which left and right need a word of explanation
# Skin in shadow keeps its hue or, where the light is strong, its a* and b*; darker than this part of the skin's L* it is no skin.
SHADOW = 0.4
HUE = 6.5  # distance in a*, b*
BARE = 0.45  # of the inner side of a line that must be skin for the line to be bare


def judge(
    frame: Frame, face: Face, features: tuple[Feature, ...], outline: Outline
) -> tuple[tuple[Feature, ...], tuple[NotJudged, ...], tuple[Advice, ...]]:
    """Features that can be judged, reasons for the rest (with the outline's own), and remarks. ``features`` are in frame px."""
    kept, dropped = [], []
    hidden = _covered(frame, features, outline)
    for feature in features:
        why = _cut_off(frame, feature) or _turned_away(face, feature) or hidden.get(feature.name, "")
        if why:
            dropped.append(NotJudged(feature.name, why))
        else:
            kept.append(_less_sure(face, feature))
    dropped += [NotJudged(name, why) for name, why in outline.missing.items()]
    return tuple(kept), tuple(dropped), _remarks(face)


def _cut_off(frame: Frame, feature: Feature) -> str:
    at = np.round(feature.points).astype(int)
    size = frame.inside.shape[0]
    off = (at < 0).any(1) | (at >= size).any(1)
    at = at.clip(0, size - 1)
    off |= ~frame.inside[at[:, 1], at[:, 0]]
    return "it is cut off by the picture's edge" if off.mean() > 0.02 else ""


def _turned_away(face: Face, feature: Feature) -> str:
    if abs(face.yaw) < FAR_TURN:
        return ""
    far = "right" if face.yaw > 0 else "left"
    near = "left" if far == "right" else "right"
    if feature.part.startswith(f"{CHEEKS}/{near}"):
        return "the head is turned, so the cheek has no line there"
    if abs(face.yaw) < PROFILE_TURN:
        return f"the nose or the turn hides part of it on the {far}" if feature.part.startswith(f"{NOSE}/wing/{far}") else ""
    if feature.part.startswith(f"{EYES}/{far}") or feature.name.endswith(f"on the {far}"):
        return "it is turned away from us"
    return ""


def _covered(frame: Frame, features: tuple[Feature, ...], outline: Outline) -> dict[str, str]:
    """Lines whose inner side is no skin: hair or a beard lies over them."""
    found = {}
    for feature in features:
        lower, cheek = feature.part.startswith(LOWER), feature.part.startswith(CHEEKS)
        if not (lower or cheek):
            continue
        centre = frame.face.points.mean(0)
        normal = normals(feature.points)
        inward = np.where(((centre - feature.points) * normal).sum(1) > 0, 1.0, -1.0)[:, None] * normal
        at = np.linspace(0.05, 0.16, 8) * PUPILS
        colours = sample_profiles(frame.lab, feature.points, inward, at)
        bare = _like_skin(colours, outline.skin.mean).mean()
        if bare < BARE:
            found[feature.name] = "a beard or a shadow covers it" if lower else "hair covers it"
    return found


def _like_skin(lab: np.ndarray, skin: np.ndarray) -> np.ndarray:
    """(...,) bool for (..., 3) colours: skin, lit or in shadow."""
    darker = lab[..., 0] / max(skin[0], 1.0)
    same = np.linalg.norm(lab[..., 1:] - skin[1:], axis=-1)
    paled = np.linalg.norm(lab[..., 1:] / np.maximum(darker, 0.2)[..., None] - skin[1:], axis=-1)
    return (np.minimum(same, paled) < HUE) & (darker > SHADOW)


def _less_sure(face: Face, feature: Feature) -> Feature:
    """Beyond 20 degrees of turn the model's mesh fits less well; the uncertainty grows with it."""
    more = 1.0 + max(abs(face.yaw) - 20.0, 0.0) / 20.0
    return replace(feature, sigma_px=feature.sigma_px * more) if more > 1 else feature


def _remarks(face: Face) -> tuple[Advice, ...]:
    remarks = []
    if abs(face.roll) > SIDEWAYS:
        remarks.append(Advice("note", "The head lies on its side; left and right are meant with the head upright."))
    if abs(face.yaw) > FAR_TURN:
        remarks.append(
            Advice("note", f"The head is turned about {abs(face.yaw):.0f} degrees; its far side is judged less surely.")
        )
    return tuple(remarks)
