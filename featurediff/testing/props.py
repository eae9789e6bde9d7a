"""What lies around a sheet and on it in a studio: tape, other sheets, swatches, stains, shadows, glare.

A `Prop` is a flat patch with a place in mm on the sheet's plane; `featurediff.testing.camera.photograph` lays it under the page
or over it. Shadows are props too: black, and only partly covering.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.testing import paper

PX_PER_MM = 4.0
_EDGE_MM = 0.15  # a cut edge is not sharper than this


@dataclass(frozen=True)
class Prop:
    """``pixels`` (h, w, 3) uint8 RGB and ``cover`` (h, w) float32 0..1 at `PX_PER_MM`; ``middle`` mm on the sheet's plane, turned
    clockwise by ``turn_deg``. ``over``: it lies on the page, else under it. ``gain``: how many times brighter than its colours it
    is: a reflection outshines white paper."""

    pixels: np.ndarray
    cover: np.ndarray
    middle: tuple[float, float]
    turn_deg: float = 0.0
    over: bool = True
    gain: float = 1.0

    @property
    def to_mm(self) -> np.ndarray:
        """(3, 3): px of its picture -> mm."""
        h, w = self.cover.shape
        angle = np.radians(self.turn_deg)
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) / PX_PER_MM
        matrix = np.eye(3)
        matrix[:2, :2] = turn
        matrix[:2, 2] = np.array(self.middle) - turn @ [(w - 1) / 2, (h - 1) / 2]
        return matrix


def rectangle(size_mm, middle, colour, *, turn_deg=0.0, over=True, cover=1.0, soft_mm=_EDGE_MM, texture=0.0, rng=None) -> Prop:
    """A plain rectangle (width, height) of one RGB ``colour``, its edges ``soft_mm`` soft, with a little ``texture`` 0..1."""
    margin = int(np.ceil(3 * soft_mm * PX_PER_MM)) + 1
    w, h = (round(side * PX_PER_MM) for side in size_mm)
    mask = cv2.copyMakeBorder(np.ones((h, w), np.float32), *(margin,) * 4, cv2.BORDER_CONSTANT, value=0)
    mask = cover * cv2.GaussianBlur(mask, (0, 0), max(soft_mm * PX_PER_MM, 0.3))
    pixels = np.tile(np.array(colour, np.float32), (*mask.shape, 1))
    if texture:
        pixels *= 1 + texture * paper.noise(mask.shape, 1.5, rng)[..., None]
    return Prop(np.clip(pixels, 0, 255).astype(np.uint8), mask, tuple(middle), turn_deg, over)


# ---------------------------------------------------------------- around the sheet


TAPE = (214, 196, 150)


def tape_on_corners(sheet_mm, rng: np.random.Generator) -> tuple[Prop, ...]:
    """A strip of masking tape across each corner."""
    w, h = sheet_mm
    turns = {(0, 0): -45, (w, 0): 45, (w, h): -45, (0, h): 45}
    return tuple(
        rectangle((48, 19), corner, TAPE, turn_deg=turn + rng.uniform(-8, 8), cover=0.93, texture=0.05, rng=rng)
        for corner, turn in turns.items()
    )


def tape_on_edges(sheet_mm, over_mm: float, rng: np.random.Generator) -> tuple[Prop, ...]:
    """Masking tape, 25 mm wide, along all four edges, ``over_mm`` of it on the paper."""
    w, h = sheet_mm
    wide = 25.0
    out = wide / 2 - over_mm
    along = ((w + 2 * wide, wide), (wide, h + 2 * wide))
    places = (((w / 2, -out), along[0]), ((w / 2, h + out), along[0]), ((-out, h / 2), along[1]), ((w + out, h / 2), along[1]))
    return tuple(rectangle(size, middle, TAPE, texture=0.05, rng=rng) for middle, size in places)


def block(sheet_mm, rng: np.random.Generator) -> tuple[Prop, ...]:
    """A watercolour block under its top sheet: dark glue around the edges, a cardboard back that shows on two sides."""
    w, h = sheet_mm
    card = rectangle((w + 9, h + 9), (w / 2 + 3, h / 2 + 3), (120, 104, 84), over=False, texture=0.06, rng=rng)
    rim = rectangle((w + 2.4, h + 2.4), (w / 2, h / 2), (38, 36, 40), over=False, texture=0.1, rng=rng)
    return card, rim


def sheet_beside(sheet_mm, rng: np.random.Generator, drawn: np.ndarray | None = None) -> tuple[Prop, ...]:
    """A second sheet of the same size to the right, partly out of the picture. ``drawn`` (h, w, 3): what is on it."""
    w, h = sheet_mm
    return (_other_sheet(sheet_mm, (1.5 * w + 14, h / 2 + 18), 4.0, rng, drawn),)


def sheets_beneath(sheet_mm, rng: np.random.Generator) -> tuple[Prop, ...]:
    """The pad's next sheets, a little shifted, under the page."""
    w, h = sheet_mm
    places = ((w / 2 + 5.5, h / 2 + 4), 0.8), ((w / 2 + 2.5, h / 2 + 7), -0.5)
    return tuple(_other_sheet(sheet_mm, middle, turn, rng, None, rim=True) for middle, turn in places)


