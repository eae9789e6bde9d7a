"""Landmark hits on the drawing, as one hypothesis of where the head lies. Never a measurement."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.api import Guess, Subject
from featurediff.geometry import rescale_points
from featurediff_faces.landmarks import Face, LandmarkModel, shrink

# Clean line work is found in copies this small and not at full size (measured; see DESIGN.md).
PLAIN, THICKENED = 384, 256
# A guess is confirmed or rejected by the engine, so that an unsure one costs little; the reference is searched with 0.5.
CONFIDENCE = 0.15


def guesses(model: LandmarkModel, drawing: np.ndarray, subject: Subject) -> tuple[Guess, ...]:
    """The first hit on small copies of the drawing: plain, with thickened and darkened lines, with stretched contrast."""
    plain, _ = shrink(drawing, PLAIN)
    for side, make in ((PLAIN, lambda: plain), (THICKENED, lambda: thickened(drawing)), (PLAIN, lambda: stretched(plain))):
        copy = make()
        faces = model.faces(copy)
        if faces:
            return (_guess(faces[0], drawing.shape[1] / copy.shape[1], subject, side),)
    return ()


def thickened(rgb: np.ndarray) -> np.ndarray:
    """A small copy in which thin lines are spread to twice their width and darkened, before they average out."""
    twice, _ = shrink(rgb, 2 * THICKENED)
    return stretched(shrink(cv2.erode(twice, np.ones((3, 3), np.uint8)), THICKENED)[0])


def stretched(rgb: np.ndarray) -> np.ndarray:
    """The copy with its darkest half percent put to black and its lightest tenth, the paper, to white."""
    low, high = np.percentile(rgb, (0.5, 90))
    return np.clip((rgb.astype(np.float32) - low) * (255.0 / max(high - low, 1.0)), 0, 255).astype(np.uint8)


def _guess(face: Face, scale: float, subject: Subject, side: int) -> Guess:
    from featurediff_faces.features import landmark_features

    small = {feature.name: feature.points.mean(0) for feature in landmark_features(face)}
    names = [
        feature.name
        for feature in subject.features
        if feature.name in small and feature.part.startswith("head/face/features") and feature.importance >= 0.6
    ]
    reference = np.array([subject.feature(name).points.mean(0) for name in names])
    found = rescale_points(np.array([small[name] for name in names]), scale)
    return Guess(reference, found, f"face landmarks on the drawing at {side} px")
