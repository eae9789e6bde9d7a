"""Which pixels belong to which thing: the picture is separated into background and objects, at a coarse size."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff_still_life.background import COARSE, DARKEST, border_mask, learn_surroundings
from featurediff_still_life.choices import Box
from featurediff_still_life.splitting import enclosed_by, part_touching
from featurediff_still_life.view import View

LEAST_AREA = 0.0035  # of the picture: smaller patches are crumbs, highlights, grain
LEAST_OF_LARGEST = 0.02  # of the largest thing
HOLE_LIKE = 0.75  # of the limit: an enclosed patch as much like the table as this shows the table
UNSURE = 9  # coarse px: the band around a first outline in which GrabCut decides
MOST_AREA = 0.72  # of the picture: beyond it nothing was separated
EVIDENCE = (1.0, 2.8)  # distance from table and wall, in spreads, at which a pixel is a thing: least, most


@dataclass(frozen=True)
class Thing:
    """One separated object. ``mask`` (h, w) bool at the coarse size, without holes; ``name``: the artist's, or "".

    ``holes`` (h, w) bool: where the table may be seen through it, as through a handle.
    """

    mask: np.ndarray
    name: str
    holes: np.ndarray


@dataclass(frozen=True)
class Coarse:
    """The coarse picture. ``lab`` (h, w, 3), ``edge`` (h, w) per working px, ``scale``: coarse px per working px."""

    lab: np.ndarray
    edge: np.ndarray
    scale: float


def coarsen(view: View) -> Coarse:
    """The view at the size that separation works at."""
    scale = min(1.0, COARSE / max(view.size))
    shape = (round(view.size[1] * scale), round(view.size[0] * scale))
    lab = cv2.resize(view.lab, shape, interpolation=cv2.INTER_AREA)
    # The sharpest of the fine edges in each coarse pixel, so that a fine line still parts.
    reach = max(round(1.0 / scale), 1)
    sharpest = cv2.dilate(view.edge, np.ones((reach, reach), np.uint8)) if reach > 1 else view.edge
    return Coarse(lab, cv2.resize(sharpest, shape, interpolation=cv2.INTER_AREA), scale)


def separate(coarse: Coarse) -> list[Thing]:
    """Everything that is neither table nor wall, one `Thing` each, left to right. Empty when nothing stands out."""
    found = _things_mask(coarse)
    area = found.size
    mask = found | enclosed_by(found)
    if mask.sum() > MOST_AREA * area:
        return []
    patches = _patches(mask, LEAST_AREA * area)
    parted = [piece for patch in patches for piece in part_touching(patch, coarse.edge, coarse.lab, patch & ~found)]
    largest = max((piece.sum() for piece in parted), default=0)
    kept = [piece for piece in parted if piece.sum() >= max(LEAST_AREA * area, LEAST_OF_LARGEST * largest)]
    return [Thing(piece, "", piece & ~found) for piece in sorted(kept, key=_middle_x)]


def separate_boxes(coarse: Coarse, boxes: tuple[Box, ...], to_coarse: float) -> list[Thing]:
    """One `Thing` per box of the artist, by GrabCut in and around it. ``to_coarse``: coarse px per px of the reference.

    A pixel in several boxes goes to the smallest: what is given the tighter box stands in front.
    """
    found = [(box, _in_box(coarse, box, to_coarse)) for box in boxes]
    taken = np.zeros(coarse.lab.shape[:2], bool)
    things = {}
    for box, mask in sorted(found, key=lambda pair: pair[0].width * pair[0].height):
        piece = _largest((mask | enclosed_by(mask)) & ~taken)
        things[box.name] = Thing(piece, box.name, piece & ~mask)
        taken |= piece
    return [things[box.name] for box in boxes]


def separate_mask(coarse: Coarse, mask: np.ndarray) -> list[Thing]:
    """The things of the artist's own black and white picture, (h, w) bool at the coarse size."""
    patches = _patches(mask | enclosed_by(mask), 0.0005 * mask.size)
    parted = [piece for patch in patches for piece in part_touching(patch, coarse.edge, coarse.lab, patch & ~mask)]
    return [Thing(piece, "", piece & ~mask) for piece in sorted(parted, key=_middle_x)]


# ---------------------------------------------------------------- without help


