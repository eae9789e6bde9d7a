"""Building scenes against what others say: OpenCV's projection, a pinhole worked by hand, and facts of projective geometry.

Hartley & Zisserman, Multiple View Geometry in Computer Vision, 2nd ed., ch. 8 (vanishing points v = K R d; two orthogonal
directions satisfy v1' w v2 = 0 with w = (K K')^-1) and ch. 2 (the cross-ratio), quoted from memory.
"""

import functools

import cv2
import numpy as np
import pytest

from featurediff.geometry import apply
from featurediff.testing.buildings.canvas import Canvas
from featurediff.testing.buildings.kinds import pose
from featurediff.testing.buildings.record import LEVEL, Camera
from featurediff.testing.scenes import rendered_building

KINDS = ("facade", "street", "corner", "tower", "arcade")


@functools.cache
def scene(kind, seed):
    return rendered_building(seed, kind, clutter=False)


def test_a_pinhole_worked_by_hand():
    """f = 1000 px, middle (750, 600), eye 1.6 m high, looking level along y: a point 10 m away, 2 m to the right and 4.6 m high
    is seen 1000 * 2 / 10 = 200 px to the right and 1000 * 3 / 10 = 300 px over the middle."""
    camera = Camera(1000.0, (750.0, 600.0), LEVEL, np.array([0.0, 0.0, 1.6]), (1500, 1200))
    assert np.allclose(camera.project(np.array([[2.0, 10.0, 4.6]])), [[950.0, 300.0]])
    assert camera.eye_level_at(0.0) == pytest.approx(600.0)
    # Turned 90 degrees to the right, what lay to the right lies ahead.
    turned = Camera(1000.0, (750.0, 600.0), pose(90.0), np.zeros(3), (1500, 1200))
    assert np.allclose(turned.project(np.array([[10.0, 0.0, 0.0]])), [[750.0, 600.0]])
    up = Camera(1000.0, (750.0, 600.0), pose(0.0, 10.0), np.zeros(3), (1500, 1200))
    assert up.eye_level_at(750.0) == pytest.approx(600.0 + 1000.0 * np.tan(np.radians(10.0)))


@pytest.mark.parametrize("kind", KINDS)
def test_projection_agrees_with_opencv(kind):
    camera = scene(kind, 1).camera
    rng = np.random.default_rng(3)
    points = rng.uniform(-3, 12, (60, 3))
    points = points[camera.ahead(points)[:, 2] > 1.0]
    turn, _ = cv2.Rodrigues(camera.rotation)
    shift = -camera.rotation @ camera.position
    theirs, _ = cv2.projectPoints(points, turn, shift, camera.matrix, np.zeros(5))
    assert len(points) > 5
    assert np.allclose(camera.project(points), theirs[:, 0], atol=1e-6)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_edges_run_to_their_vanishing_points(kind, seed):
    """Every straight edge's own course, prolonged, passes its kind's vanishing point: seen as an angle at the edge's middle."""
    one = scene(kind, seed)
    v = one.vanishing
    checked = 0
    for name, curve in one.curves.items():
        sort = one.kinds[name]
        if len(curve) != 2 or sort == "slope" or np.hypot(*(curve[1] - curve[0])) < 40:
            continue
        axes = {"vertical": "z"}.get(sort, "xy")
        middle, way = curve.mean(0), curve[1] - curve[0]
        aim = [v[a][:2] - middle * v[a][2] for a in axes]
        sines = [abs(way[0] * d[1] - way[1] * d[0]) / (np.hypot(*way) * np.hypot(*d)) for d in aim]
        assert min(sines) < 1e-6, name
        if sort in ("receding left", "receding right"):
            d = aim[int(np.argmin(sines))]
            assert (d[0] < 0) == (sort == "receding left")
        checked += 1
    assert checked >= 5


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_right_angled_directions(kind, seed):
    """v1' w v2 = 0; for a level camera: both level vanishing points on the eye level, x1 * x2 = -f^2 from the principal point."""
    one = scene(kind, seed)
    v, k = one.vanishing, one.camera.matrix
    w = np.linalg.inv(k @ k.T)
    for a, b in ("xy", "xz", "yz"):
        scale = np.sqrt((v[a] @ w @ v[a]) * (v[b] @ w @ v[b]))
        assert abs(v[a] @ w @ v[b]) / scale < 1e-9
    if kind == "tower" or v["x"][2] == 0:
        return
    x1, x2 = (v[a][0] - one.camera.principal[0] for a in "xy")
    assert x1 * x2 == pytest.approx(-(one.camera.focal_px**2), rel=1e-9)
    assert v["x"][1] == pytest.approx(one.camera.eye_level_at(0.0)) == pytest.approx(v["y"][1])


