"""References to try a detector on: the author's own, or a rendered scene; and odd pictures that nobody draws from."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np

from featurediff.geometry import rescale_matrix
from featurediff.pictures import read_picture
from featurediff.records import Picture, Subject
from featurediff.testing.scenes import Scene, rendered_building, rendered_face, rendered_table

# Drawings of larger references cost time and show nothing more: one px is then 0.2 mm on A4.
LONGEST_PX = 1600
HUGE_PX, HUGE_QUICK_PX = 6000, 3000

# Scenes of the development range; a subject's own first.
SCENES: dict[str, Callable[[], Scene]] = {
    "faces": lambda: rendered_face(3),
    "architecture": lambda: rendered_building(3, "facade"),
    "still-life": lambda: rendered_table(3),
}


def rendered(name: str) -> Iterator[tuple[Picture, Scene]]:
    """Rendered scenes for a detector called ``name``: the one of that subject if there is one, else all, one after the other."""
    for subject in [name] if name in SCENES else list(SCENES):
        scene = SCENES[subject]()
        yield Picture(scene.pixels, f"the rendered scene for {subject}"), scene


def own(path: str | Path) -> Picture:
    """The author's picture, shrunk to `LONGEST_PX`. Raises PictureError."""
    return shrunk(read_picture(path))


def shrunk(picture: Picture, longest: int = LONGEST_PX) -> Picture:
    """The picture with a long side of ``longest`` px at most."""
    scale = longest / max(picture.pixels.shape[:2])
    return picture if scale >= 1 else resized(picture, scale)


def resized(picture: Picture, scale: float) -> Picture:
    """The picture at another size: x goes to (x + 0.5) scale - 0.5."""
    h, w = picture.pixels.shape[:2]
    size = (max(round(w * scale), 1), max(round(h * scale), 1))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return Picture(cv2.resize(picture.pixels, size, interpolation=way), picture.name)


def resizing(picture: Picture, scale: float) -> np.ndarray:
    """(3, 3): px of the picture -> px of `resized`. Sides are whole px, so that the scales across and down differ a little."""
    h, w = picture.pixels.shape[:2]
    across, down = max(round(w * scale), 1) / w, max(round(h * scale), 1) / h
    matrix = rescale_matrix(across)
    matrix[1, 1], matrix[1, 2] = down, 0.5 * down - 0.5
    return matrix


def turned(picture: Picture, degrees: float) -> tuple[Picture, np.ndarray]:
    """The picture turned clockwise about its middle, its edge repeated outside; and (3, 3) px -> px of it."""
    h, w = picture.pixels.shape[:2]
    matrix = np.vstack([cv2.getRotationMatrix2D(((w - 1) / 2, (h - 1) / 2), -degrees, 1.0), [0.0, 0.0, 1.0]])
    pixels = cv2.warpAffine(picture.pixels, matrix[:2], (w, h), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return Picture(pixels, picture.name), matrix


def mirrored(picture: Picture) -> tuple[Picture, np.ndarray]:
    """The picture flipped left to right; and (3, 3) px -> px of it."""
    flip = np.array([[-1.0, 0.0, picture.pixels.shape[1] - 1.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    return Picture(np.ascontiguousarray(picture.pixels[:, ::-1]), picture.name), flip


def odd(picture: Picture, quick: bool = False) -> Iterator[tuple[str, Picture]]:
    """(what it is, the picture): blank, noisy, tiny, thin, huge and turned ones."""

    def like(pixels: np.ndarray) -> Picture:
        return Picture(np.ascontiguousarray(pixels), picture.name)

    rng = np.random.default_rng(0)
    yield "a white picture", like(np.full((600, 800, 3), 255, np.uint8))
    yield "a black picture", like(np.zeros((600, 800, 3), np.uint8))
    yield "noise", like(rng.integers(0, 256, (480, 640, 3), np.uint8))
    yield "a picture of 1 x 1 px", like(np.full((1, 1, 3), 128, np.uint8))
    yield "a picture of 3 x 2 px", like(rng.integers(0, 256, (2, 3, 3), np.uint8))
    yield "a thumbnail", shrunk(picture, 48)
    yield "a strip of 3000 x 12 px", like(rng.integers(0, 256, (12, 3000, 3), np.uint8))
    for quarter, degrees in ((3, 90), (2, 180), (1, 270)):
        yield f"the reference turned by {degrees} degrees", like(np.rot90(picture.pixels, quarter))
    longest = HUGE_QUICK_PX if quick else HUGE_PX
    huge = resized(picture, longest / max(picture.pixels.shape[:2]))
    yield f"the reference {longest} px long", huge


def scene_of(picture: Picture, subject: Subject) -> Scene:
    """A photograph as a scene to draw: no line of it is known, so that hands draw the photograph's own edges and tones.

    What the detector says is not drawn: a line that only the detector sees is not in the drawing.
    """
    shape = picture.pixels.shape[:2]
    near = max(3, round(0.06 * subject.size_px))
    zone = np.zeros(shape, np.uint8)
    cv2.fillPoly(zone, [np.round(subject.region).astype(np.int32)], 1)
    for curve in (subject.region, *(f.points for f in subject.features)):
        cv2.polylines(zone, [np.round(curve).astype(np.int32)], False, 1, near)
    middle = (subject.region.min(0) + subject.region.max(0)) / 2
    return Scene(picture.name, picture.pixels, {}, subject.size_px, (float(middle[0]), float(middle[1])), zone.astype(bool))
