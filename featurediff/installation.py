"""Whether this installation can work at all: OpenCV's packages agree, the system's libraries are there."""

from __future__ import annotations

import importlib.util
import re
from importlib.metadata import PackageNotFoundError, version

from featurediff.errors import FeaturediffError

# All of these own the same folder, cv2: two of them in different versions overwrite each other's files.
OPENCV_PACKAGES = (
    "opencv-python",
    "opencv-contrib-python",
    "opencv-python-headless",
    "opencv-contrib-python-headless",
)

# The Debian and Ubuntu packages of the libraries that the wheels expect from the system.
SYSTEM_PACKAGES = {
    "libGL.so.1": "libgl1",
    "libEGL.so.1": "libegl1",
    "libGLESv2.so.2": "libgles2",
    "libglib-2.0.so.0": "libglib2.0-0",
}


class InstallationError(FeaturediffError):
    """Something that featurediff stands on is missing or broken."""


def check_opencv() -> None:
    """Raise InstallationError when OpenCV's packages differ or have lost their files. Reads metadata only; imports nothing."""
    versions = installed_versions(OPENCV_PACKAGES)
    if len(set(versions.values())) > 1:
        listed = ", ".join(f"{name} {number}" for name, number in versions.items())
        raise InstallationError(
            f"OpenCV is installed in versions that overwrite each other: {listed}.",
            _reinstall(versions, max(versions.values(), key=_order)),
        )
    spec = importlib.util.find_spec("cv2")
    if versions and (spec is None or spec.origin is None):  # uninstalling one package takes the files of the other along
        raise InstallationError(
            "OpenCV's files are gone, though its packages are listed.", _reinstall(versions, *set(versions.values()))
        )


def installed_versions(packages: tuple[str, ...]) -> dict[str, str]:
    """Package -> version, of those that are installed."""
    found = {}
    for package in packages:
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            continue
    return found


def explain(error: BaseException) -> InstallationError | None:
    """The sentence for an error that comes from a missing library or package; None for any other error."""
    library = re.search(r"(lib[\w.+-]+\.so[.\d]*)", str(error))
    if library and isinstance(error, (ImportError, OSError)):
        name = library[1]
        package = SYSTEM_PACKAGES.get(name)
        how = f"On Debian or Ubuntu: sudo apt-get install {package}" if package else "Install the system's package that holds it."
        return InstallationError(f"The system library {name} is missing.", how)
    if isinstance(error, ModuleNotFoundError) and error.name and not error.name.startswith("featurediff"):
        return InstallationError(f"The Python package '{error.name}' is missing.", "Install featurediff again: pip install .")
    return None


def _reinstall(versions: dict[str, str], number: str) -> str:
    wanted = " ".join(f"{name}=={number}" for name in versions)
    return f"Install one version of both: pip install --force-reinstall --no-deps {wanted}"


def _order(number: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", number))
