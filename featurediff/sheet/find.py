"""Where the sheet lies in the drawing's photograph, in millimetres, and how far that can be trusted."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.errors import CallError, SheetError
from featurediff.records import Advice, Picture, Sheet
from featurediff.sheet import advice as say
from featurediff.sheet.beneath import upper_corners
from featurediff.sheet.coarse import SMALL_PX, find_outline
from featurediff.sheet.edges import Edge, fit_edges, intersections
from featurediff.sheet.pose import Pose, find_pose, homography, rectangle
from featurediff.sheet.sizes import sheet_name
from featurediff.sheet.trust import LENGTH_95, corner_sigmas, trust_from

MIDDLE_PX = 1300
SMALLEST_PICTURE_PX = 100
SHARP_PX, WIDE_PX = 4.0, 8.0
LASTING_REACH = 0.05  # of the page's shorter side: how far the coarse outline may be off, or stuck on a drawn frame
LEAST_SUPPORT, LEAST_MEAN_SUPPORT = 0.1, 0.3
ASPECT_DOUBTFUL, ASPECT_WRONG = 0.02, 0.12
SCAN_ASPECT_DOUBTFUL, SCAN_ASPECT_WRONG = 0.01, 0.04

# Without squaring: 4 mm on an A4 sheet with the head at 160 mm, as shares of the subject and of the sheet's long side.
UNSQUARED_PERCENT = 2.5
UNSQUARED_SHARE = 4.0 / 297.0
SCAN_SIGMA_MM = 0.1


def find_sheet(
    picture: Picture, size_mm: tuple[float, float] | None, *, scan: bool = False, px_per_mm: float | None = None
) -> Sheet:
    """The sheet of ``size_mm`` (either orientation) in ``picture``.

    ``scan``: the picture is the sheet, edge to edge. ``px_per_mm``: the picture's plain scale, where the page edges are not
    shown; with ``scan`` it is the scanner's, which is as good as the edges. A scan has no tilt. Without any of these, or when
    page edges are missing, the plain picture is returned with ``unit`` "%", ``squared`` False and trust widened: then sheet
    units are px from the picture's top left corner (the caller scales them once it knows the subject's size), while
    ``trust_mm`` and ``corner_sigma_mm`` are in percent of the subject's size.
    Raises `SheetError` when the capture is unusable, `CallError` when the arguments make no sense.
    """
    height, width = picture.pixels.shape[:2]
    if min(height, width) < SMALLEST_PICTURE_PX:
        raise SheetError(f"{picture.name} is only {width} x {height} px.", "Use the camera's full resolution.")
    if px_per_mm is not None:
        return _plain_scale(picture, px_per_mm, scan)
    if scan:
        return _scanned(picture, size_mm)
    if size_mm is None:
        return _unsquared(picture, "not looked for: no sheet size was given", ())
    return _photographed(picture, size_mm)


# ---------------------------------------------------------------- without page edges


def _plain_scale(picture: Picture, px_per_mm: float, scan: bool) -> Sheet:
    if not (np.isfinite(px_per_mm) and 0.1 <= px_per_mm <= 200):
        raise CallError(
            f"{px_per_mm:g} px per mm is no scale.", "Give a number from 0.1 to 200, such as 11.8 for a 300 dpi scan."
        )
    height, width = picture.pixels.shape[:2]
    size = (width / px_per_mm, height / px_per_mm)
    found = f"by the scale given, {px_per_mm:g} px per mm"
    if scan:
        # No camera, no tilt: a scan of a part of the sheet, or of one that its scanner cropped.
        sigma = SCAN_SIGMA_MM
        trust, remarks = LENGTH_95 * sigma, ()
    else:
        sigma = UNSQUARED_SHARE * max(size) / 2
        trust = 2 * sigma
        text = "Taken at the scale you gave; a camera's tilt is not removed, so small errors are not listed."
        remarks = (Advice("note", text),)
    return Sheet(
        size_mm=size,
        found=f"a scan, {found}" if scan else found,
        to_mm=_pixel_grid(px_per_mm),
        corners_px=None,
        tilt_deg=None,
        px_per_mm=px_per_mm,
        trust_mm=trust,
        corner_sigma_mm=np.full(4, sigma),
        squared=scan,
        advice=(*remarks, *say.resolution(px_per_mm)),
    )


def _pixel_grid(px_per_mm: float) -> np.ndarray:
    """px -> mm from the picture's own top left corner, which is half a px before the first pixel's centre."""
    return np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, px_per_mm]]) / px_per_mm


def _scanned(picture: Picture, size_mm: tuple[float, float] | None) -> Sheet:
    if size_mm is None:
        raise CallError("a scan needs the sheet's size.", "Name it, for instance A4.")
    height, width = picture.pixels.shape[:2]
    low, high = sorted(size_mm)
    size = (low, high) if height >= width else (high, low)
    misfit = abs(np.log(width / height) - np.log(size[0] / size[1]))
    if misfit > SCAN_ASPECT_WRONG:
        what = f"{picture.name} is {width} x {height} px, which is not the shape of {sheet_name(size)}."
        raise SheetError(what, "Crop the scan to the sheet's edges, name its real size, or give the scan's px per mm.")
    scale = np.sqrt(width * height / (size[0] * size[1]))
    sigma = float(np.hypot(SCAN_SIGMA_MM, misfit * max(size) / 8))
    remarks = say.resolution(scale)
    if misfit > SCAN_ASPECT_DOUBTFUL:
        remarks += (
            Advice("note", f"The scan's shape is {100 * misfit:.1f} % off {sheet_name(size)}: is it cropped to the sheet?"),
        )
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]]) - 0.5
    return Sheet(
        size_mm=size,
        found="as the whole scan, edge to edge",
        to_mm=homography(corners, rectangle(size)),
        corners_px=corners,
        tilt_deg=None,
        px_per_mm=float(scale),
        trust_mm=LENGTH_95 * sigma,
        corner_sigma_mm=np.full(4, sigma),
        advice=remarks,
    )


def _unsquared(picture: Picture, found: str, advice: tuple[Advice, ...]) -> Sheet:
    return Sheet(
        size_mm=None,
        found=found,
        to_mm=_pixel_grid(1.0),
        corners_px=None,
        tilt_deg=None,
        px_per_mm=float("nan"),
        trust_mm=UNSQUARED_PERCENT,
        corner_sigma_mm=np.full(4, UNSQUARED_PERCENT / 2),
        unit="%",
        squared=False,
        advice=advice,
    )


# ---------------------------------------------------------------- by its edges


def _photographed(picture: Picture, size_mm: tuple[float, float]) -> Sheet:
    # By a whole number, which is several times quicker than by any other.
    middle, middle_scale = _shrunk(picture.pixels, 1 / max(1, round(max(picture.pixels.shape) / MIDDLE_PX)))
    small, small_scale = _shrunk(middle, min(1.0, SMALL_PX / max(middle.shape)))
    outline = find_outline(_lab(small), max(size_mm) / min(size_mm), picture.focal_35mm)
    if outline is None or outline.support.min() < LEAST_SUPPORT or outline.support.mean() < LEAST_MEAN_SUPPORT:
        return _unsquared(picture, "not found: no four page edges", (_lost("No four page edges can be seen"),))
    if outline.cut.any():
        return _unsquared(picture, "not squared: the page runs out of the picture", (_lost("The page runs out of the picture"),))
    corners = (outline.corners + 0.5) / small_scale - 0.5
    shortest = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).min()
    lasting = fit_edges(middle, corners, np.clip(LASTING_REACH * shortest, 8, 45), lasting=True)
    coarse_edges = fit_edges(middle, intersections(lasting), 6.0, bows=[edge.bow for edge in lasting])
    upper, inside = upper_corners(middle, coarse_edges)
    corners = (upper + 0.5) / middle_scale - 0.5
    # Twice: the second time from profiles that stand square on the first fit.
    bows = [edge.bow / middle_scale.min() for edge in coarse_edges]
    first = fit_edges(picture.pixels, corners, max(6.0, 2.5 / middle_scale.min()), bows=bows)
    edges = fit_edges(picture.pixels, intersections(first), 5.0, bows=[edge.bow for edge in first])
    corners = intersections(edges)
    pose = find_pose(corners, size_mm, picture.pixels.shape[:2], picture.focal_35mm)
    softness = _softness_px(edges, coarse_edges, middle_scale.min())
    beneath = say.beneath(max(inside) / (middle_scale.min() * _px_per_mm(corners, pose.size_mm)))
    return _sheet(picture, edges, corners, pose, softness, beneath)


def _shrunk(pixels: np.ndarray, factor: float) -> tuple[np.ndarray, np.ndarray]:
    """The picture area-averaged, and the exact factors in x and y (pixel centres: (x + 0.5) s - 0.5)."""
    height, width = pixels.shape[:2]
    if factor == 1.0:
        return pixels, np.ones(2)
    whole = round(1 / factor)
    if whole * factor == 1.0:  # leave out the last rows and columns that do not fill a block
        width, height = width // whole * whole, height // whole * whole
        pixels = pixels[:height, :width]
    size = (max(round(width * factor), 1), max(round(height * factor), 1))
    return cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.array([size[0] / width, size[1] / height])


def _lab(pixels: np.ndarray) -> np.ndarray:
    return cv2.GaussianBlur(cv2.cvtColor(pixels.astype(np.float32) / 255, cv2.COLOR_RGB2LAB), (0, 0), 0.8)


def _lost(what: str) -> Advice:
    text = f"{what}: lined up without squaring, in % instead of mm. Photograph the whole sheet with all four corners."
    return Advice("warning", text)


def _sheet(
    picture: Picture, edges: tuple[Edge, ...], corners: np.ndarray, pose: Pose, edge_px: float, beneath: tuple[Advice, ...]
) -> Sheet:
    scale = _px_per_mm(corners, pose.size_mm)
    edge_mm = edge_px / scale
    # In a coarse picture even a sharp edge is wide in mm; that is told as coarse, not as blurred.
    if edge_mm > say.BLURRED_EDGE_MM and edge_px > SHARP_PX:
        what = f"{picture.name} is too blurred: the page edge is {edge_mm:.1f} mm wide, the limit is {say.BLURRED_EDGE_MM:g} mm."
        raise SheetError(what, "Hold the camera still, tap to focus, use more light.")
    bows = [edge.bow / edge.length for edge in edges]
    sigma = corner_sigmas(edges, scale, pose.size_mm)
    remarks = (
        beneath
        + say.resolution(scale)
        + say.bow(bows)
        + say.sharpness(edge_mm if edge_px > SHARP_PX else 0.0)
        + say.tilt(pose.tilt_deg)
    )
    if abs(pose.misfit) > ASPECT_DOUBTFUL:
        sigma = np.hypot(sigma, abs(pose.misfit) * max(pose.size_mm) / 8)
        remarks += (_doubtful_size(pose),)
    return Sheet(
        size_mm=pose.size_mm,
        found=_in_words(corners, picture.pixels.shape[:2]),
        to_mm=_normalised(np.linalg.inv(pose.to_px)),
        corners_px=corners,
        tilt_deg=pose.tilt_deg,
        px_per_mm=scale,
        trust_mm=trust_from(sigma),
        corner_sigma_mm=sigma,
        advice=remarks,
    )


def _normalised(matrix: np.ndarray) -> np.ndarray:
    return matrix / matrix[2, 2]


def _px_per_mm(corners: np.ndarray, size_mm: tuple[float, float]) -> float:
    after = np.roll(corners, -1, axis=0)
    area = 0.5 * abs((corners[:, 0] * after[:, 1] - corners[:, 1] * after[:, 0]).sum())
    return float(np.sqrt(area / (size_mm[0] * size_mm[1])))


def _softness_px(fine: tuple[Edge, ...], coarse: tuple[Edge, ...], coarse_scale: float) -> float:
    """Width of the page edge; profiles at full size are too short for a bad blur, which the smaller picture shows instead."""
    softest = _softest(fine)
    return softest if softest < WIDE_PX else max(softest, _softest(coarse) / coarse_scale)


def _softest(edges: tuple[Edge, ...]) -> float:
    """Width in px of the softer direction; of two opposite edges the sharper one counts, as curl or shadow may soften one."""
    return max(min(edges[0].width, edges[2].width), min(edges[1].width, edges[3].width))


def _doubtful_size(pose: Pose) -> Advice:
    seen = np.exp(abs(np.log(pose.size_mm[0] / pose.size_mm[1]) + pose.misfit))
    named = max(pose.size_mm) / min(pose.size_mm)
    text = f"The page looks {seen:.2f} to 1, but {sheet_name(pose.size_mm)} is {named:.2f} to 1: is that its size?"
    return Advice("warning", text)


def _in_words(corners: np.ndarray, shape: tuple[int, int]) -> str:
    outside = int((((corners < 0) | (corners > [shape[1] - 1, shape[0] - 1])).any(1)).sum())
    return "by its four edges" + ("; one corner, out of the picture, extended from its edges" if outside else "")
