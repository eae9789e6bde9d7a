"""Photographs a simulated sheet: a pinhole with a phone's lens, lying page on a floor, light, shadow, noise, JPEG."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.geometry import apply
from featurediff.testing.hands import SimulatedSheet
from featurediff.testing.paper import noise
from featurediff.testing.props import Prop

# Diagonal of the 36 x 24 mm frame that "equivalent" focal lengths refer to.
FULL_FRAME_DIAGONAL = math.hypot(36.0, 24.0)
MARGIN_MM = 6.0


@dataclass(frozen=True)
class Photo:
    """A simulated photograph with its true camera.

    ``pixels`` (h, w, 3) uint8 RGB. ``to_px`` (3, 3): sheet mm -> photo px, lens distortion left out (see `project`).
    ``tilt_deg``: angle between the lens axis and the sheet's normal. ``camera`` (3, 3), ``rotation`` (3, 3), ``translation`` (3,)
    and ``radial`` follow OpenCV's pinhole model for points (x_mm, y_mm, 0); ``radial`` is its k1.
    """

    pixels: np.ndarray
    to_px: np.ndarray
    tilt_deg: float
    camera: np.ndarray
    rotation: np.ndarray
    translation: np.ndarray
    radial: float = 0.0

    def project(self, points_mm: np.ndarray) -> np.ndarray:
        """(n, 2) sheet mm -> (n, 2) photo px, lens distortion included."""
        return _distort(apply(self.to_px, points_mm), self.camera, self.radial)


def photograph(
    sheet: SimulatedSheet,
    *,
    tilt_deg: float = 0.0,
    tilt_axis_deg: float = 0.0,
    distance_mm: float | None = None,
    lens_mm: float | None = None,
    turn_deg: float = 0.0,
    megapixels: float = 12.0,
    floor: str = "wood",
    light_falloff: float = 0.15,
    shadow: float = 0.0,
    blur_px: float = 0.7,
    noise_level: float = 1.0,
    barrel: float = 0.0,
    curl_mm: float = 0.0,
    corner_mm: float = 0.0,
    deckle_mm: float = 0.0,
    lifted_mm: float = 0.0,
    props: Sequence[Prop] = (),
    fill: float = 0.85,
    crop: tuple[float, float, float, float] | None = None,
    jpeg_quality: int = 90,
    seed: int = 0,
) -> Photo:
    """Photograph a sheet that lies on a floor.

    ``tilt_deg`` about an axis in the sheet at ``tilt_axis_deg`` (0 = the sheet's x axis, so that the top recedes for a positive
    tilt). Without ``distance_mm`` a ``lens_mm`` (26 by default, full-frame equivalent) goes so near that the page fills
    ``fill`` of the frame; with it the lens is zoomed to do so unless ``lens_mm`` is given too. ``turn_deg`` turns the page in the
    frame. ``floor``: one of `FLOORS`. ``light_falloff``: how much darker the far side is. ``shadow`` 0..1: a soft shadow of hand
    or phone. ``barrel``: radial displacement at the frame's corner as a fraction, negative = barrel. ``curl_mm``: height of a
    mild cockle. ``lifted_mm``: how high the left and right edges rise, of a sheet that was rolled. ``corner_mm``: radius of
    rounded corners. ``deckle_mm``: raggedness of the edges. ``props``: what else lies there, under the page or over it, the last
    one on top. ``crop``: left, top, right, bottom as fractions of the frame. Deterministic by ``seed``. Raises KeyError on an
    unknown floor.
    """
    texture, rng = _floor(floor, seed)
    w, h = _frame(sheet.placement.sheet_mm, megapixels)
    rotation = _pose(tilt_deg, tilt_axis_deg, turn_deg)
    camera, distance = _fit(sheet.placement.sheet_mm, rotation, (w, h), distance_mm, lens_mm, fill)
    middle = np.array([sheet.placement.sheet_mm[0] / 2, sheet.placement.sheet_mm[1] / 2, 0.0])
    translation = np.array([0.0, 0.0, distance]) - rotation @ middle
    to_px = camera @ np.column_stack([rotation[:, 0], rotation[:, 1], translation])
    to_px = to_px / to_px[2, 2]
    page = _page(sheet, distance, curl_mm, corner_mm, deckle_mm, lifted_mm, rng)
    picture = _compose(sheet, page, to_px, (w, h), texture, props, rng)
    picture *= _light((h, w), light_falloff, shadow, rng)
    radial = barrel / ((w / 2) ** 2 + (h / 2) ** 2) * camera[0, 0] ** 2
    picture = _bend_lens(picture, camera, radial)
    pixels = _develop(picture, blur_px, noise_level, rng)
    if crop is not None:
        left, top, right, bottom = round(crop[0] * w), round(crop[1] * h), round(crop[2] * w), round(crop[3] * h)
        pixels = np.ascontiguousarray(pixels[top:bottom, left:right])
        shift = np.array([[1.0, 0, -left], [0, 1.0, -top], [0, 0, 1.0]])
        to_px, camera = shift @ to_px, shift @ camera
    return Photo(_jpeg(pixels, jpeg_quality), to_px, abs(tilt_deg), camera, rotation, translation, radial)


def _frame(sheet_mm: tuple[float, float], megapixels: float) -> tuple[int, int]:
    """4:3 frame (w, h) px, upright when the sheet is."""
    long = round(math.sqrt(megapixels * 1e6 * 4 / 3) / 4) * 4
    short = long * 3 // 4
    return (short, long) if sheet_mm[1] >= sheet_mm[0] else (long, short)


def _pose(tilt_deg: float, tilt_axis_deg: float, turn_deg: float) -> np.ndarray:
    """(3, 3) rotation sheet -> camera: x right, y down, z away from the viewer."""
    axis = math.radians(tilt_axis_deg)
    # About (1, 0, 0) the sheet's top (negative y) moves away for a positive tilt.
    tilt, _ = cv2.Rodrigues(-math.radians(tilt_deg) * np.array([math.cos(axis), math.sin(axis), 0.0]))
    turn, _ = cv2.Rodrigues(math.radians(turn_deg) * np.array([0.0, 0.0, 1.0]))
    return turn @ tilt


def _fit(sheet_mm, rotation, size, distance, lens_mm, fill) -> tuple[np.ndarray, float]:
    """Camera matrix and distance so that the page fills the frame, or as given."""
    w, h = size
    middle = np.array([(w - 1) / 2, (h - 1) / 2])
    per_lens = math.hypot(w, h) / FULL_FRAME_DIAGONAL
    page = (np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) - 0.5) * sheet_mm
    page = np.column_stack([page, np.zeros(4)]) @ rotation.T

    def share(focal: float, away: float) -> float:
        at = focal * page[:, :2] / (page[:, 2:] + away)
        return float((np.abs(at) / (middle + 0.5)).max())

    focal = per_lens * (26.0 if lens_mm is None else lens_mm)
    if distance is None:
        low, high = 60.0, 20000.0
        for _ in range(60):
            distance = (low * high) ** 0.5
            low, high = (distance, high) if share(focal, distance) > fill else (low, distance)
    elif lens_mm is None:
        focal = fill / share(1.0, distance)
    return np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1.0]]), float(distance)


def _compose(sheet, page_and_alpha, to_px, size, texture, props, rng) -> np.ndarray:
    """(h, w, 3) float32 0..1: the page on its floor with what lies there, evenly lit."""
    ground = _project_floor(texture, to_px, size, sheet.placement.sheet_mm)
    for prop in props:
        if not prop.over:
            ground = _laid(ground, prop, to_px)
    k = sheet.px_per_mm
    scale = abs(np.linalg.det(to_px)) ** 0.5 / _depth(to_px, np.array(sheet.placement.sheet_mm) / 2) ** 1.5
    page, alpha = page_and_alpha
    if scale < 0.9 * k:
        # The photo is coarser than the sheet's picture: average first, so that thin lines do not alias.
        sigma = 0.45 * math.sqrt(max((k / scale) ** 2 - 1.0, 0.0))
        page, alpha = cv2.GaussianBlur(page, (0, 0), sigma), cv2.GaussianBlur(alpha, (0, 0), sigma)
    margin = MARGIN_MM * k
    page_px = np.array([[1 / k, 0, (0.5 - margin) / k], [0, 1 / k, (0.5 - margin) / k], [0, 0, 1.0]])
    whole = to_px @ page_px
    seen = cv2.warpPerspective(page, whole, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    cover = cv2.warpPerspective(alpha, whole, size, flags=cv2.INTER_LINEAR, borderValue=0)
    drop = np.array([[1, 0, rng.uniform(0.5, 1.2) * scale], [0, 1, rng.uniform(0.5, 1.5) * scale], [0, 0, 1.0]])
    small = tuple(s // 4 for s in size)
    quarter = np.diag([0.25, 0.25, 1.0])
    dark = cv2.warpPerspective(alpha, quarter @ drop @ whole, small, flags=cv2.INTER_AREA, borderValue=0)
    dark = cv2.resize(cv2.GaussianBlur(dark, (0, 0), max(0.25 * scale, 0.6)), size)
    ground *= (1 - 0.45 * dark)[..., None]
    cover = cover[..., None]
    picture = ground + cover * (seen.astype(np.float32) / 255.0 - ground)
    for prop in props:
        if prop.over:
            picture = _laid(picture, prop, to_px)
    return picture


def _laid(picture: np.ndarray, prop: Prop, to_px: np.ndarray) -> np.ndarray:
    """The (h, w, 3) picture with a prop laid on it."""
    size = picture.shape[1::-1]
    matrix = to_px @ prop.to_mm
    colour = cv2.warpPerspective(prop.pixels, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    cover = cv2.warpPerspective(prop.cover, matrix, size, flags=cv2.INTER_LINEAR, borderValue=0)[..., None]
    return picture + cover * (prop.gain / 255.0 * colour.astype(np.float32) - picture)


def _depth(to_px: np.ndarray, at: np.ndarray) -> float:
    return float(to_px[2, 0] * at[0] + to_px[2, 1] * at[1] + to_px[2, 2])


def _page(sheet, distance, curl_mm, corner_mm, deckle_mm, lifted_mm, rng) -> tuple[np.ndarray, np.ndarray]:
    """The sheet's picture with a margin, and its outline (alpha), after curl, cockle, rounded corners and deckle."""
    k = sheet.px_per_mm
    m = round(MARGIN_MM * k)
    page = cv2.copyMakeBorder(sheet.pixels, m, m, m, m, cv2.BORDER_REPLICATE)
    h, w = sheet.pixels.shape[:2]
    alpha = np.zeros(page.shape[:2], np.float32)
    alpha[m : m + h, m : m + w] = 1.0
    if corner_mm:
        r = corner_mm * k
        ys, xs = np.mgrid[:h, :w].astype(np.float32)
        dx = np.maximum(np.maximum(r - 0.5 - xs, xs - (w - 0.5 - r)), 0)
        dy = np.maximum(np.maximum(r - 0.5 - ys, ys - (h - 0.5 - r)), 0)
        alpha[m : m + h, m : m + w] = np.clip(r - np.hypot(dx, dy) + 0.5, 0, 1)
    if deckle_mm:
        ragged = noise(alpha.shape, 1.5 * k, rng) * 0.7 + noise(alpha.shape, 6 * k, rng) * 0.5
        xs = cv2.distanceTransform((alpha > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
        alpha = np.clip(xs - deckle_mm * k * np.abs(ragged) + 0.5, 0, 1).astype(np.float32) * (alpha > 0)
    if curl_mm:
        waves = noise(alpha.shape, 45 * k, rng)
        rise = curl_mm * (waves - waves.min()) / max(float(waves.max() - waves.min()), 1e-6)
        page, alpha = _risen(page, alpha, rise, distance, k)
    if lifted_mm:
        across = np.linspace(-1, 1, alpha.shape[1], dtype=np.float32)
        page, alpha = _risen(page, alpha, np.tile(lifted_mm * across**2, (len(alpha), 1)), distance, k)
    return page, alpha


def _risen(page, alpha, rise, distance, k) -> tuple[np.ndarray, np.ndarray]:
    """A page that rises by ``rise`` (h, w) mm, seen from ``distance`` above its middle: higher parts look further out."""
    h, w = alpha.shape
    ys, xs = np.mgrid[:h, :w].astype(np.float32)
    share = rise / distance
    x, y = xs - share * (xs - w / 2), ys - share * (ys - h / 2)
    slope = cv2.Sobel(rise, cv2.CV_32F, 1, 0, ksize=3) / 8 * k
    shade = np.clip(1 + 1.2 * slope, 0.8, 1.2)[..., None]
    page = cv2.remap(page, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    page = np.clip(page * shade, 0, 255).astype(np.uint8)
    return page, cv2.remap(alpha, x, y, cv2.INTER_LINEAR, borderValue=0)


FLOOR_PX_PER_MM = 2.5
FLOOR_MM = 900


def _project_floor(texture: np.ndarray, to_px: np.ndarray, size: tuple[int, int], sheet_mm) -> np.ndarray:
    k = FLOOR_PX_PER_MM
    x0, y0 = sheet_mm[0] / 2 - FLOOR_MM / 2, sheet_mm[1] / 2 - FLOOR_MM / 2
    place = np.array([[1 / k, 0, x0], [0, 1 / k, y0], [0, 0, 1.0]])
    ground = cv2.warpPerspective(texture, to_px @ place, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    return ground.astype(np.float32) / 255.0


def _cloth_of(field: np.ndarray, dark: tuple, light: tuple) -> np.ndarray:
    """uint8 RGB: a 0..1 field between two colours."""
    field = np.clip(field, 0, 1)[..., None]
    return ((1 - field) * np.array(dark) + field * np.array(light)).clip(0, 255).astype(np.uint8)


def _side() -> int:
    return int(FLOOR_MM * FLOOR_PX_PER_MM)


def _wood(rng: np.random.Generator, plank_mm: float = 1e9, gap_mm: float = 0.0) -> np.ndarray:
    n, k = _side(), FLOOR_PX_PER_MM
    ys = np.arange(n)[:, None] / k
    slow = noise((n // 8, n // 8), 25, rng)
    slow = cv2.resize(slow, (n, n))
    grain = cv2.GaussianBlur(rng.standard_normal((n, n)).astype(np.float32), (0, 0), sigmaX=40, sigmaY=0.8)
    grain /= grain.std()
    rings = np.sin((ys + 7 * slow) * 0.55)
    field = 0.5 + 0.16 * rings + 0.10 * grain + 0.08 * slow
    if plank_mm < 1e8:
        index = np.floor(ys / plank_mm).astype(int).ravel()
        field = field + rng.normal(0, 0.12, index.max() + 1)[index][:, None]
        field = np.where(ys % plank_mm < gap_mm, 0.02, field)
    return _cloth_of(field, (70, 44, 26), (186, 140, 96))


def _boards(rng: np.random.Generator) -> np.ndarray:
    return _wood(rng, plank_mm=rng.uniform(60, 95), gap_mm=1.6)


def _cloth(rng: np.random.Generator) -> np.ndarray:
    n = _side()
    ys, xs = np.mgrid[:n, :n].astype(np.float32)
    weave = 0.5 + 0.12 * np.sin(xs * 1.9) * np.sin(ys * 1.9) + 0.05 * noise((n, n), 1.0, rng)
    folds = noise((n, n), 90, rng)
    tint = rng.uniform(60, 150, 3)
    return _cloth_of(weave + 0.16 * folds, tuple(tint * 0.45), tuple(np.minimum(tint * 1.35, 230)))


def _tile(rng: np.random.Generator) -> np.ndarray:
    n, k = _side(), FLOOR_PX_PER_MM
    ys, xs = np.mgrid[:n, :n].astype(np.float32) / k
    step, gap = rng.uniform(95, 150), rng.uniform(2, 4)
    u, v = (xs + rng.uniform(0, step)) % step, (ys + rng.uniform(0, step)) % step
    field = 0.72 + 0.06 * noise((n, n), 18, rng) + 0.02 * noise((n, n), 1, rng)
    return _cloth_of(np.where((u < gap) | (v < gap), 0.25, field), (60, 58, 55), (205, 200, 190))


def _dark(rng: np.random.Generator) -> np.ndarray:
    return _cloth_of(
        0.4 + 0.1 * noise((_side(), _side()), 1.2, rng) + 0.1 * noise((_side(), _side()), 60, rng), (14, 14, 16), (58, 58, 62)
    )


def _white(rng: np.random.Generator) -> np.ndarray:
    n = _side()
    return _cloth_of(0.5 + 0.1 * noise((n, n), 1.5, rng) + 0.2 * noise((n, n), 80, rng), (196, 197, 198), (226, 226, 224))


FLOORS: dict[str, Callable[[np.random.Generator], np.ndarray]] = {
    "wood": _wood,
    "boards": _boards,
    "cloth": _cloth,
    "tile": _tile,
    "dark": _dark,
    "white": _white,
}


def _floor(floor: str, seed: int) -> tuple[np.ndarray, np.random.Generator]:
    """A floor's texture, and the generator that the rest of the photograph goes on with."""
    texture, state = _floor_and_state(floor, seed)
    rng = np.random.default_rng()
    rng.bit_generator.state = state
    return texture, rng


@functools.lru_cache(maxsize=8)
def _floor_and_state(floor: str, seed: int) -> tuple[np.ndarray, dict]:
    """Making a floor takes as long as all else: the same sheet is often photographed on the same floor again."""
    rng = np.random.default_rng([seed, 77])
    texture = FLOORS[floor](rng)
    return texture, rng.bit_generator.state


def _light(shape: tuple[int, int], falloff: float, shadow: float, rng: np.random.Generator) -> np.ndarray:
    """(h, w, 3) float32 factor: a lamp from one side, the lens's vignette, a warm or cool cast, a soft shadow."""
    h, w = shape
    ys, xs = np.mgrid[: h // 16 + 1, : w // 16 + 1].astype(np.float32)
    u, v = xs / (w / 16) - 0.5, ys / (h / 16) - 0.5
    angle = rng.uniform(0, 2 * np.pi)
    field = 1 - falloff * (0.5 + u * np.cos(angle) + v * np.sin(angle))
    field *= 1 - 0.16 * (u**2 + v**2) * 2
    if shadow:
        field *= 1 - 0.55 * shadow * _shadow(u, v, rng)
    cast = 1 + rng.normal(0, 0.02, 3)
    field = cv2.resize(field, (w, h), interpolation=cv2.INTER_LINEAR)
    return field[..., None] * cast.astype(np.float32)


def _shadow(u: np.ndarray, v: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """0..1: an arm's or tablet's shadow coming in from one side, with a half-sharp edge."""
    angle = rng.uniform(0, 2 * np.pi)
    along, across = u * np.cos(angle) + v * np.sin(angle), -u * np.sin(angle) + v * np.cos(angle)
    edge = rng.uniform(0.0, 0.2) + 0.12 * np.sin(5 * across + rng.uniform(0, 6))
    sharp = rng.uniform(0.02, 0.06)
    return 1 / (1 + np.exp(-(along - edge) / sharp)) / (1 + np.exp((np.abs(across) - 0.35) / 0.05))


def _distort(px: np.ndarray, camera: np.ndarray, radial: float) -> np.ndarray:
    middle, focal = camera[:2, 2], camera[0, 0]
    flat = (np.asarray(px, float) - middle) / focal
    return middle + focal * flat * (1 + radial * (flat**2).sum(1, keepdims=True))


def _bend_lens(picture: np.ndarray, camera: np.ndarray, radial: float) -> np.ndarray:
    """The picture as a lens with radial distortion sees it."""
    if not radial:
        return picture
    h, w = picture.shape[:2]
    step = 16
    rows, cols = np.arange(h // step + 2) * step, np.arange(w // step + 2) * step
    grid = np.stack(np.meshgrid(cols, rows), -1).reshape(-1, 2).astype(float)
    ideal = grid.copy()
    for _ in range(12):
        ideal += grid - _distort(ideal, camera, radial)
    shift = (ideal - grid).reshape(len(rows), len(cols), 2).astype(np.float32)
    ys, xs = np.mgrid[:h, :w].astype(np.float32)
    dx, dy = (cv2.remap(shift[..., i], xs / step, ys / step, cv2.INTER_LINEAR) for i in (0, 1))
    return cv2.remap(picture, xs + dx, ys + dy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _develop(picture: np.ndarray, blur_px: float, noise_level: float, rng: np.random.Generator) -> np.ndarray:
    """Lens blur, sensor noise, a touch of the phone's sharpening, 8 bits."""
    if blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    h, w = picture.shape[:2]
    if noise_level:
        grain = rng.standard_normal((h, w), np.float32)
        colour = cv2.resize(rng.standard_normal((h // 4, w // 4, 3), np.float32), (w, h), interpolation=cv2.INTER_LINEAR)
        picture = picture + noise_level * (0.006 * grain[..., None] + 0.005 * colour)
    return np.clip(picture * 255.0 + 0.5, 0, 255).astype(np.uint8)


def _jpeg(pixels: np.ndarray, quality: int) -> np.ndarray:
    if not quality:
        return pixels
    ok, code = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.ascontiguousarray(cv2.imdecode(code, cv2.IMREAD_COLOR)[..., ::-1]) if ok else pixels
