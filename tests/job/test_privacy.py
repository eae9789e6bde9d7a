"""What README promises: no network, no camera data and no path in a report, nothing touched but the output folder."""

import json
import os
import shutil
import subprocess
import sys
from importlib.metadata import files, version
from pathlib import Path

import pytest
from PIL import Image, TiffImagePlugin

from featurediff.demo import get_demo

NO_NETWORK = """
import socket, sys
def refuse(*arguments, **options):
    sys.stderr.write("NETWORK WAS USED\\n")
    raise OSError("no network")
socket.socket.connect = socket.socket.connect_ex = socket.socket.sendto = refuse
socket.create_connection = socket.getaddrinfo = refuse
"""
SECRET = "Quince Lane 7"


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """One whole comparison in a folder of its own: (process, folder, pictures before)."""
    folder = tmp_path_factory.mktemp("privacy")
    demo = get_demo("faces")
    shutil.copy(demo.reference, folder / "photo.jpg")
    exif = Image.Exif()
    exif[0x010F], exif[0x9286] = SECRET, SECRET  # maker, user comment
    exif[0x8825] = {1: "N", 2: tuple(TiffImagePlugin.IFDRational(v) for v in (51, 28, 38)), 29: "2031:05:06"}
    Image.open(demo.drawing).save(folder / "sheet.jpg", exif=exif, quality="keep")
    (folder / "sitecustomize.py").write_text(NO_NETWORK)
    before = snapshot(folder)
    options = ["--subject", "faces", "--sheet", demo.sheet, "--out", "out"]
    process = subprocess.run(
        [sys.executable, "-m", "featurediff", "check", "photo.jpg", str(folder / "sheet.jpg"), *options],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        timeout=300,
    )
    return process, folder, before


def snapshot(folder):
    return {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_it_works_without_network_and_in_silence(run):
    process, _, _ = run
    assert process.returncode == 0, process.stderr
    assert process.stderr == ""


def test_nothing_but_the_output_folder_is_touched(run):
    _, folder, before = run
    after = snapshot(folder)
    assert {p: after[p] for p in before} == before
    assert {p.relative_to(folder).as_posix() for p in set(after) - set(before)} == {
        "out/report.json",
        "out/report.html",
        "out/report.png",
    }


def test_no_camera_data_and_no_path_reach_a_report(run):
    process, folder, _ = run
    assert SECRET.encode() in (folder / "sheet.jpg").read_bytes(), "the test's own secret is there to leak"
    written = [(folder / "out" / name).read_bytes() for name in ("report.json", "report.html", "report.png")]
    for content in (process.stdout.encode(), *written):
        for secret in (SECRET, "Quince", "2031:05:06", str(folder)):
            assert secret.encode() not in content
    with Image.open(folder / "out/report.png") as picture:
        assert not picture.getexif()
        assert set(picture.info) <= {"dpi"}


def test_the_json_is_whole(run):
    _, folder, _ = run
    report = json.loads((folder / "out/report.json").read_text(encoding="ascii"))
    wanted = {
        "schema",
        "subject",
        "sheet",
        "lineup",
        "features",
        "deviations",
        "corrections",
        "later",
        "good",
        "not_judged",
        "capture",
    }
    assert wanted <= set(report)
    assert {"size_mm", "found", "tilt_deg", "px_per_mm", "trust_mm"} <= set(report["sheet"])
    assert {"rule", "scale_mm_per_px", "turn_deg", "move_mm"} <= set(report["lineup"])


def test_the_model_library_holds_no_uploader():
    # Newer ones report each use to their maker (google-ai-edge/mediapipe, issue 6291), by libcurl inside the library: a block of
    # Python's sockets, as above, would not see that.
    native = (".so", ".dylib", ".dll", ".pyd")
    libraries = [path for path in map(Path, (f.locate() for f in files("mediapipe"))) if path.suffix in native and path.exists()]
    assert libraries
    for library in libraries:
        content = library.read_bytes().lower()
        for trace in (b"clearcut", b"libcurl", b"http_logging_client"):
            assert trace not in content, f"mediapipe {version('mediapipe')} talks to the network; install the pinned version"