def _other_sheet(sheet_mm, middle, turn, rng, drawn, rim=False) -> Prop:
    w, h = (round(side * PX_PER_MM) for side in sheet_mm)
    tone = paper.blank((h, w), PX_PER_MM, rng, tone=0.91) * 255
    pixels = np.repeat(np.clip(tone, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    if drawn is not None:
        pixels = np.minimum(pixels, cv2.resize(drawn, (w, h), interpolation=cv2.INTER_AREA))
    if rim:  # the shadow that its edge throws on the next one
        cv2.rectangle(pixels, (0, 0), (w - 1, h - 1), (150, 150, 150), 2)
    return Prop(pixels, np.ones((h, w), np.float32), middle, turn, False)


# ---------------------------------------------------------------- on the sheet


def notes(sheet_mm, rng: np.random.Generator) -> tuple[Prop, ...]:
    """Lines of handwriting down the left margin and along the bottom, and a little thumbnail in a frame."""
    w, h = sheet_mm
    written = [_written((34, 5.0), (22, 22 + 8 * line), rng) for line in range(4)]
    written += [_written((70, 5.5), (50, h - 12 - 8 * line), rng) for line in range(2)]
    return (*written, _thumbnail((26, 34), (w - 20, 26), rng))


def swatches(sheet_mm, rng: np.random.Generator) -> tuple[Prop, ...]:
    """Patches of watercolour along the bottom edge."""
    _, h = sheet_mm
    colours = ((196, 120, 92), (96, 118, 160), (70, 92, 60), (222, 190, 120), (92, 60, 54))
    return tuple(
        rectangle((15, 11), (24 + 21 * i, h - 16), c, turn_deg=rng.uniform(-6, 6), cover=0.85, soft_mm=0.5, texture=0.08, rng=rng)
        for i, c in enumerate(colours)
    )


def _written(size_mm, middle, rng) -> Prop:
    """Something like a line of handwriting in pencil."""
    w, h = (round(side * PX_PER_MM) for side in size_mm)
    x = np.arange(0.0, w, 0.6)
    phase = np.cumsum(rng.uniform(0.15, 0.45, len(x)))
    y = h / 2 + (0.22 * h) * np.sin(phase) * (1 + 0.6 * np.sin(0.37 * phase + rng.uniform(0, 6)))
    cover = np.zeros((h, w), np.float32)
    line = np.column_stack([x + 2 * np.cos(phase), y])
    gaps = np.sin(0.11 * x + rng.uniform(0, 6)) > 0.85
    for (x0, y0), (x1, y1), gap in zip(line[:-1], line[1:], gaps, strict=False):
        if not gap:
            cv2.line(cover, (round(x0), round(y0)), (round(x1), round(y1)), 0.7, 1, cv2.LINE_AA)
    return Prop(np.full((h, w, 3), 62, np.uint8), cover, middle)


def _thumbnail(size_mm, middle, rng) -> Prop:
    """A small sketch in a frame: an oval with two lines."""
    w, h = (round(side * PX_PER_MM) for side in size_mm)
    cover = np.zeros((h, w), np.float32)
    cv2.rectangle(cover, (2, 2), (w - 3, h - 3), 0.7, 2)
    cv2.ellipse(cover, (w // 2, h // 2), (w // 4, h // 3), float(rng.uniform(-8, 8)), 0, 360, 0.7, 2, cv2.LINE_AA)
    cv2.line(cover, (w // 2, h // 5), (w // 2 + 3, 4 * h // 5), 0.5, 1, cv2.LINE_AA)
    cv2.line(cover, (w // 4, h // 2 - 6), (3 * w // 4, h // 2 - 5), 0.5, 1, cv2.LINE_AA)
    return Prop(np.full((h, w, 3), 70, np.uint8), cover, middle)


def coffee_stain(middle, rng: np.random.Generator, radius_mm: float = 38.0) -> Prop:
    """The ring a cup left, with a drip."""
    side = round(2.6 * radius_mm * PX_PER_MM)
    ys, xs = (np.mgrid[:side, :side].astype(np.float32) - side / 2) / PX_PER_MM
    angle, away = np.arctan2(ys, xs), np.hypot(xs, ys)
    edge = radius_mm * (1 + 0.012 * np.sin(3 * angle + rng.uniform(0, 6)))
    strength = 0.6 + 0.4 * np.sin(angle + rng.uniform(0, 6))
    ring = strength * np.exp(-0.5 * ((away - edge) / 1.1) ** 2) + 0.10 * (away < edge)
    drip = 0.8 * np.exp(-0.5 * (((xs - 1.1 * radius_mm) / 3.5) ** 2 + (ys / 5.0) ** 2))
    cover = np.clip(0.55 * (ring + drip), 0, 0.6).astype(np.float32)
    return Prop(np.tile(np.array([112, 74, 40], np.uint8), (side, side, 1)), cover, tuple(middle))


# ---------------------------------------------------------------- light


def hard_shadow(size_mm, middle, *, turn_deg=0.0, depth=0.42, soft_mm=1.5) -> Prop:
    """The shadow of something held near the sheet, as a tablet under a lamp throws it: straight, nearly sharp edges."""
    return rectangle(size_mm, middle, (0, 0, 0), turn_deg=turn_deg, cover=depth, soft_mm=soft_mm)


def hand_shadow(middle, rng: np.random.Generator, *, depth=0.4, soft_mm=2.5) -> Prop:
    """The shadow of a forearm and a hand with fingers that reach in from below."""
    w, h = (round(side * PX_PER_MM) for side in (150, 260))
    mask = np.zeros((h, w), np.float32)
    cv2.ellipse(mask, (w // 2, round(0.36 * h)), (round(0.27 * w), round(0.13 * h)), 0, 0, 360, 1, -1)
    cv2.line(mask, (w // 2, round(0.45 * h)), (round(0.6 * w), h), 1, round(0.36 * w))
    for k in range(4):
        tip = (round((0.28 + 0.13 * k) * w + rng.uniform(-8, 8)), round((0.12 + 0.03 * abs(k - 1)) * h))
        cv2.line(mask, (round((0.36 + 0.09 * k) * w), round(0.34 * h)), tip, 1, round(0.085 * w))
    mask = depth * cv2.GaussianBlur(mask, (0, 0), soft_mm * PX_PER_MM)
    return Prop(np.zeros((h, w, 3), np.uint8), mask, tuple(middle), float(rng.uniform(-15, 5)))


def glare(middle, size_mm=(70.0, 46.0), turn_deg: float = 20.0, strength: float = 1.0) -> Prop:
    """The mirror image of a lamp or window on the sheen of the paper: burnt out in the middle, fading."""
    w, h = (round(3 * side * PX_PER_MM) for side in size_mm)
    ys, xs = np.mgrid[:h, :w].astype(np.float32)
    away = ((xs - w / 2) / (w / 6)) ** 2 + ((ys - h / 2) / (h / 6)) ** 2
    cover = np.clip(1.35 * strength * np.exp(-0.5 * away), 0, 1).astype(np.float32)
    cover[cover < 0.004] = 0
    return Prop(np.full((h, w, 3), 255, np.uint8), cover, tuple(middle), turn_deg, gain=1.5)
