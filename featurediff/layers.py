"""Where the settings of a command come from: defaults, the user's own file, the working folder's, what the command names.

Later ones win, setting by setting. A function called from Python takes what it is given and reads no file by itself.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any

from featurediff.configuration import FileValues, build, find_file, override, read_values
from featurediff.settings import Settings

FILE = "featurediff.yaml"  # in the working folder, and in the user's own folder of settings
VARIABLE = "FEATUREDIFF_SETTINGS"  # names the user's own file in place of the usual one; empty: none
DEFAULT, COMMAND = "default", "command line"


@dataclass(frozen=True)
class Layer:
    """One place where settings come from. ``name`` in words; ``path`` its file, if it is one; ``there``: the file exists."""

    name: str
    path: Path | None = None
    there: bool = True


@dataclass(frozen=True)
class Layered:
    """The settings of a command, what each came ``from`` by dotted name ("featurediff.yaml:3", "default"), and all layers.

    ``detectors``: Python files of the user's own detectors, by subject.
    """

    settings: Settings
    origins: Mapping[str, str]
    layers: tuple[Layer, ...]
    detectors: Mapping[str, Path]

    def given(self, name: str) -> bool:
        """Whether a setting was given by the command itself: as an option, or in the file after --config."""
        last = self.layers[3].path
        return self.origins.get(name) == COMMAND or (
            last is not None and self.origins.get(name, "").startswith(f"{_shown(self.layers[3])}:")
        )


def user_file() -> Path | None:
    """The user's own settings file, whether it exists or not; None when there is to be none.

    It lies in the folder that the system has for settings (platformdirs: XDG Base Directory Specification, Apple's and
    Microsoft's conventions).
    """
    named = os.environ.get(VARIABLE)
    if named is not None:
        return Path(named).expanduser() if named.strip() else None
    import platformdirs

    return platformdirs.user_config_path("featurediff", appauthor=False) / FILE


def user_detectors() -> dict[str, Path]:
    """The Python files of the user's own detectors, by subject. Raises ConfigError for a faulty file of settings."""
    own = user_file()
    return _of_user(read_values(own, str(own), code=True), own) if own is not None and os.path.isfile(own) else {}


def folder_file() -> Path:
    """The settings file of the working folder, whether it exists or not."""
    return Path(FILE)


def load_layers(source: str | Path | None = None, given: Mapping[str, Any] | None = None) -> Layered:
    """The settings of a command: ``source`` is the file or preset after --config, ``given`` its options by dotted name.

    Raises ConfigError.
    """
    own, here = user_file(), folder_file()
    named = find_file(source) if source is not None else None
    layers = (
        Layer("featurediff's own", None),
        Layer("yours", own, own is not None and os.path.isfile(own)),
        Layer("of this folder", here, os.path.isfile(here)),
        Layer("after --config", named, named is not None),
        Layer(COMMAND),
    )
    values: dict[str, Any] = {}
    origins: dict[str, str] = {}
    detectors: dict[str, Path] = {}
    for layer in layers:
        if layer.path is None or not layer.there:
            continue
        shown = str(source) if layer.path == named and source is not None else _shown(layer)
        found = read_values(layer.path, shown, code=own is not None and layer.path.resolve() == own.resolve())
        detectors |= _of_user(found, layer.path)
        values = _over(values, found.values)
        origins |= {name: f"{_shown(layer)}:{line}" for name, line in found.lines.items()}
    options = {name: value for name, value in (given or {}).items() if value is not None}
    settings = override(build(values), options)
    origins |= dict.fromkeys(options, COMMAND)
    return Layered(settings, origins, layers, detectors)


def told(layered: Layered) -> list[tuple[str, Any, str]]:
    """(dotted name, value, where it came from) of every setting."""
    return [(name, value, layered.origins.get(name, DEFAULT)) for name, value in _leaves(layered.settings)]


def _leaves(block: Any, prefix: str = "") -> list[tuple[str, Any]]:
    found: list[tuple[str, Any]] = []
    for each in fields(block):
        value, name = getattr(block, each.name), prefix + each.name
        if is_dataclass(value):
            found += _leaves(value, f"{name}.")
        elif isinstance(value, dict) and value:
            found += [(f"{name}.{key}", own) for key, own in value.items()]
        else:
            found.append((name, value))
    return found


def _over(low: Mapping[str, Any], high: Mapping[str, Any]) -> dict[str, Any]:
    """Values by blocks, ``high`` over ``low``; what a detector's own setting holds is replaced whole."""
    merged = dict(low)
    for name, value in high.items():
        both = isinstance(value, Mapping) and isinstance(merged.get(name), Mapping)
        merged[name] = _block_over(name, merged[name], value) if both else value
    return merged


def _block_over(name: str, low: Mapping[str, Any], high: Mapping[str, Any]) -> dict[str, Any]:
    return {**low, **high} if name in ("detector", "importance") else _over(low, high)


def _of_user(found: FileValues, path: Path) -> dict[str, Path]:
    """Detector files as paths; relative ones are meant from the settings file's folder."""
    return {name: path.parent / Path(file).expanduser() for name, file in found.detectors.items()}


def _shown(layer: Layer) -> str:
    return str(layer.path)
