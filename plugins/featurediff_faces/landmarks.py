"""The face landmark model, kept open between calls and closed when the process ends."""

from __future__ import annotations

import atexit
import contextlib
import math
import os
import sys
import threading
from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np

from featurediff.errors import DetectorError
from featurediff.geometry import rescale_points
from featurediff_faces.model import LANDMARKS, find_model

MOST_FACES = 6
LOOK_AT = 1024  # long side in px of the copy that is searched for faces
ENOUGH = 280  # a face this wide in px is as good as any for the model, which itself looks at 256 px


@dataclass(frozen=True)
class Face:
    """One face: ``points`` (478, 2) px, ``depth`` (478,) px towards the camera negative; turns in degrees.

    ``yaw`` > 0: the face looks towards the picture's right; ``pitch`` > 0: it looks down; ``roll`` > 0: it leans clockwise.
    """

    points: np.ndarray
    depth: np.ndarray
    yaw: float
    pitch: float
    roll: float

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom in px."""
        (left, top), (right, bottom) = self.points.min(0), self.points.max(0)
        return float(left), float(top), float(right), float(bottom)

    @property
    def size(self) -> float:
        """Side in px of a square as large as the face's box."""
        left, top, right, bottom = self.box
        return math.sqrt((right - left) * (bottom - top))


@contextlib.contextmanager
def quiet():
    """Send what native code writes to stderr nowhere: the model's start-up notes are no news to an artist."""
    try:
        sys.stderr.flush()
        kept = os.dup(2)
    except (OSError, ValueError, AttributeError):
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(nowhere)
        os.close(kept)


@contextlib.contextmanager
def without(module: str):
    """Within it, importing ``module`` raises ImportError; one that is imported already stays as it is."""
    if module in sys.modules:
        yield
        return
    sys.modules[module] = None
    try:
        yield
    finally:
        sys.modules.pop(module, None)


def import_vision():
    """mediapipe and its vision tasks. Raises `DetectorError` when the system lacks a library they need."""
    try:
        # Its microphone library, which it can do without, starts other programs to look for sound drivers: 0.1-0.3 s.
        with quiet(), without("sounddevice"):
            import mediapipe
            from mediapipe.tasks.python import vision
    except (ImportError, OSError) as error:
        raise cannot_start(error) from error
    return mediapipe, vision


def cannot_start(error: Exception) -> DetectorError:
    return DetectorError(
        f"The face model can't start ({str(error).splitlines()[0] if str(error) else type(error).__name__}).",
        "It needs mediapipe and the system libraries libEGL.so.1, libGLESv2.so.2 and libGL.so.1 "
        "(on Debian or Ubuntu: apt-get install libegl1 libgles2 libgl1).",
    )


class Closes(Protocol):
    """Anything with a ``close`` that may be called twice."""

    def close(self) -> None: ...


def close_at_exit(model: Closes) -> None:
    """Have a model closed when the interpreter ends; one left open prints a traceback then.

    Its own thread pool is gone by the time of `atexit`; `threading` has an earlier hook, but a private one, for
    which `atexit` has to stand in where it is gone.
    """
    getattr(threading, "_register_atexit", atexit.register)(model.close)


class LandmarkModel:
    """mediapipe's FaceLandmarker in image mode."""

    def __init__(self, path: str = "", confidence: float = 0.5):
        self._mediapipe, vision = import_vision()
        file = find_model(LANDMARKS, path)
        try:
            with quiet():
                options = vision.FaceLandmarkerOptions(
                    base_options=self._mediapipe.tasks.BaseOptions(model_asset_path=str(file)),
                    running_mode=vision.RunningMode.IMAGE,
                    num_faces=MOST_FACES,
                    min_face_detection_confidence=confidence,
                    min_face_presence_confidence=confidence,
                    output_facial_transformation_matrixes=True,
                )
                self._landmarker = vision.FaceLandmarker.create_from_options(options)
                self._detect(np.zeros((64, 64, 3), np.uint8))  # the last start-up notes come with the first picture
        except (OSError, RuntimeError) as error:
            raise cannot_start(error) from error
        close_at_exit(self)

    def _detect(self, rgb: np.ndarray):
        image = self._mediapipe.Image(image_format=self._mediapipe.ImageFormat.SRGB, data=np.ascontiguousarray(rgb))
        return self._landmarker.detect(image)

    def faces(self, rgb: np.ndarray) -> list[Face]:
        """All faces of an (h, w, 3) uint8 RGB picture, largest first, in px of that picture."""
        height, width = rgb.shape[:2]
        result = self._detect(rgb)
        found = []
        for landmarks, matrix in zip(result.face_landmarks, result.facial_transformation_matrixes, strict=True):
            xyz = np.array([(mark.x, mark.y, mark.z) for mark in landmarks], float)
            # Normalised positions count from the picture's edge; px count from the first pixel's centre.
            points = xyz[:, :2] * (width, height) - 0.5
            found.append(Face(points, xyz[:, 2] * width, *angles(np.asarray(matrix))))
        return sorted(found, key=lambda face: -face.size)

    def close(self) -> None:
        """Release the model; harmless when called twice."""
        if self._landmarker is not None:
            with quiet():
                self._landmarker.close()
            self._landmarker = None