@pytest.mark.parametrize(
    ("kind", "seed"), [("facade", 1), ("facade", 2), ("facade", 3), ("corner", 1), ("corner", 2), ("arcade", 3)]
)
def test_four_equally_spaced_windows_have_cross_ratio_four_thirds(kind, seed):
    """(AC * BD) / (BC * AD) = 4/3 in any view, measured on the windows' outlines in the picture."""
    one = scene(kind, seed)
    found = 0
    for wall, rhythm in one.rhythms.items():
        prefix = "" if wall == "facade" else f"{wall} "
        top = len(rhythm.rows)
        names = [f"{prefix}window {top}-{c + 1}" for c in range(len(rhythm.columns))]
        if len(names) < 4 or not all(n in one.curves for n in names[:4]):
            continue
        a, b, c, d = (one.curves[n][0] for n in names[:4])
        ac, bd, bc, ad = (np.hypot(*(p - q)) for p, q in ((a, c), (b, d), (b, c), (a, d)))
        assert ac * bd / (bc * ad) == pytest.approx(4 / 3, rel=1e-9)
        # The corners of the outlines are where the rhythm says.
        expected = apply(rhythm.matrix, np.array([[rhythm.columns[0][0], rhythm.rows[-1][0]]]))[0]
        assert np.allclose(a, expected, atol=1e-6)
        found += 1
    assert found


def _step_at(grey: np.ndarray, points: np.ndarray, across: np.ndarray, reach: float = 4.0) -> float | None:
    """Where the mean profile across an edge crosses half way between its two sides, px from the exact edge; or None."""
    offsets = np.arange(-reach, reach + 1e-9, 0.1)
    at = points[:, None] + offsets[None, :, None] * across
    profile = cv2.remap(grey, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR).mean(0)
    low, high = profile[:10].mean(), profile[-10:].mean()
    if abs(high - low) < 12:
        return None
    rising = (profile - (low + high) / 2) * np.sign(high - low)
    return float(offsets[np.argmin(np.abs(rising))])


@pytest.mark.parametrize(("kind", "seed"), [("facade", 2), ("facade", 1), ("corner", 1), ("tower", 1)])
def test_the_picture_shows_its_edges_where_they_are(kind, seed):
    """Wall corners against the sky and far trees, on the finished picture: within 0.3 px."""
    one = scene(kind, seed)
    grey = cv2.cvtColor(one.pixels, cv2.COLOR_RGB2GRAY).astype(np.float32)
    misses = []
    for name in ("corner left", "corner right"):
        curve = one.curves[name]
        low, high = curve[np.argmax(curve[:, 1])], curve[np.argmin(curve[:, 1])]
        t = np.linspace(0.55, 0.9, 200)[:, None]
        points = low + t * (high - low)
        way = (high - low) / np.hypot(*(high - low))
        misses.append(_step_at(grey, points, np.array([-way[1], way[0]])))
    misses = [miss for miss in misses if miss is not None]
    assert misses and np.abs(misses).max() < 0.3, misses


def test_a_dome_and_a_round_tower_are_outlined_by_tangent_rays():
    """Sight lines along the contour touch the ellipsoid and do not enter it; the shown edge is there too, within 0.3 px."""
    one = scene("arcade", 1)
    grey = cv2.cvtColor(one.pixels, cv2.COLOR_RGB2GRAY).astype(np.float32)
    dome = one.curves["dome"]
    upper = dome[dome[:, 1] < np.percentile(dome[:, 1], 50)]
    normal = upper - [upper[:, 0].mean(), dome[:, 1].max()]
    normal /= np.hypot(*normal.T)[:, None]
    offsets = np.arange(-4, 4.01, 0.1)
    at = upper[:, None] + offsets[None, :, None] * normal[:, None]
    profile = cv2.remap(grey, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR)
    profile = np.median(profile, 0)
    half = (profile[:8].mean() + profile[-8:].mean()) / 2
    assert abs(offsets[np.argmin(np.abs(profile - half))]) < 0.3


def test_the_depth_buffer_holds_the_true_depth():
    """A wall square on at 8 m: 1/depth is 1/8 all over it, and the polygon covers the area its corners say."""
    camera = Camera(500.0, (99.5, 79.5), LEVEL, np.zeros(3), (200, 160))
    canvas = Canvas(camera)
    canvas.paint(np.array([[-1.0, 8, -1], [1, 8, -1], [1, 8, 1], [-1, 8, 1]]), (0.5, 0.5, 0.5))
    seen = canvas.near > 0
    assert np.allclose(canvas.near[seen], 1 / 8, atol=1e-6)
    assert seen.sum() == pytest.approx((2 * 500 * 2 / 8) ** 2, rel=0.01)
