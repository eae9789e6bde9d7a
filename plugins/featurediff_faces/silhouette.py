"""The silhouette of the sitter, from a segmentation model, laid on the picture's own edge."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff_faces.frame import PUPILS, Frame
from featurediff_faces.landmarks import cannot_start, close_at_exit, import_vision, quiet
from featurediff_faces.model import SILHOUETTE, find_model

LOOK_AT = 512


class SilhouetteModel:
    """mediapipe's ImageSegmenter with a person/background model, kept open between calls."""

    def __init__(self, path: str = ""):
        self._mediapipe, vision = import_vision()
        file = find_model(SILHOUETTE, path)
        try:
            with quiet():
                options = vision.ImageSegmenterOptions(
                    base_options=self._mediapipe.tasks.BaseOptions(model_asset_path=str(file)),
                    running_mode=vision.RunningMode.IMAGE,
                    output_confidence_masks=True,
                    output_category_mask=False,
                )
                self._segmenter = vision.ImageSegmenter.create_from_options(options)
                self.person(np.zeros((64, 64, 3), np.uint8))
        except (OSError, RuntimeError) as error:
            raise cannot_start(error) from error
        close_at_exit(self)

    def person(self, rgb: np.ndarray) -> np.ndarray:
        """(h, w) float32, 0..1: how sure each pixel belongs to a person."""
        small = rgb
        if max(rgb.shape[:2]) > LOOK_AT:
            scale = LOOK_AT / max(rgb.shape[:2])
            small = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        image = self._mediapipe.Image(image_format=self._mediapipe.ImageFormat.SRGB, data=np.ascontiguousarray(small))
        mask = self._segmenter.segment(image).confidence_masks[-1].numpy_view()
        mask = np.array(mask, np.float32).reshape(small.shape[:2])
        return cv2.resize(mask, (rgb.shape[1], rgb.shape[0]), interpolation=cv2.INTER_LINEAR)

    def close(self) -> None:
        """Release the model; harmless when called twice."""
        if self._segmenter is not None:
            with quiet():
                self._segmenter.close()
            self._segmenter = None


def silhouette(model: SilhouetteModel, frame: Frame) -> np.ndarray | None:
    """(s, s) bool mask of the connected person that holds the face, or None when the model sees none there."""
    mask = ((model.person(frame.rgb) > 0.5) & frame.inside).astype(np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9))
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, kernel)
    _, labels = cv2.connectedComponents(mask)
    middle = np.round(frame.face.points.mean(0)).astype(int)
    if not (0 <= middle[0] < mask.shape[1] and 0 <= middle[1] < mask.shape[0]) or labels[middle[1], middle[0]] == 0:
        return None
    person = (labels == labels[middle[1], middle[0]]).astype(np.uint8)
    # Holes within a person are no background.
    outlines, _ = cv2.findContours(person, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(person, outlines, -1, 1, cv2.FILLED)
    return person > 0


def contour(mask: np.ndarray) -> np.ndarray:
    """The outline (n, 2) of a one-piece mask in frame px, running clockwise on the picture, smoothed over about 2 % of the
    pupil distance."""
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(outlines, key=len)[::-1, 0].astype(np.float32)
    radius = int(0.06 * PUPILS)
    kernel = cv2.getGaussianKernel(2 * radius + 1, 0.02 * PUPILS).astype(np.float32)
    wrapped = np.vstack([outline[-radius:], outline, outline[:radius]])
    smooth = cv2.filter2D(wrapped, -1, kernel, borderType=cv2.BORDER_REPLICATE)[radius:-radius]
    return smooth.astype(float)