def angles(matrix: np.ndarray) -> tuple[float, float, float]:
    """Yaw, pitch, roll in degrees of a (4, 4) facial transformation (x right, y up, z towards the camera)."""
    r = matrix[:3, :3] / np.linalg.norm(matrix[:3, :3], axis=0)
    forward = r[:, 2]
    yaw = math.degrees(math.atan2(forward[0], forward[2]))
    pitch = math.degrees(math.atan2(-forward[1], math.hypot(forward[0], forward[2])))
    up = r[:, 1]
    roll = math.degrees(math.atan2(up[0], up[1]))
    return yaw, pitch, roll


def shrink(rgb: np.ndarray, long_side: int) -> tuple[np.ndarray, float]:
    """An area-averaged copy with at most that long side, and its scale."""
    scale = long_side / max(rgb.shape[:2])
    if scale >= 1:
        return rgb, 1.0
    size = (max(round(rgb.shape[1] * scale), 1), max(round(rgb.shape[0] * scale), 1))
    return cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), scale


def shrink_evenly(rgb: np.ndarray, factor: int) -> np.ndarray:
    """Every ``factor`` x ``factor`` block averaged to one pixel; a rest at the right and bottom edge is left out.

    Many times as fast as any other factor. A point p of the copy lies at ``rescale_points(p, factor)``.
    """
    if factor <= 1:
        return rgb
    height, width = rgb.shape[0] // factor, rgb.shape[1] // factor
    return cv2.resize(rgb[: height * factor, : width * factor], (width, height), interpolation=cv2.INTER_AREA)


def find_faces(model: LandmarkModel, rgb: np.ndarray, look_at: int = LOOK_AT) -> list[Face]:
    """All faces of a picture of any size, largest first, in its px: searched on a shrunken copy, then in overlapping quarters."""
    factor = max(max(rgb.shape[:2]) // look_at, 1)
    found = [_moved(face, factor) for face in model.faces(shrink_evenly(rgb, factor))]
    if found or min(rgb.shape[:2]) < 64:
        return found
    for parts in (2, 4):
        if min(rgb.shape[:2]) // parts < 150:
            break
        found = _in_parts(model, rgb, parts, look_at)
        if found:
            return found
    return []


def _in_parts(model: LandmarkModel, rgb: np.ndarray, parts: int, look_at: int) -> list[Face]:
    """Faces in overlapping windows of a ``parts``-th of each side; the first window that shows any decides."""
    height, width = rgb.shape[0] // parts, rgb.shape[1] // parts
    for top in np.linspace(0, rgb.shape[0] - height, 2 * parts - 1).astype(int):
        for left in np.linspace(0, rgb.shape[1] - width, 2 * parts - 1).astype(int):
            part = rgb[top : top + height, left : left + width]
            factor = max(max(part.shape[:2]) // look_at, 1)
            found = [_moved(face, factor, (left, top)) for face in model.faces(shrink_evenly(part, factor))]
            # A face cut by the window's edge is found whole in the next window.
            whole = [face for face in found if face.box[0] > left and face.box[2] < left + width]
            if whole:
                return whole
    return []


def sharpen_face(model: LandmarkModel, rgb: np.ndarray, face: Face, look_at: int = LOOK_AT) -> Face:
    """The same face looked at again in a crop at the best resolution, when the first look was at a small copy."""
    seen = face.size / max(max(rgb.shape[:2]) // look_at, 1)
    if seen >= ENOUGH:
        return face
    left, top, right, bottom = face.box
    reach = 0.6 * max(right - left, bottom - top)
    x0, y0 = max(int(left - reach), 0), max(int(top - reach), 0)
    x1, y1 = min(int(right + reach) + 1, rgb.shape[1]), min(int(bottom + reach) + 1, rgb.shape[0])
    part = rgb[y0:y1, x0:x1]
    scale = 2.0 * ENOUGH / max(right - left, bottom - top)
    size = (max(round((x1 - x0) * scale), 1), max(round((y1 - y0) * scale), 1))
    copy = cv2.resize(part, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    back = (part.shape[1] / copy.shape[1], part.shape[0] / copy.shape[0])
    again = [_moved(other, back, (x0, y0)) for other in model.faces(copy)]
    near = [other for other in again if np.hypot(*(other.points.mean(0) - face.points.mean(0))) < 0.2 * face.size]
    return near[0] if near else face


def _moved(face: Face, scale: float | tuple[float, float], origin: tuple[int, int] = (0, 0)) -> Face:
    points = rescale_points(face.points, scale) + origin
    return Face(points, face.depth * np.mean(scale), face.yaw, face.pitch, face.roll)
