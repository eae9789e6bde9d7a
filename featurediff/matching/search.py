"""Search over the whole sheet: sizes, turns and places at which the reference's edges lie on the drawing's edges.

Needs no anchor and no recognised subject: clean line work and half-drawn heads are the daily case. It only proposes;
`featurediff.matching.register` confirms or rejects.
"""

from __future__ import annotations

import cv2
import numpy as np

from featurediff import geometry
from featurediff.matching.channels import edge_layers
from featurediff.matching.frame import warp_into, working_size
from featurediff.records import Subject

LONG_SIDE = 220.0
SIZES = np.geomspace(0.22, 1.0, 16)
# Degrees. Most drawings lie upright: the rest is looked at when that leads nowhere.
TURNS = ((-4.0, 0.0, 4.0), (-16.0, -12.0, -8.0, 8.0, 12.0, 16.0))
KEEP = 6


def search_sheet(
    subject: Subject, reference: np.ndarray, drawing: np.ndarray, turns: tuple[float, ...] = TURNS[0] + TURNS[1]
) -> list[np.ndarray]:
    """The most promising similarities (3, 3) reference px -> drawing px, best first.

    ``reference`` and ``drawing`` are grey (h, w) float32. Sizes run from 22 to 100 % of the sheet's long side; ``turns`` in
    degrees.
    """
    shrink = LONG_SIDE / max(drawing.shape)
    small = cv2.resize(drawing, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    layers = _four(edge_layers(small, 1.0, 1.2, 0.04 * LONG_SIDE))
    energy = np.einsum("khw->hw", layers**2)
    pad = int(0.35 * LONG_SIDE)
    layers = np.stack([np.pad(layer, pad) for layer in layers]).astype(np.float32)
    energy = np.pad(energy, pad).astype(np.float32)
    shape = [cv2.getOptimalDFTSize(s) for s in energy.shape]
    spectra = [_spectrum(layer, shape) for layer in layers]
    energy_spectrum = [_spectrum(energy, shape)]
    reference, shrunk = _shrunk(subject, reference)
    found = []
    for size in SIZES:
        for turn in turns:
            model = _model(subject, reference, shrunk, size * LONG_SIDE, turn)
            if model is None:
                continue
            kernel, mask, to_model = model
            limits = (energy.shape[0] - kernel.shape[1] + 1, energy.shape[1] - kernel.shape[2] + 1)
            if min(limits) < 1:
                continue
            product = _correlated(spectra, kernel, shape)[: limits[0], : limits[1]]
            local = _correlated(energy_spectrum, mask[None], shape)[: limits[0], : limits[1]]
            score = product / (np.sqrt((kernel**2).sum()) * np.sqrt(np.maximum(local, 0.15 * local.max())) + 1e-9)
            row, column = np.unravel_index(np.argmax(score), score.shape)
            place = np.array([[1, 0, column - pad], [0, 1, row - pad], [0, 0, 1.0]])
            matrix = np.linalg.inv(geometry.rescale_matrix(shrink)) @ place @ to_model
            found.append((float(score[row, column]), matrix))
    return _unlike(sorted(found, key=lambda f: -f[0]), subject)


def _four(layers: np.ndarray) -> np.ndarray:
    """Four waves over orientation without their mean: what a search this coarse can tell apart."""
    return layers[1:]


def _spectrum(layer: np.ndarray, shape: list[int]) -> np.ndarray:
    """Fourier transform of a real (h, w) picture padded to ``shape``, as OpenCV packs it."""
    padded = np.zeros(shape, np.float32)
    padded[: layer.shape[0], : layer.shape[1]] = layer
    return cv2.dft(padded, nonzeroRows=layer.shape[0])


def _correlated(spectra: list[np.ndarray], kernel: np.ndarray, shape: list[int]) -> np.ndarray:
    """Correlation over all shifts of a kernel (K, h, w) with the K pictures of these spectra, added up over K."""
    products = [cv2.mulSpectrums(s, _spectrum(k, shape), 0, conjB=True) for s, k in zip(spectra, kernel, strict=True)]
    return cv2.dft(sum(products[1:], products[0]), flags=cv2.DFT_INVERSE | cv2.DFT_SCALE | cv2.DFT_REAL_OUTPUT)


def _shrunk(subject: Subject, reference: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The reference no larger than twice the largest model, and the matrix reference px -> its px: 144 models are cut from it."""
    scale = min(2 * LONG_SIDE / working_size(subject), 1.0)
    small = cv2.resize(reference, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return small, geometry.rescale_matrix(scale)


def _model(subject: Subject, reference: np.ndarray, shrunk: np.ndarray, size: float, turn: float) -> tuple | None:
    """The subject at ``size`` px and ``turn`` degrees, cut from the reference shrunk by ``shrunk`` (3, 3).

    Returns kernel (4, h, w), mask (h, w), matrix reference px -> kernel px.
    """
    centre = subject.region.mean(0)
    matrix = geometry.similarity_matrix(size / working_size(subject), turn, (0.0, 0.0))
    region = geometry.apply(matrix, subject.region)
    low = np.floor(region.min(0)) - 2
    matrix = geometry.similarity_matrix(size / working_size(subject), turn, (-low[0], -low[1]))
    shape = tuple(int(v) for v in (np.ceil(region.max(0)) - low + 3)[::-1])
    if min(shape) < 12 or not np.isfinite(centre).all():
        return None
    grey = warp_into(reference, matrix @ np.linalg.inv(shrunk), shape)
    channels = _four(edge_layers(grey, 1.0, 1.2, 0.04 * LONG_SIDE))
    lines = np.zeros(shape, np.uint8)
    for feature in subject.features:
        points = np.round(geometry.apply(matrix, feature.points) * 16).astype(np.int32)
        cv2.polylines(lines, [points.reshape(-1, 1, 2)], feature.closed, 255, 1, cv2.LINE_AA, 4)
    drawn = _four(edge_layers(1.0 - lines.astype(np.float32) / 255, 1.0, 1.2, 0.04 * LONG_SIDE))
    near = cv2.GaussianBlur(lines.astype(np.float32) / 255, (0, 0), 2.0)
    mask = np.minimum(near / 0.1, 1.0)
    return ((0.5 * channels + drawn) * mask).astype(np.float32), mask.astype(np.float32), matrix


def _unlike(found: list[tuple[float, np.ndarray]], subject: Subject) -> list[np.ndarray]:
    kept: list[np.ndarray] = []
    for _, matrix in found:
        corners = geometry.apply(matrix, subject.region)
        size = working_size(subject) * geometry.split_similarity(matrix)[0]
        if all(np.abs(corners - geometry.apply(k, subject.region)).max() > 0.12 * size for k in kept):
            kept.append(matrix)
        if len(kept) == KEEP:
            break
    return kept
