"""References to draw from: a photograph that a package carries, and rendered faces that belong to nobody."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

if TYPE_CHECKING:
    from featurediff.testing.table.scene import TableScene


@dataclass(frozen=True)
class Scene:
    """A reference picture with what is known of it.

    ``pixels`` (h, w, 3) uint8 RGB. ``curves``: name -> (n, 2) px, exact where known, with the picture's left and right.
    ``size_px``: height of the head (crown to chin). ``centre_px``: the head's middle. ``mask`` (h, w) bool: the subject, or None.
    ``landmarks``: further true points by name, (n, 2) px; on rendered faces "mesh" holds the
    468 points of the face mesh. ``fills``: short strokes that fill a thing rather than bound it (hairs of a brow, of the head).
    ``firmness``: how firmly a curve is drawn, by name, 1 = as others. ``straight``: the curves' straight sides are drawn as such,
    one by one. ``started``: words of the curves that a "partial" hand draws.
    """

    name: str
    pixels: np.ndarray
    curves: Mapping[str, np.ndarray]
    size_px: float
    centre_px: tuple[float, float]
    mask: np.ndarray | None = None
    landmarks: Mapping[str, np.ndarray] = field(default_factory=dict)
    fills: Mapping[str, tuple[np.ndarray, ...]] = field(default_factory=dict)
    firmness: Mapping[str, float] = field(default_factory=dict)
    straight: bool = False
    started: tuple[str, ...] = ("lid", "iris", "pupil", "brow")

    def points(self, *words: str) -> np.ndarray:
        """All points (n, 2) of the curves and fills whose names contain one of these words: what a `Move` moves."""
        lines = [c for n, c in self.curves.items() if any(w in n for w in words)]
        lines += [hair for n, hairs in self.fills.items() if any(w in n for w in words) for hair in hairs]
        return np.vstack([*lines, np.zeros((0, 2))])

    def still(self, *words: str, gap_px: float = 0.0) -> np.ndarray:
        """The points of all other curves and fills, for `Warp`, less those nearer than ``gap_px`` to a moved one."""
        moved = self.points(*words)
        lines = [c for n, c in self.curves.items() if not any(w in n for w in words)]
        lines += [hair for n, hairs in self.fills.items() if not any(w in n for w in words) and n != "hair" for hair in hairs]
        rest = np.vstack([*lines, np.zeros((0, 2))])
        if not gap_px or not len(moved) or not len(rest):
            return rest
        near = np.ones(self.pixels.shape[:2], np.uint8)
        cells = np.clip(np.round(moved).astype(int), 0, [near.shape[1] - 1, near.shape[0] - 1])
        near[cells[:, 1], cells[:, 0]] = 0
        away = cv2.distanceTransform(near, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
        cells = np.clip(np.round(rest).astype(int), 0, [near.shape[1] - 1, near.shape[0] - 1])
        return rest[away[cells[:, 1], cells[:, 0]] >= gap_px]


def astronaut_scene() -> Scene:
    """scikit-image's portrait of a smiling woman (NASA, public domain), head and collar, enlarged five times to 1200 x 1500 px.

    Needs scikit-image. No curve is known exactly: its drawings' lines come from the photo's edges.
    """
    from skimage.data import astronaut

    left, top, enlarge = 107, 0, 5.0
    crop = astronaut()[top : top + 300, left : left + 240]
    pixels = cv2.resize(crop, None, fx=enlarge, fy=enlarge, interpolation=cv2.INTER_CUBIC)
    ys, xs = np.mgrid[: pixels.shape[0], : pixels.shape[1]]
    # Head, hair and collar, by eye; keeps the flag and the model behind the sitter out of the drawing.
    mask = ((xs - 600) / 400.0) ** 2 + ((ys - 470) / 430.0) ** 2 < 1
    mask |= ((xs - 520) / 560.0) ** 2 + ((ys - 1100) / 440.0) ** 2 < 1
    return Scene("astronaut", pixels, {}, 815.0, (600.0, 485.0), mask)


def rendered_face(
    seed: int,
    *,
    yaw: float = 0.0,
    pitch: float = 0.0,
    roll: float = 0.0,
    glasses: bool = False,
    beard: bool = False,
    mouth_open: float = 0.0,
    size: tuple[int, int] = (1200, 1500),
) -> Scene:
    """A rendered face that belongs to nobody; see `featurediff.testing.faces3d`.

    ``seed`` chooses the identity: below 100 to develop on, from 100 on to report on; never mix them. Angles in degrees: ``yaw``
    turns the face to the picture's right, ``pitch`` lowers the chin, ``roll`` leans the head clockwise. ``mouth_open`` 0..1.
    ``size`` (w, h) px.
    """
    from featurediff.testing.faces3d import render_face

    return render_face(seed, yaw=yaw, pitch=pitch, roll=roll, glasses=glasses, beard=beard, mouth_open=mouth_open, size=size)


def rendered_building(seed: int, kind: str = "facade", *, size: tuple[int, int] = (1500, 1200), clutter: bool | None = None):
    """A rendered view of invented buildings with its exact edges: a `featurediff.testing.buildings.record.BuildingScene`.

    ``kind``: "facade" (square on or nearly), "street" (between two rows), "corner" (a corner house), "tower" (looking up) or
    "arcade" (round arches and a domed tower). ``seed`` below 100 to develop on, from 100 on to report on. ``size`` (w, h) px.
    ``clutter``: trees, people, a car, a lamp, wires; None lets the seed choose. Raises ValueError on an unknown kind.
    """
    from featurediff.testing.buildings.render import render_building

    return render_building(seed, kind, size=size, clutter=clutter)


def rendered_table(seed: int, *, size: tuple[int, int] = (1500, 1200)) -> TableScene:
    """An invented still life on a table, every contour exact; see `featurediff.testing.table.scene`.

    ``seed`` chooses things, forms, colours, light and the camera's height (10 to 45 degrees): below 100 to develop on, from 100
    on to report on; never mix them. ``size`` (w, h) px.
    """
    from featurediff.testing.table.scene import render_table

    return render_table(seed, size)


def coffee_scene() -> Scene:
    """scikit-image's photograph of a cup of coffee (Pikolo Espresso Bar, CC0), enlarged two and a half times to 1500 x 1000 px.

    Needs scikit-image. No curve is known exactly: its drawings' lines come from the photo's edges.
    """
    from skimage.data import coffee

    enlarge = 2.5
    pixels = cv2.resize(coffee(), None, fx=enlarge, fy=enlarge, interpolation=cv2.INTER_CUBIC)
    ys, xs = np.mgrid[: pixels.shape[0], : pixels.shape[1]]
    # Saucer and cup, by eye; keeps the table's grain out of the drawing.
    mask = ((xs - 700) / 520.0) ** 2 + ((ys - 560) / 430.0) ** 2 < 1
    mask |= ((xs - 730) / 320.0) ** 2 + ((ys - 290) / 260.0) ** 2 < 1
    return Scene("coffee", pixels, {}, 930.0, (700.0, 505.0), mask)


def photo_building(name: str = "pagoda") -> Scene:
    """A photograph of a building as a scene without exact curves, for hands that draw the photo's own edges.

    "pagoda": a three-storeyed round tower with curved eaves behind trees, from the wheel of scikit-learn (china.jpg by
    danielbuechele, CC BY 2.0), enlarged 2.5 times to 1600 x 1067 px. The package is not imported, nor needed otherwise. Raises
    KeyError on an unknown name and FileNotFoundError when scikit-learn is not installed.
    """
    if name != "pagoda":
        raise KeyError(f"unknown photograph '{name}'; known: pagoda")
    from PIL import Image

    path = _file_of("scikit-learn", "sklearn/datasets/images/china.jpg")
    with Image.open(path) as picture:
        small = np.asarray(picture.convert("RGB"))
    enlarge = 2.5
    pixels = cv2.resize(small, None, fx=enlarge, fy=enlarge, interpolation=cv2.INTER_CUBIC)
    outline = [(194, 26), (218, 26), (226, 70), (325, 122), (334, 182), (356, 250), (372, 335), (330, 385), (205, 375), (70, 345),
               (58, 265), (82, 180), (92, 115), (185, 65)]  # fmt: skip
    mask = np.zeros(pixels.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.int32(np.round((np.array(outline) + 0.5) * enlarge - 0.5))], 1)
    return Scene("pagoda", pixels, {}, 360 * enlarge, (212 * enlarge, 205 * enlarge), mask.astype(bool))


def _file_of(package: str, inside: str) -> Path:
    """A file that an installed package carries, found without importing it. Raises FileNotFoundError."""
    try:
        found = Path(str(metadata.distribution(package).locate_file(inside)))
    except metadata.PackageNotFoundError:
        raise FileNotFoundError(
            f"the package {package} carries this picture and is not installed: pip install {package}"
        ) from None
    if not found.is_file():
        raise FileNotFoundError(f"the installed {package} does not carry {inside}: another version of it may")
    return found
