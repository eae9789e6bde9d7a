"""Rendered faces: exact curves, unlike and asymmetric people, and agreement with an independent face landmark model.

The landmark model was trained on photographs by others; that it finds these faces and puts its points where the true lines are
is a check of the rendering from outside.
"""

import functools

import cv2
import numpy as np
import pytest

from featurediff.geometry import resample
from featurediff.testing.facemesh import LINES, Subdivision, bundle_path, canonical_face
from featurediff.testing.hands import draw, place
from featurediff.testing.scenes import rendered_face

SMALL = (640, 800)
EVERY_FACE = (
    "upper lid left", "upper lid right", "lower lid left", "lower lid right", "pupil left", "pupil right", "brow left top",
    "brow left bottom", "brow right top", "brow right bottom", "lip line", "upper lip edge", "lower lip edge", "nose base",
    "nose wing left", "nose wing right", "nostril left", "nostril right", "chin", "jaw left", "jaw right", "cheek line left",
    "cheek line right", "hairline", "hair outline left", "hair outline right", "hair outline top", "shoulder left",
    "shoulder right",
)  # fmt: skip


@functools.cache
def face(seed: int, **options):
    return rendered_face(seed, size=SMALL, **options)


def test_the_canonical_mesh_is_read_whole():
    mesh = canonical_face()
    assert mesh.points.shape == (468, 3)
    assert mesh.triangles.shape == (898, 3)
    # Euler's formula for a disc: vertices - edges + faces = 1.
    t = mesh.triangles
    edges = np.unique(np.sort(np.vstack([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]]), 1), axis=0)
    assert len(mesh.points) - len(edges) + len(mesh.triangles) == 1
    # Symmetric, and the chin is its lowest point.
    assert mesh.points[:, 0].min() == pytest.approx(-mesh.points[:, 0].max(), abs=1e-4)
    assert int(np.argmin(mesh.points[:, 1])) == 152


def test_subdivision_keeps_original_vertices_and_planes():
    mesh = canonical_face()
    split = Subdivision(mesh.triangles, len(mesh.points), 2)
    smooth = split.smooth(mesh.points)
    assert len(split.triangles) == 16 * len(mesh.triangles)
    assert np.abs(smooth[:468] - mesh.points).max() < 0.03
    # Loop's scheme reproduces a plane exactly.
    plane = split.smooth(np.ones((468, 1)))
    assert np.allclose(plane, 1.0)


def test_curves_are_named_inside_and_on_their_sides():
    scene = face(2)
    missing = [name for name in EVERY_FACE if name not in scene.curves]
    assert not missing
    h, w = scene.pixels.shape[:2]
    middle = scene.landmarks["nose bridge"][:, 0].mean()
    for name, curve in scene.curves.items():
        assert (curve > -2).all() and (curve < [w + 1, h + 1]).all(), name
        side = "left" if " left" in name.split(",")[0] else "right" if " right" in name.split(",")[0] else ""
        if side:
            assert (curve[:, 0].mean() < middle) == (side == "left"), name


def test_outlines_lie_on_the_pictures_edges():
    """The step from background to hair or shoulder in the picture is where the curve says, to a fraction of a pixel."""
    scene = rendered_face(2)
    grey = cv2.cvtColor(scene.pixels, cv2.COLOR_RGB2LAB)[..., 0].astype(np.float32)
    for name in ("hair outline left", "hair outline right", "shoulder left", "shoulder right"):
        curve = resample(scene.curves[name], 4.0)[5:-5]
        tangent = np.gradient(curve, axis=0)
        across = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.hypot(*tangent.T)[:, None]
        offsets = np.arange(-5, 5.01, 0.25)
        at = (curve[:, None] + offsets[None, :, None] * across[:, None]).astype(np.float32)
        profile = np.median(cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR), axis=0)
        slope = np.abs(np.gradient(profile))
        assert abs((offsets * slope**2).sum() / (slope**2).sum()) < 0.7, name


def test_people_are_unlike_and_asymmetric():
    shapes = []
    for seed in (1, 2, 3, 4):
        mesh = face(seed).landmarks["mesh"]
        shape = mesh - mesh.mean(0)
        shapes.append(shape / np.sqrt((shape**2).sum(1).mean()))
    apart = [np.hypot(*(a - b).T).mean() for i, a in enumerate(shapes) for b in shapes[:i]]
    assert min(apart) > 0.02
    for shape in shapes:
        eyes = [np.ptp(shape[list(LINES[f"upper lid {side}"]), 0]) for side in ("left", "right")]
        brows = [shape[list(LINES[f"brow {side} top"]), 1].mean() for side in ("left", "right")]
        assert abs(eyes[0] - eyes[1]) + abs(brows[0] - brows[1]) > 0.005


