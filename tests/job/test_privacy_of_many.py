"""Plans, classes and habits: no network, no camera data, no path or name on what is shared, only the output folder touched."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image
from test_privacy import NO_NETWORK, SECRET, snapshot

from featurediff.demo import get_demo

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from habits_kit import HOLES, piece, report


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The faces example with camera data, its drawing as the one sheet of a class, and pieces made by hand."""
    path = tmp_path_factory.mktemp("many")
    demo = get_demo("faces")
    exif = Image.Exif()
    exif[0x010F], exif[0x9286] = SECRET, SECRET  # maker, user comment
    exif.get_ifd(0x8769)[0xA434] = f"front camera of {SECRET}"  # lens model, which a plan looks at
    (path / "sheets").mkdir()
    for source, target in ((demo.reference, "photo.jpg"), (demo.drawing, "sheets/quentin-quince.jpg")):
        Image.open(source).save(path / target, exif=exif, quality="keep")
    for k in range(5):
        piece(path / "pieces" / f"quince {k}", report(dict.fromkeys(HOLES, (0.0, -3.0)), seed=k))
    (path / "sitecustomize.py").write_text(NO_NETWORK)
    return path


@pytest.mark.parametrize(
    "arguments",
    [
        ["plan", "photo.jpg", "--subject", "faces", "--sheet", "A4"],
        ["check", "photo.jpg", "sheets", "--subject", "faces", "--sheet", get_demo("faces").sheet],
        ["habits", "pieces"],
    ],
    ids=["plan", "class", "habits"],
)
def test_it_stays_here_and_says_nothing_of_the_camera(folder, arguments):
    before = snapshot(folder)
    out = f"out-{arguments[0]}"
    process = subprocess.run(
        [sys.executable, "-m", "featurediff", *arguments, "--out", out],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert (process.returncode, process.stderr) == (0, "")
    after = snapshot(folder)
    assert {path: after[path] for path in before} == before
    written = {path.relative_to(folder): content for path, content in after.items() if path not in before}
    assert written and all(path.parts[0] == out for path in written)
    shared = [content for path, content in written.items() if "private" not in path.parts]
    for content in (process.stdout.encode(), *shared):
        assert not any(word in content for word in (b"Quince", b"quince", str(folder).encode()))
    for path in written:
        if path.suffix == ".png":
            with Image.open(folder / path) as picture:
                assert not picture.getexif() and set(picture.info) <= {"dpi"}
