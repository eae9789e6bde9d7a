"""What can be judged on this reference and what can't: cut off, turned away, covered. Nothing is guessed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from featurediff.api import Advice, Feature, NotJudged
from featurediff.geometry import normals
from featurediff_faces.colours import like_skin
from featurediff_faces.frame import PUPILS, Frame
from featurediff_faces.landmarks import Face
from featurediff_faces.outline import FAR_TURN, Outline
from featurediff_faces.refine import blur, sample_profiles
from featurediff_faces.vocabulary import CHEEKS, EYES, LOWER, NOSE

PROFILE_TURN = 50.0  # degrees of turn from which the far side's eye and mouth corner are hidden or unreliable
RIDGE_TURN = 20.0  # degrees of turn from which the ridge of the nose shows as a line
SIDEWAYS = 40.0  # degrees of lean from which left and right need a word of explanation
RIM = 5.0  # L* by which a rim of glasses is darker than the skin around it
BARE = 0.45  # of the inner side of a line that must be skin for the line to be bare


def judge(
    frame: Frame, face: Face, features: tuple[Feature, ...], outline: Outline
) -> tuple[tuple[Feature, ...], tuple[NotJudged, ...], tuple[Advice, ...]]:
    """Features that can be judged, reasons for the rest (with the outline's own), and remarks. ``features`` are in frame px."""
    kept, dropped = [], []
    glasses = wears_glasses(frame)
    hidden = _covered(frame, features, outline)
    if glasses:
        hidden |= _under_rims(frame, features)
    for feature in features:
        why = (
            _cut_off(frame, feature)
            or _turned_away(face, feature)
            or _without_edge(face, feature)
            or hidden.get(feature.name, "")
        )
        if why:
            dropped.append(NotJudged(feature.name, why))
        else:
            kept.append(_less_sure(face, feature, glasses))
    dropped += [NotJudged(name, why) for name, why in outline.missing.items()]
    return tuple(kept), tuple(dropped), _remarks(face, glasses)


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


def _without_edge(face: Face, feature: Feature) -> str:
    # From the front the ridge is a soft change of light that no two hands draw alike; its sides and base are judged.
    if feature.part == f"{NOSE}/bridge" and abs(face.yaw) < RIDGE_TURN:
        return "seen from the front it has no line of its own"
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
        bare = like_skin(colours, outline.skin.mean).mean()
        if bare < BARE:
            found[feature.name] = "a beard or a shadow covers it" if lower else "hair covers it"
    return found


def wears_glasses(frame: Frame) -> bool:
    """A dark line runs from eye to eye over the root of the nose."""
    points = frame.face.points
    middle, top, bottom = (points[6] + points[168]) / 2, points[9], points[195]
    rows = np.arange(top[1], bottom[1], 1.0)
    across = np.linspace(-0.10, 0.10, 21) * PUPILS
    column = np.column_stack([np.full(len(rows), middle[0]), rows])
    profile = sample_profiles(frame.lab[..., 0], column, np.tile([1.0, 0.0], (len(rows), 1)), across)[..., 0]
    dark = dark_lines(profile)
    # A rim crosses the whole bridge at one level; the shadow of a turned nose covers one side of it only.
    thirds = np.stack([part.mean(1) for part in np.array_split(dark, 3, axis=1)])
    return bool(thirds.min(0).max() > RIM)


def dark_lines(profile: np.ndarray) -> np.ndarray:
    """How much darker (L*) each sample of columns (n, k) is than what lies a little above and below it."""
    narrow = blur(profile, 0.012 * PUPILS, 0)
    return blur(profile, 0.05 * PUPILS, 0) - narrow


def _under_rims(frame: Frame, features: tuple[Feature, ...]) -> dict[str, str]:
    """Brows below which no rim is seen apart from them: the rim runs through them."""
    found = {}
    by_name = {feature.name: feature for feature in features}
    for feature in features:
        if not feature.part.startswith(EYES) or not feature.part.endswith("/brow"):
            continue
        lid = by_name[feature.name.replace("brow", "upper lid")].points
        brow = feature.points
        left, right = np.quantile(brow[:, 0], (0.25, 0.75))
        apart = []
        for x in np.arange(left, right, 0.02 * PUPILS):
            near = brow[np.abs(brow[:, 0] - x) < 0.02 * PUPILS]
            if not len(near):
                continue
            low = near[:, 1].max() + 0.035 * PUPILS
            high = lid[np.argmin(np.abs(lid[:, 0] - x)), 1] - 0.05 * PUPILS
            rows = np.arange(low - 0.1 * PUPILS, high + 0.1 * PUPILS)
            if high - low < 4:
                apart.append(False)
                continue
            column = frame.lab[rows.astype(int).clip(0, frame.lab.shape[0] - 1), int(x), 0][:, None]
            between = (rows >= low) & (rows <= high)
            apart.append(bool(dark_lines(column)[between, 0].max() > RIM))
        if np.mean(apart or [False]) < 0.5:
            found[feature.name] = "the rim of the glasses runs over it or right below it"
    return found


def _less_sure(face: Face, feature: Feature, glasses: bool) -> Feature:
    """Beyond 20 degrees of turn the model's mesh fits less well, and behind glasses the eyes are less clear."""
    more = 1.0 + max(abs(face.yaw) - 20.0, 0.0) / 20.0
    if glasses and feature.part.startswith(EYES):
        more *= 1.5
    return replace(feature, sigma_px=feature.sigma_px * more) if more > 1 else feature


def _remarks(face: Face, glasses: bool) -> tuple[Advice, ...]:
    remarks = []
    if glasses:
        remarks.append(Advice("note", "The sitter wears glasses; the eyes behind them are judged less surely."))
    if abs(face.roll) > SIDEWAYS:
        remarks.append(Advice("note", "The head lies on its side; left and right are meant with the head upright."))
    if abs(face.yaw) > FAR_TURN:
        remarks.append(
            Advice("note", f"The head is turned about {abs(face.yaw):.0f} degrees; its far side is judged less surely.")
        )
    return tuple(remarks)
