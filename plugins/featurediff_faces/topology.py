"""Which landmarks of the mesh make up which part of the face.

Chains come from the connection sets that mediapipe publishes (`FaceLandmarksConnections`); only what those sets lack -
nose wings, nose tip, the mesh's top and chin - is listed here by number, read off the mesh drawn over a picture.

The model names sides as the subject's. `picture_sides` turns that into the picture's, once and for all.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

TOP_OF_MESH = 10
CHIN = 152
NOSE_TIP = 4
NOSE_BASE_MIDDLE = 2
BRIDGE = (168, 6, 197, 195, 5, 4)
NOSE_BASE = (98, 97, 2, 326, 327)
UPPER_LIP_MIDDLE = 0


@dataclass(frozen=True)
class SideTopology:
    """Landmark numbers of one of the subject's sides ("left" or "right" as the sitter would say)."""

    sitter_side: str
    outer_corner: int
    inner_corner: int
    upper_lid: tuple[int, ...]  # outer to inner corner
    lower_lid: tuple[int, ...]  # outer to inner corner
    iris: tuple[int, ...]
    iris_centre: int
    brow_top: tuple[int, ...]  # outer to inner end
    brow_bottom: tuple[int, ...]  # outer to inner end
    wing: tuple[int, ...]  # top to base
    rim: tuple[tuple[int, int], ...]  # the wing's visible rim, top to foot: each point halfway between two vertices
    mouth_corner: int
    jaw: tuple[int, ...]  # chin to jaw corner
    cheek: tuple[int, ...]  # jaw corner to temple


@dataclass(frozen=True)
class Lips:
    """Lip chains, each from the subject's right corner to the left one (left to right on an upright picture)."""

    upper_outer: tuple[int, ...]
    upper_inner: tuple[int, ...]
    lower_inner: tuple[int, ...]
    lower_outer: tuple[int, ...]


def chains(connections) -> list[tuple[int, ...]]:
    """Order (start, end) pairs into open chains or closed loops of landmark numbers."""
    following: dict[int, list[int]] = {}
    arrives = set()
    for connection in connections:
        following.setdefault(connection.start, []).append(connection.end)
        arrives.add(connection.end)
    starts = [start for start in following if start not in arrives] or [next(iter(following))]
    found = []
    for start in starts:
        for second in following[start]:
            chain = [start, second]
            while chain[-1] in following and chain[-1] != start:
                chain.append(following[chain[-1]][0])
            found.append(tuple(chain))
    return found


@lru_cache(maxsize=1)
def lips() -> Lips:
    """The four lip chains, from mediapipe's connection set."""
    from mediapipe.tasks.python.vision import FaceLandmarksConnections as Sets

    found = {frozenset((chain[0], chain[-1])): [] for chain in chains(Sets.FACE_LANDMARKS_LIPS)}
    for chain in chains(Sets.FACE_LANDMARKS_LIPS):
        found[frozenset((chain[0], chain[-1]))].append(chain)
    outer, inner = found[frozenset((61, 291))], found[frozenset((78, 308))]
    pick = lambda group, number: next(chain for chain in group if number in chain)  # noqa: E731
    return Lips(pick(outer, 0), pick(inner, 13), pick(inner, 14), pick(outer, 17))


@lru_cache(maxsize=1)
def sides() -> dict[str, SideTopology]:
    """The subject's two sides: {"left": ..., "right": ...}."""
    from mediapipe.tasks.python.vision import FaceLandmarksConnections as Sets

    oval = chains(Sets.FACE_LANDMARKS_FACE_OVAL)[0][:-1]
    at = oval.index(CHIN)
    down_left, down_right = oval[: at + 1][::-1], oval[at:]  # both from the chin up
    left = _side("left", Sets.FACE_LANDMARKS_LEFT_EYE, Sets.FACE_LANDMARKS_LEFT_EYEBROW, 386, 263, 362, 473, down_left)
    right = _side("right", Sets.FACE_LANDMARKS_RIGHT_EYE, Sets.FACE_LANDMARKS_RIGHT_EYEBROW, 159, 33, 133, 468, down_right)
    return {"left": left, "right": right}


def _side(name, eye, brow, upper_middle, outer, inner, iris_centre, oval) -> SideTopology:
    upper, lower = sorted(chains(eye), key=lambda chain: upper_middle not in chain)
    brow_chains = sorted(chains(brow), key=lambda chain: chain[0] not in (300, 70))
    is_left = name == "left"
    return SideTopology(
        sitter_side=name,
        outer_corner=outer,
        inner_corner=inner,
        upper_lid=upper,
        lower_lid=lower,
        iris=tuple(range(iris_centre + 1, iris_centre + 5)),
        iris_centre=iris_centre,
        brow_top=brow_chains[0],
        brow_bottom=brow_chains[1],
        wing=(429, 279, 358, 294, 327) if is_left else (209, 49, 129, 64, 98),
        rim=((429, 429), (279, 279), (278, 278), (294, 439), (327, 460))
        if is_left
        else ((209, 209), (49, 49), (48, 48), (64, 219), (98, 240)),
        mouth_corner=291 if is_left else 61,
        jaw=oval[2:8],  # beside the chin up to the jaw corner (gonion, estimated)
        cheek=oval[7:14],  # jaw corner up to the temple
    )


def picture_sides(points: np.ndarray) -> dict[str, SideTopology]:
    """The sides as seen on the picture: {"left": the side further left, "right": the other}.

    ``points`` (478, 2) landmark px. An upright sitter's right eye is on the picture's left; upside down
    it is the other way round.
    """
    both = sides()
    centre = {name: points[[side.outer_corner, side.inner_corner], 0].mean() for name, side in both.items()}
    if centre["right"] <= centre["left"]:
        return {"left": both["right"], "right": both["left"]}
    return {"left": both["left"], "right": both["right"]}


@lru_cache(maxsize=1)
def mesh_edges() -> np.ndarray:
    """(m, 2) landmark numbers: every edge of the published tessellation once."""
    from mediapipe.tasks.python.vision import FaceLandmarksConnections as Sets

    pairs = {(min(c.start, c.end), max(c.start, c.end)) for c in Sets.FACE_LANDMARKS_TESSELATION}
    return np.array(sorted(pairs))


def on_the_rim(points: np.ndarray, line: np.ndarray) -> np.ndarray:
    """``line`` (n, 2) moved outwards, along rays from the mesh's middle, to where the whole mesh (478, 2) ends on the picture.

    On a face seen from the front this changes nothing; on a turned one the far cheek's outline is no longer the mesh's own rim.
    """
    middle = points[:468].mean(0)
    ray = line - middle
    length = np.hypot(*ray.T)
    ray /= np.maximum(length, 1e-9)[:, None]
    a, b = (points[mesh_edges()[:, i]] - middle for i in (0, 1))
    along = b - a
    # a + t along = r ray  ->  crossing both sides with the ray gives t, with the edge gives r.
    turn = ray[:, None, 0] * along[None, :, 1] - ray[:, None, 1] * along[None, :, 0]
    safe = np.where(np.abs(turn) < 1e-9, np.inf, turn)
    t = -(ray[:, None, 0] * a[None, :, 1] - ray[:, None, 1] * a[None, :, 0]) / safe
    r = (a[None, :, 0] * along[None, :, 1] - a[None, :, 1] * along[None, :, 0]) / safe
    reach = np.where((t >= -1e-6) & (t <= 1 + 1e-6), r, -np.inf).max(1)
    return middle + np.maximum(reach, length)[:, None] * ray
