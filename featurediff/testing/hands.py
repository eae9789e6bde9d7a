"""The hands that draw: a scene, warped by known moves, becomes a pencil drawing on a flat sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from featurediff.geometry import apply, resample, similarity_matrix
from featurediff.testing import paper
from featurediff.testing.lines import photo_lines
from featurediff.testing.scenes import Scene
from featurediff.testing.strokes import Stroke, lay_down, stroke, wobble
from featurediff.testing.warp import Warp

PX_PER_MM = 8.0


@dataclass(frozen=True)
class Placement:
    """Where the reference is meant to lie on the sheet: p_mm = ``mm_per_px`` R(``turn_deg``) p_px + ``move_mm``."""

    sheet_mm: tuple[float, float]
    mm_per_px: float
    turn_deg: float
    move_mm: tuple[float, float]

    @property
    def matrix(self) -> np.ndarray:
        """(3, 3) similarity reference px -> mm."""
        return similarity_matrix(self.mm_per_px, self.turn_deg, self.move_mm)


def place(
    scene: Scene,
    sheet_mm: tuple[float, float] = (210.0, 297.0),
    height_mm: float = 160.0,
    turn_deg: float = 0.0,
    centre: tuple[float, float] | None = None,
) -> Placement:
    """A placement in which the head is ``height_mm`` high and its middle lies at ``centre`` mm (default: a little above the
    sheet's middle)."""
    mm_per_px = height_mm / scene.size_px
    centre = (sheet_mm[0] / 2, sheet_mm[1] * 0.44) if centre is None else centre
    turned = apply(similarity_matrix(mm_per_px, turn_deg, (0.0, 0.0)), np.array([scene.centre_px]))[0]
    return Placement(sheet_mm, mm_per_px, turn_deg, (float(centre[0] - turned[0]), float(centre[1] - turned[1])))


@dataclass(frozen=True)
class SimulatedSheet:
    """A finished drawing, square on. ``pixels`` (h, w, 3) uint8 RGB at ``px_per_mm``, sheet edge to edge: mm = (px + 0.5) / k.

    ``strokes``: what was drawn, in mm. ``names``: the named curves drawn.
    """

    pixels: np.ndarray
    px_per_mm: float
    placement: Placement
    warp: Warp | None
    names: tuple[str, ...] = ()
    darkness: np.ndarray | None = None

    @property
    def to_mm(self) -> np.ndarray:
        """(3, 3): px of this picture -> mm."""
        k = self.px_per_mm
        return np.array([[1 / k, 0, 0.5 / k], [0, 1 / k, 0.5 / k], [0, 0, 1.0]])

    def true_mm(self, points_px: np.ndarray) -> np.ndarray:
        """Where (n, 2) reference px truly are on the drawing, in mm."""
        return true_mm(points_px, self.placement, self.warp)


def true_mm(points_px: np.ndarray, placement: Placement, warp: Warp | None) -> np.ndarray:
    """(n, 2) reference px -> mm on the sheet, through the known moves and the placement."""
    points = np.asarray(points_px, float).reshape(-1, 2)
    return apply(placement.matrix, points if warp is None else warp.apply(points))


@dataclass(frozen=True)
class Hand:
    """How one hand draws. Lengths in mm; loads as in `Stroke`.

    ``wobble_mm``: spread of the line about its true course; a short line keeps less of it, and each line's mean is taken out:
    its ink lies on average within 0.06 mm of the truth (measured; up to 0.2 mm for a single restated line) while it wanders by
    some 0.2 mm. ``repeats``: searching strokes per line. ``tone``: 0 none .. 1 full.
    ``hatch_mm``: spacing of hatching, 0 none. ``detail``: how many of the photo's lines are drawn. ``feature_load``,
    ``edge_load``: graphite of named curves and of photo lines.
    """

    wobble_mm: float = 0.3
    width_mm: float = 0.45
    repeats: int = 1
    feature_load: float = 1.0
    edge_load: float = 0.7
    detail: float = 1.0
    tone: float = 0.0
    tone_blur_mm: float = 0.5
    hatch_mm: float = 0.0
    overshoot_mm: float = 0.8


HANDS: dict[str, Hand] = {
    "clean": Hand(),
    "restated": Hand(wobble_mm=0.36, repeats=3, feature_load=0.95, edge_load=0.6, detail=0.9, overshoot_mm=3.0),
    "tonal": Hand(wobble_mm=0.27, width_mm=0.6, feature_load=0.4, edge_load=0.22, tone=1.0),
    "hatched": Hand(wobble_mm=0.32, width_mm=0.42, feature_load=0.75, edge_load=0.4, hatch_mm=1.1),
    "faint": Hand(wobble_mm=0.3, width_mm=0.35, feature_load=0.2, edge_load=0.15, detail=0.9),
    "partial": Hand(),
    "hard": Hand(wobble_mm=0.3, width_mm=0.3, feature_load=0.045, edge_load=0.03, detail=0.8),
}


def draw(
    scene: Scene,
    warp: Warp | None = None,
    *,
    hand: str = "clean",
    placement: Placement | None = None,
    seed: int = 0,
    only: Sequence[str] | None = None,
    px_per_mm: float = PX_PER_MM,
    smudged: bool = False,
    erased: Warp | None = None,
) -> SimulatedSheet:
    """Draw a scene, moved by ``warp``, in one of `HANDS`.

    ``smudged``: with smears of the hand. ``erased``: an earlier, wrong state of the drawing whose lines were rubbed out and
    still show as ghosts under the new ones.

    ``only``: draw only named curves whose names contain one of these words, and of the photo's lines and tone only what lies
    near them; "partial" without ``only`` draws what the scene says is ``started`` (the eyes of a face).
    Deterministic by ``seed``. Raises KeyError on an unknown hand.
    """
    style = HANDS[hand]
    placement = place(scene) if placement is None else placement
    if hand == "partial" and only is None:
        only = scene.started
    rng = np.random.default_rng([seed, list(HANDS).index(hand)])
    shape = (round(placement.sheet_mm[1] * px_per_mm), round(placement.sheet_mm[0] * px_per_mm))
    named = {n: c for n, c in scene.curves.items() if only is None or any(word in n for word in only)}
    zone = _zone(scene, named, only)
    strokes = _line_strokes(scene, named, zone, style, placement, warp, rng)
    load = lay_down(strokes, shape, px_per_mm)
    if style.tone or style.hatch_mm:
        target = _tone(scene, zone, style, placement, warp, shape, px_per_mm, rng)
        if style.hatch_mm:
            load += lay_down(_hatching(target, style, placement, px_per_mm, rng), shape, px_per_mm)
        else:
            load += target * style.tone
    relief = paper.tooth(shape, px_per_mm, rng)
    darkness = paper.graphite(load, relief)
    if erased is not None:
        ghost = lay_down(_line_strokes(scene, named, zone, style, placement, erased, rng), shape, px_per_mm)
        ghost = cv2.GaussianBlur(paper.graphite(ghost, relief), (0, 0), 0.15 * px_per_mm)
        darkness = np.maximum(darkness, 0.13 * ghost)
    if smudged:
        darkness = darkness + paper.smudges(shape, px_per_mm, rng) * (1 - darkness)
    bright = paper.blank(shape, px_per_mm, rng) * (1.0 - darkness)
    tint = np.array([1.0, 0.993, 0.975], np.float32)
    pixels = np.clip(bright[..., None] * tint * 255.0 + 0.5, 0, 255).astype(np.uint8)
    return SimulatedSheet(pixels, px_per_mm, placement, warp, tuple(named), darkness)


def _zone(scene: Scene, named: dict[str, np.ndarray], only: Sequence[str] | None) -> np.ndarray | None:
    """(h, w) bool: where photo lines and tone are drawn."""
    if only is None:
        return scene.mask
    zone = np.zeros(scene.pixels.shape[:2], np.uint8)
    if not scene.curves:
        # Nothing is known by name: take the middle of the head, where the eyes are.
        half = np.array([0.33, 0.13]) * scene.size_px
        low, high = (np.round(np.add(scene.centre_px, sign * half)).astype(int) for sign in (-1, 1))
        zone[max(low[1], 0) : high[1], max(low[0], 0) : high[0]] = 1
    for curve in named.values():
        cv2.polylines(zone, [np.round(curve).astype(np.int32)], False, 1, max(3, round(scene.size_px / 30)))
    return zone.astype(bool)


def _line_strokes(scene, named, zone, style, placement, warp, rng) -> list[Stroke]:
    strokes: list[Stroke] = []
    for name, curve in named.items():
        if scene.straight:
            strokes += _sides(curve, style, style.feature_load * scene.firmness.get(name, 1.0), placement, warp, rng)
            continue
        line = true_mm(_dense(curve), placement, warp)
        share = _FEATURE_SHARE.get(name.rsplit(" ", 1)[-1], 1.0) if "brow" in name else _share(name)
        strokes += _restate(line, style, style.feature_load * share, rng)
        if name.startswith("pupil"):
            strokes += _scribble(line, style, style.feature_load, rng)
    for name, hairs in scene.fills.items():
        if zone is None or only_near(name, named, scene):
            strokes += _hairs(name, hairs, style, placement, warp, rng)
    near = np.zeros(scene.pixels.shape[:2], np.uint8)
    for curve in (*scene.curves.values(), *(hair for hairs in scene.fills.values() for hair in hairs)):
        cv2.polylines(near, [np.round(curve).astype(np.int32)], False, 1, max(3, round(scene.size_px / 45)))
    # Where the true lines are known, only the photo's strong further edges are wanted: shadows and folds, not every blush.
    detail = style.detail * (0.55 if scene.curves else 1.0)
    lines = photo_lines(scene.pixels, scene.size_px, detail=detail, mask=zone)
    strongest = np.percentile([line.strength for line in lines], 90) if lines else 1.0
    for line in lines:
        cells = np.clip(np.round(line.points).astype(int), 0, [near.shape[1] - 1, near.shape[0] - 1])
        for run in _free_runs(line.points, near[cells[:, 1], cells[:, 0]] == 0):
            load = style.edge_load * float(np.clip(line.strength / strongest, 0.3, 1.2)) * (0.6 if scene.curves else 1.0)
            strokes += _restate(true_mm(run, placement, warp), style, load, rng)
    return strokes


def _sides(curve, style: Hand, load: float, placement: Placement, warp: Warp | None, rng) -> list[Stroke]:
    """A curve with corners, drawn side by side: each its own freehand line, whose mean and mean slope are true."""
    strokes: list[Stroke] = []
    for side in split_at_corners(curve):
        line = true_mm(_dense(side), placement, warp)
        strokes += _restate(line, style, load, rng, keep_slope=True)
    return strokes


def split_at_corners(curve: np.ndarray, corner_deg: float = 30.0) -> list[np.ndarray]:
    """The runs of a polyline (n, 2) between its corners, where its course turns by more than ``corner_deg``."""
    curve = np.asarray(curve, float)
    if len(curve) < 3:
        return [curve]
    way = np.diff(curve, axis=0)
    heading = np.arctan2(way[:, 1], way[:, 0])
    turn = np.abs((np.diff(heading) + np.pi) % (2 * np.pi) - np.pi)
    cuts = np.flatnonzero(turn > np.radians(corner_deg)) + 1
    ends = [0, *cuts, len(curve) - 1]
    return [curve[lo : hi + 1] for lo, hi in pairwise(ends)]


def _free_runs(points: np.ndarray, free: np.ndarray) -> list[np.ndarray]:
    cuts = np.flatnonzero(np.diff(free.astype(int))) + 1
    return [run for run, on in zip(np.split(points, cuts), np.split(free, cuts), strict=True) if on.all() and len(run) > 8]


def _share(name: str) -> float:
    """How firmly a kind of line is drawn next to the others."""
    return next((share for word, share in _FEATURE_SHARE.items() if name.startswith(word)), 1.0)


_FEATURE_SHARE = {
    "upper lid": 1.25, "lip line": 1.2, "pupil": 1.2, "lower lid": 0.7, "lid crease": 0.55, "nose side": 0.4, "nose wing": 0.8,
    "nostril": 1.0, "nose base": 0.6, "lower lip edge": 0.6, "upper lip edge": 0.75, "hairline": 0.45, "hair edge": 0.6,
    "collar": 0.8, "shoulder": 0.9, "top": 0.35, "bottom": 0.35,
}  # fmt: skip


def only_near(name: str, named: dict[str, np.ndarray], scene: Scene) -> bool:
    """Is a fill wanted when only some curves are drawn? Yes if a curve of its name is."""
    return any(curve.startswith(name) for curve in named)


def _hairs(name, hairs, style, placement, warp, rng) -> list[Stroke]:
    """Brow hairs, beard and strands: single light strokes, no searching."""
    long = name == "hair"
    out = []
    for hair in hairs:
        if long and rng.random() < 0.25:
            continue
        line = true_mm(resample(hair, 2.0), placement, warp)
        if len(line) < 3:
            continue
        line = wobble(resample(line, 0.4), rng, 0.5 * style.wobble_mm)
        load = style.feature_load * (0.22 if long else 0.34) * rng.uniform(0.6, 1.2)
        out.append(stroke(line, rng, width=style.width_mm * (0.8 if long else 0.7), load=load, taper=0.45))
    return out


def _scribble(outline: np.ndarray, style: Hand, load: float, rng: np.random.Generator) -> list[Stroke]:
    """A small round area filled by going round and round."""
    middle = outline.mean(0)
    turns = np.linspace(0, 1, 5 * len(outline))[:, None]
    ring = np.vstack([outline] * 5)
    return [stroke(middle + (ring - middle) * (0.9 * (1 - turns)), rng, width=style.width_mm * 0.8, load=0.5 * load, taper=0.0)]


def _dense(curve: np.ndarray) -> np.ndarray:
    return resample(curve, 2.0) if len(curve) > 1 else curve


def _restate(line: np.ndarray, style: Hand, load: float, rng: np.random.Generator, keep_slope: bool = False) -> list[Stroke]:
    """The strokes of one line: searching ones first and lighter, the last one darkest and nearest to the truth.

    ``keep_slope``: a straight line, see `wobble`."""
    if len(line) < 3:
        return []
    line = resample(line, 0.4)
    out = []
    for turn in range(style.repeats):
        last = turn == style.repeats - 1
        course, spread = line, style.wobble_mm * (1.0 if last else 2.2)
        if keep_slope:
            # A searching stroke is a straight line of its own: cut first, so that its own slope is true.
            course = wobble(line if last else _stretch(line, rng), rng, spread, keep_slope=True)
        else:
            course = wobble(line, rng, spread)
            course = course if last else _stretch(course, rng)
        course = _overshoot(course, style.overshoot_mm * rng.uniform(0.2, 1.0), rng)
        out.append(stroke(course, rng, width=style.width_mm, load=load * (1.0 if last else 0.42)))
    return out


def _stretch(course: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A part of a line: searching strokes rarely run the whole of it. Short lines are kept whole."""
    if len(course) <= 60:
        return course
    lo = rng.integers(0, len(course) // 3)
    return course[lo : lo + int(len(course) * rng.uniform(0.5, 0.75))]


def _overshoot(line: np.ndarray, reach_mm: float, rng: np.random.Generator) -> np.ndarray:
    """Run the pencil a little past both ends."""
    if len(line) < 6:
        return line
    k = min(4, len(line) - 1)
    out = [line]
    for end, inner in ((0, k), (-1, -1 - k)):
        ahead = line[end] - line[inner]
        tip = line[end] + ahead / max(np.hypot(*ahead), 1e-9) * reach_mm * rng.uniform(0.3, 1.0)
        out = [tip[None], *out] if end == 0 else [*out, tip[None]]
    return np.vstack(out)


def _tone(scene, zone, style, placement, warp, shape, px_per_mm, rng) -> np.ndarray:
    """(h, w) graphite load that follows the photo's darkness, carried to the sheet by the warp and the placement."""
    grey = cv2.cvtColor(scene.pixels, cv2.COLOR_RGB2LAB)[..., 0].astype(np.float32) / 255.0
    if zone is not None:
        soft = cv2.GaussianBlur(zone.astype(np.float32), (0, 0), scene.size_px / 60)
        inside = grey[zone]
    else:
        soft, inside = np.ones_like(grey), grey.ravel()
    lo, hi = np.percentile(inside, [2, 92])
    dark = np.clip((hi - grey) / max(hi - lo, 0.05), 0, 1.1) * soft
    dark = cv2.GaussianBlur(dark * _faded(dark.shape), (0, 0), style.tone_blur_mm / placement.mm_per_px)
    sheet = carry(dark, placement, warp, shape, px_per_mm, rng, drift_mm=0.15)
    streak = paper.noise(shape, 0.5 * px_per_mm, rng) * 0.5 + paper.noise(shape, 5 * px_per_mm, rng) * 0.5
    return np.clip(1.5 * sheet**1.3 * (1 + 0.12 * streak), 0, None).astype(np.float32)


def _faded(shape: tuple[int, int]) -> np.ndarray:
    """1 inside, running out unevenly towards the picture's lower and side edges: hands do not shade up to a frame."""
    h, w = shape
    ys, xs = np.mgrid[:h, :w].astype(np.float32)
    ragged = 0.02 * np.sin(xs / w * 19) + 0.015 * np.sin(xs / w * 47 + 1)
    below, aside = 1 - ys / h + ragged, np.minimum(xs, w - 1 - xs) / w
    return np.clip(below / 0.10 - 0.3, 0, 1) * np.clip(aside / 0.05, 0, 1)


def carry(
    field: np.ndarray,
    placement: Placement,
    warp: Warp | None,
    shape: tuple[int, int],
    px_per_mm: float,
    rng: np.random.Generator,
    drift_mm: float = 0.0,
) -> np.ndarray:
    """A reference-sized (h, w) float32 field as it lies on the sheet; ``drift_mm``: spread of a slow wander, zero mean."""
    h, w = shape
    ys, xs = np.mgrid[:h, :w].astype(np.float32)
    back = np.linalg.inv(placement.matrix)
    mm_x, mm_y = (xs + 0.5) / px_per_mm, (ys + 0.5) / px_per_mm
    if drift_mm:
        mm_x = mm_x + drift_mm * paper.noise(shape, 8 * px_per_mm, rng)
        mm_y = mm_y + drift_mm * paper.noise(shape, 8 * px_per_mm, rng)
    x = (back[0, 0] * mm_x + back[0, 1] * mm_y + back[0, 2]).astype(np.float32)
    y = (back[1, 0] * mm_x + back[1, 1] * mm_y + back[1, 2]).astype(np.float32)
    if warp is not None:
        source = warp.inverse_map(*field.shape)
        # Beyond the picture the warp is the identity, so the border is carried on.
        sx = cv2.remap(source[..., 0], x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=-1e4)
        sy = cv2.remap(source[..., 1], x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=-1e4)
        x, y = sx, sy
    return cv2.remap(field, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)


HATCH_LAYERS = ((-52.0, 0.12), (-20.0, 0.45), (-85.0, 0.8))


def _hatching(target: np.ndarray, style: Hand, placement: Placement, px_per_mm: float, rng: np.random.Generator) -> list[Stroke]:
    """Parallel strokes, in a second and third direction (degrees) where the load ``target`` (h, w) passes a threshold."""
    out: list[Stroke] = []
    reach = float(np.hypot(*placement.sheet_mm)) / 2
    middle = np.array(placement.sheet_mm) / 2
    t = np.arange(-reach, reach, 0.5)
    for angle, above in HATCH_LAYERS:
        along = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
        across = np.array([-along[1], along[0]])
        for row in np.arange(-reach, reach, style.hatch_mm):
            aside = row + rng.normal(0, 0.18 * style.hatch_mm) + 0.3 * np.sin(t / 17 + row)
            line = middle + t[:, None] * along + aside[:, None] * across
            out += _hatch_row(line, target, above * (1 + 0.15 * rng.standard_normal()), style, px_per_mm, rng)
    return out


def _hatch_row(line: np.ndarray, target: np.ndarray, above: float, style: Hand, px_per_mm: float, rng) -> list[Stroke]:
    """The strokes of one straight row (n, 2) mm, 0.5 mm apart: where the tone is deep enough, 11 mm at a time."""
    h, w = target.shape
    cells = np.floor(line * px_per_mm).astype(int)
    inside = (cells >= 0).all(1) & (cells[:, 0] < w) & (cells[:, 1] < h)
    value = np.zeros(len(line))
    value[inside] = target[cells[inside, 1], cells[inside, 0]]
    on = value > above
    cuts = np.flatnonzero(np.diff(on.astype(int))) + 1
    out = []
    for run, keep, tone in zip(np.split(line, cuts), np.split(on, cuts), np.split(value, cuts), strict=True):
        if not keep.all() or len(run) < 4:
            continue
        for lo in range(0, len(run), 22):
            part = run[lo : lo + 24]
            if len(part) > 3:
                load = (0.35 + 0.35 * min(tone[lo : lo + 24].mean(), 1.2)) * rng.uniform(0.8, 1.2)
                out.append(stroke(part + rng.normal(0, 0.12, 2), rng, width=style.width_mm, load=load, taper=0.2, vary=0.0))
    return out
