"""A picture with known things on it, and detectors of them, sound and faulty, to try the kit on."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.api import Detector, Feature, Subject, SubjectError

SHAPE = (900, 1200)
DISC = np.array([400.0, 450.0]) + 120 * np.array([[np.cos(a), np.sin(a)] for a in np.linspace(0, 2 * np.pi, 90, endpoint=False)])
BOX = np.array([[700.0, 300.0], [950.0, 300.0], [950.0, 640.0], [700.0, 640.0]])
STROKE = np.column_stack([np.linspace(120, 1080, 60), np.full(60, 150.0)])
NOTHING = np.column_stack([np.linspace(300, 900, 40), 780 + 20 * np.sin(np.linspace(0, 6, 40))])


def picture() -> np.ndarray:
    """(h, w, 3) uint8 RGB: a dark disc on the left, a dark box on the right, a stroke above them."""
    out = np.full((*SHAPE, 3), 228, np.uint8)
    cv2.fillPoly(out, [np.round(DISC).astype(np.int32)], (60, 60, 80), cv2.LINE_AA)
    cv2.fillPoly(out, [BOX.astype(np.int32)], (90, 60, 50), cv2.LINE_AA)
    cv2.polylines(out, [STROKE.astype(np.int32)], False, (70, 70, 70), 5, cv2.LINE_AA)
    return out


def subject(*features: Feature) -> Subject:
    """These features, or the disc and the box."""
    features = features or (feature("disc on the left", DISC), feature("box on the right", BOX))
    return Subject(features, 600.0, "height", np.array([[100.0, 100], [1100, 100], [1100, 820], [100, 820]]))


def feature(name: str, points: np.ndarray, **changes) -> Feature:
    """A closed curve, unless told otherwise."""
    return Feature(name, f"things/{name}", **{"kind": "curve", "points": points, "closed": True, "importance": 0.8, **changes})


class Things(Detector):
    """Two dark things on a pale ground, the left and the right one, found by their tone.

    ``sitters``: sides named the wrong way round. ``fault``: what happens in `find` besides.
    """

    name = "things"

    def __init__(self, sitters: bool = False, fault=lambda pixels: None) -> None:
        self.sitters, self.fault = sitters, fault

    def find(self, picture, settings):
        self.fault(picture.pixels)
        grey = cv2.GaussianBlur(cv2.cvtColor(picture.pixels, cv2.COLOR_RGB2GRAY), (0, 0), 1.5)
        dark = ((grey < 150) * 255).astype(np.uint8)
        lines, _ = cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        lines = [line[:, 0].astype(float) for line in lines if cv2.contourArea(line) > 0.02 * grey.size]
        if len(lines) != 2:
            raise SubjectError("There are not two dark things.")
        lines.sort(key=lambda line: line[:, 0].mean() * (-1 if self.sitters else 1))
        names = ("thing on the left", "thing on the right")
        everything = np.vstack(lines)
        region = cv2.convexHull(everything.astype(np.float32))[:, 0].astype(float)
        features = tuple(feature(name, line) for name, line in zip(names, lines, strict=True))
        return Subject(features, float(np.ptp(everything[:, 1])), "height", region)