def _things_mask(coarse: Coarse) -> np.ndarray:
    """(h, w) bool: what is neither table nor wall, in light or shadow; holes that show the table are left open."""
    lab = cv2.medianBlur(coarse.lab, 3)
    shaded = cv2.medianBlur(learn_surroundings(lab).distance(lab, DARKEST), 5)
    # Grain and light differ from picture to picture: what the border itself reaches is table still.
    limit = float(np.clip(1.2 * np.percentile(shaded[border_mask(shaded.shape)], 94) + 0.1, *EVIDENCE))
    things = cv2.morphologyEx((shaded > limit).astype(np.uint8), cv2.MORPH_CLOSE, _disc(3))
    things = _filled(cv2.morphologyEx(things, cv2.MORPH_OPEN, _disc(3)) > 0, shaded / limit).astype(np.uint8)
    labels = np.where(things > 0, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    labels[cv2.erode(things, _disc(UNSURE)) > 0] = cv2.GC_FGD
    labels[cv2.dilate(things, _disc(UNSURE)) == 0] = cv2.GC_BGD
    labels[(shaded < 0.5 * limit) & (things == 0)] = cv2.GC_BGD
    cut = _grab_cut(lab, labels, 1)
    return cv2.morphologyEx(cut.astype(np.uint8), cv2.MORPH_OPEN, _disc(3)) > 0


def _disc(width: int) -> np.ndarray:
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))


def _filled(mask: np.ndarray, unlike: np.ndarray) -> np.ndarray:
    """The mask, those of its holes filled that are specks or unlike the table. ``unlike`` (h, w): 1 where a thing begins."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats((~mask).astype(np.uint8), connectivity=4)
    out = mask.copy()
    enclosed = enclosed_by(mask)
    for k in range(1, count):
        left, top, width, height, area = stats[k]
        box = np.s_[top : top + height, left : left + width]
        hole = labels[box] == k
        if enclosed[box][hole][0] and (area < 0.0004 * mask.size or np.median(unlike[box][hole]) > HOLE_LIKE):
            out[box] |= hole
    return out


def _grab_cut(lab: np.ndarray, labels: np.ndarray, rounds: int) -> np.ndarray:
    """(h, w) bool of things, by Rother, Kolmogorov and Blake 2004 ("GrabCut") on the L*a*b* picture."""
    colours = np.clip(lab * np.array([2.55, 2.0, 2.0]) + np.array([0, 128, 128]), 0, 255).astype(np.uint8)
    if not ((labels & 1) == 1).any() or ((labels & 1) == 1).all():
        return (labels & 1) == 1
    cv2.setRNGSeed(7)
    cut, _, _ = cv2.grabCut(colours, labels.copy(), None, np.zeros((1, 65)), np.zeros((1, 65)), rounds, cv2.GC_INIT_WITH_MASK)
    return (cut & 1) == 1


def _patches(mask: np.ndarray, least: float) -> list[np.ndarray]:
    """The connected parts of a mask with at least ``least`` pixels, freed of threads thinner than 3 px."""
    opened = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3)))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    return [labels == k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] >= least]


def _largest(mask: np.ndarray) -> np.ndarray:
    patches = _patches(mask, 1)
    return max(patches, key=np.sum) if patches else np.zeros_like(mask)


def _middle_x(mask: np.ndarray) -> float:
    return float(np.nonzero(mask.any(0))[0].mean())


# ---------------------------------------------------------------- with boxes


def _in_box(coarse: Coarse, box: Box, to_coarse: float) -> np.ndarray:
    height, width = coarse.lab.shape[:2]
    left, top = round(box.left * to_coarse), round(box.top * to_coarse)
    right, bottom = round((box.left + box.width) * to_coarse), round((box.top + box.height) * to_coarse)
    inner = np.zeros((height, width), bool)
    inner[max(top, 0) : max(bottom, 0), max(left, 0) : max(right, 0)] = True
    if not inner.any() or inner.all():
        return inner
    # Only the box's own surroundings tell what is not the thing.
    pad = round(0.35 * max(right - left, bottom - top)) + 3
    y0, y1, x0, x1 = max(top - pad, 0), min(bottom + pad, height), max(left - pad, 0), min(right + pad, width)
    lab, inside = cv2.medianBlur(coarse.lab, 3)[y0:y1, x0:x1], inner[y0:y1, x0:x1]
    labels = np.where(inside, cv2.GC_PR_FGD, cv2.GC_BGD).astype(np.uint8)
    around = learn_surroundings(lab, ~inside) if (~inside).sum() > 60 else None
    if around is not None:
        labels[inside & (around.distance(lab, DARKEST) < 1.2)] = cv2.GC_PR_BGD
    found = np.zeros((height, width), bool)
    found[y0:y1, x0:x1] = _grab_cut(lab, labels, 3)
    return _largest(found & inner)