def test_same_seed_same_face():
    again = rendered_face(1, size=SMALL)
    assert np.array_equal(face(1).pixels, again.pixels)


def test_turn_moves_the_nose_and_lean_turns_the_eyes():
    straight, turned = face(3), face(3, yaw=20.0)
    nose = [s.landmarks["mesh"][1, 0] - s.landmarks["mesh"][[33, 263], 0].mean() for s in (straight, turned)]
    assert nose[1] - nose[0] > 10
    leaning = face(3, roll=10.0)
    slope = leaning.landmarks["mesh"][263] - leaning.landmarks["mesh"][33]
    base = straight.landmarks["mesh"][263] - straight.landmarks["mesh"][33]
    lean = np.degrees(np.arctan2(slope[1], slope[0]) - np.arctan2(base[1], base[0]))
    assert lean == pytest.approx(10.0, abs=1.0)


def test_open_mouth_glasses_and_beard_show():
    plain, opened = face(3), face(3, mouth_open=0.6)
    assert "lip line" in plain.curves and "lip line" not in opened.curves
    gap = opened.landmarks["mesh"][14, 1] - opened.landmarks["mesh"][13, 1]
    assert gap > 8
    assert abs(plain.landmarks["mesh"][14, 1] - plain.landmarks["mesh"][13, 1]) < 2.5
    assert "glasses left" in face(3, glasses=True).curves
    chin = plain.landmarks["mesh"][199].astype(int)
    box = np.s_[chin[1] - 8 : chin[1] + 9, chin[0] - 8 : chin[0] + 9]
    assert face(3, beard=True).pixels[box].mean() < plain.pixels[box].mean() - 15


@pytest.fixture(scope="module")
def landmarker():
    vision = pytest.importorskip("mediapipe.tasks.python.vision")
    from mediapipe.tasks.python import BaseOptions

    options = vision.FaceLandmarkerOptions(base_options=BaseOptions(model_asset_path=str(bundle_path())))
    model = vision.FaceLandmarker.create_from_options(options)
    yield model
    model.close()


def _detect(landmarker, pixels: np.ndarray) -> np.ndarray | None:
    import mediapipe

    image = mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=np.ascontiguousarray(pixels))
    found = landmarker.detect(image).face_landmarks
    h, w = pixels.shape[:2]
    return np.array([(p.x * w - 0.5, p.y * h - 0.5) for p in found[0]]) if found else None


@pytest.mark.parametrize(
    ("seed", "options"),
    [
        (1, {}),
        (2, {}),
        (4, {}),
        (5, {}),
        (6, {"yaw": 20.0}),
        (7, {"glasses": True}),
        (8, {"beard": True}),
        (9, {"mouth_open": 0.5}),
    ],
)
def test_the_landmark_model_agrees_with_the_true_lines(landmarker, seed, options, capsys):
    """Distance of the model's points from the true curves, % of the distance between the pupils."""
    scene = face(seed, **options)
    points = _detect(landmarker, scene.pixels)
    assert points is not None, "no face found"
    pupils = np.hypot(*(scene.landmarks["iris left"].mean(0) - scene.landmarks["iris right"].mean(0)))
    off = {}
    for label, words in {"lids": "lid", "lips": "lip edge", "brows": "brow", "nose": "nose base"}.items():
        gaps = []
        for name, path in LINES.items():
            if words in name and "crease" not in name and name in scene.curves:
                curve = resample(scene.curves[name], 1.0)
                gaps.append(np.sqrt(((points[list(path), None] - curve[None]) ** 2).sum(2).min(1)))
        off[label] = float(100 * np.concatenate(gaps).mean() / pupils)
    with capsys.disabled():
        print(f"\nface {seed} {options}: " + ", ".join(f"{k} {v:.1f} %" for k, v in off.items()), end="")
    assert off["lids"] < 2.5 and off["lips"] < 2.8 and off["brows"] < 3.5 and off["nose"] < 5.0


def test_a_drawing_of_a_rendered_face_holds_its_lines():
    scene = face(2)
    sheet = draw(scene, hand="clean", placement=place(scene), seed=1)
    for name in ("upper lid left", "lip line", "chin", "jaw right"):
        at = sheet.true_mm(resample(scene.curves[name], 1.0)) * sheet.px_per_mm - 0.5
        x, y = np.round(at).astype(int).T
        around = cv2.dilate(sheet.darkness, np.ones((13, 13)))
        assert np.median(around[y, x]) > 0.25, name
