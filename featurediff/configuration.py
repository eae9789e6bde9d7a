"""Settings from a YAML file and from the command line.

The file is read with its lines and columns kept, so that every mistake in it is told at once, each with its place:
``faces.yaml:12:3: sheet: unknown setting 'widht'; did you mean 'width'?``
"""

from __future__ import annotations

import os
import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import yaml

from featurediff.errors import CallError, ConfigError
from featurediff.naming import did_you_mean
from featurediff.plainyaml import BAD, Problems, compose, entries, free, is_null, join, read_text, scalar, shown
from featurediff.settings import Settings

# Lowest and highest value of every number, by its dotted name.
RANGES: dict[str, tuple[float, float]] = {
    "sheet.px_per_mm": (0.0, 200.0),
    "tolerances.A.floor_mm": (0.0, 50.0),
    "tolerances.A.percent": (0.0, 50.0),
    "tolerances.B.floor_mm": (0.0, 50.0),
    "tolerances.B.percent": (0.0, 50.0),
    "tolerances.C.floor_mm": (0.0, 50.0),
    "tolerances.C.percent": (0.0, 50.0),
    "tolerances.angle_floor_deg": (0.0, 45.0),
    "tolerances.big_ratio_percent": (0.0, 50.0),
    "tolerances.ratio_percent": (0.0, 50.0),
    "tolerances.openness": (0.0, 1.0),
    "tolerances.openness_floor_mm": (0.0, 50.0),
    "tolerances.pointed": (0.0, 1.0),
    "tolerances.redraw_times": (1.0, 1000.0),
    "tolerances.certainty_times": (0.0, 10.0),
    "corrections.shown_at_most": (1, 50),
    "corrections.merge_mm": (0.0, 50.0),
    "corrections.merge_percent": (0.0, 100.0),
    "corrections.lean_deg": (0.0, 180.0),
    "rounds.same_place_mm": (0.0, 100.0),
    "rounds.warn_from": (1, 100),
    "importance.*": (0.0, 1.0),
}

DETECTORS = "detectors"  # subject -> Python file; not a setting of a run, and never read from a file that lies about
_FREE = ("importance", "detector")  # blocks whose names are free

CHOICES: dict[str, tuple[str, ...]] = {"corrections.sides": ("picture", "sitter")}


# ---------------------------------------------------------------- the way in


def load_settings(source: str | Path | Settings | None = None, overrides: Mapping[str, Any] | None = None) -> Settings:
    """The settings of a run: defaults, over them ``source``, over that ``overrides``.

    ``source``: a YAML file, the name of a preset ("faces-a4"), settings that are complete already, or None.
    ``overrides``: values by dotted name ("sheet.size": "A4"); None as a value means "not given".
    Raises ConfigError, which lists every mistake with file, line and column.
    """
    given = {name: value for name, value in (overrides or {}).items() if value is not None}
    if isinstance(source, Settings):
        return override(source, given)
    values = {} if source is None else read_values(find_file(source), str(source)).values
    return override(build(values), given)


def presets() -> dict[str, Path]:
    """The shipped settings files by name ("faces-a4")."""
    try:
        import featurediff_configs
    except ImportError:
        return {}
    folder = Path(featurediff_configs.__file__).parent
    return {path.stem: path for path in sorted(folder.glob("*.yaml"))}


def find_file(source: str | Path) -> Path:
    """The settings file meant by a path or by the name of a preset. Raises ConfigError."""
    path = Path(source)
    if os.path.isdir(path):
        raise ConfigError(f"The settings file '{source}' is a folder.", "Name a YAML file in it.")
    if os.path.exists(path):
        return path
    known = presets()
    if str(source) in known:
        return known[str(source)]
    raise ConfigError(
        f"There is no settings file '{source}'{did_you_mean(str(source), known, '.')}",
        f"Name a YAML file, or one of the presets: {', '.join(known) or 'none is installed'}.",
    )


# ---------------------------------------------------------------- reading


@dataclass(frozen=True)
class FileValues:
    """What a settings file gives: ``values`` by blocks, and the ``lines`` on which they stand, by dotted name.

    ``detectors``: subjects and the Python files that hold their detectors, of a file that may name any.
    """

    values: dict[str, Any] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    detectors: dict[str, str] = field(default_factory=dict)


def read_values(path: Path, shown_name: str, code: bool = False) -> FileValues:
    """What a settings file gives, checked. ``code``: it may name ``detectors``, Python files that will be run.

    Raises ConfigError with every mistake.
    """
    problems = Problems(shown_name)
    root = compose(read_text(path, shown_name), problems)
    if root is None:
        return FileValues()
    detectors = _take_detectors(root, code, problems)
    values = _fill(Settings, root, "", problems)
    problems.stop_if_any()
    return FileValues(values, _lines(root, values), detectors)


def _take_detectors(root: yaml.Node, code: bool, problems: Problems) -> dict[str, str]:
    """The block ``detectors``, taken out of the file's nodes."""
    pairs = root.value if isinstance(root, yaml.MappingNode) else []
    found: dict[str, str] = {}
    for key, node in [pair for pair in pairs if getattr(pair[0], "value", None) == DETECTORS]:
        if code:
            found |= _table(str, node, DETECTORS, problems)
        else:
            problems.add(
                key, DETECTORS, "they are Python files, which are run: name them in your own settings file, or by --detector"
            )
    if pairs:
        root.value = [pair for pair in pairs if getattr(pair[0], "value", None) != DETECTORS]
    return found


def _lines(node: yaml.Node, values: Mapping[str, Any], where: str = "") -> dict[str, int]:
    """The line of each value by its dotted name; of blocks with free names, the line of each name."""
    found: dict[str, int] = {}
    for key, value in node.value if isinstance(node, yaml.MappingNode) else []:
        name = join(where, str(key.value))
        own = values.get(key.value)
        if isinstance(own, Mapping) and where not in _FREE:
            found |= _lines(value, own, name)
        elif key.value in values:
            found[name] = key.start_mark.line + 1
    return found


# ---------------------------------------------------------------- checking nodes against the dataclasses


def _fill(kind: type, node: yaml.Node, where: str, problems: Problems) -> dict[str, Any]:
    """The values of one block, checked against the dataclass ``kind``; ``where`` is its dotted name."""
    names = [f.name for f in fields(kind)]
    if is_null(node):  # an emptied block keeps its defaults
        return {}
    if not isinstance(node, yaml.MappingNode):
        problems.add(node, where, f"a block of settings is wanted here: {', '.join(names)}")
        return {}
    types_of = typing.get_type_hints(kind)
    values: dict[str, Any] = {}
    for key, value_node in entries(node, where, problems):
        if key.value not in names:
            problems.add(key, where, _unknown(key.value, names))
            continue
        found = _value(types_of[key.value], value_node, join(where, key.value), problems)
        if found is not BAD:
            values[key.value] = found
    return values


def _value(kind: Any, node: yaml.Node, name: str, problems: Problems) -> Any:
    if is_dataclass(kind):
        return _fill(kind, node, name, problems)
    if typing.get_origin(kind) is dict:
        _, kind_of_value = typing.get_args(kind)
        return free(node, name, problems) if kind_of_value is Any else _table(kind_of_value, node, name, problems)
    return _scalar(kind, node, name, problems)


def _table(kind: type, node: yaml.Node, name: str, problems: Problems) -> dict[str, Any]:
    """A block whose names are free but whose values are all of one kind (importance by feature)."""
    if is_null(node):
        return {}
    if not isinstance(node, yaml.MappingNode):
        problems.add(node, name, "a block of 'name: value' lines is wanted here")
        return {}
    values = {}
    for key, value_node in entries(node, name, problems):
        found = _scalar(kind, value_node, join(name, key.value), problems, rule=f"{name}.*")
        if found is not BAD:
            values[key.value] = found
    return values


def _unknown(name: str, names: list[str]) -> str:
    close = did_you_mean(name, names)
    if close:
        return f"unknown setting '{shown(name)}'{close}"
    elsewhere = [dotted for dotted in _all_names() if dotted.rsplit(".", 1)[-1] == name]
    if elsewhere:
        return f"unknown setting '{shown(name)}' here; it belongs under '{elsewhere[0].rsplit('.', 1)[0]}:'"
    return f"unknown setting '{shown(name)}'; known here: {', '.join(names)}"


# ---------------------------------------------------------------- single values


def _scalar(kind: type, node: yaml.Node, name: str, problems: Problems, rule: str = "") -> Any:
    return scalar(kind, node, name, problems, lambda value: check_value(rule or name, value))


def check_value(name: str, value: Any) -> None:
    """Check a value of the right type against its range, choices or form. Raises ValueError with a sentence."""
    if name in CHOICES and value not in CHOICES[name]:
        raise ValueError(f"'{value}' is not one of {', '.join(CHOICES[name])}{did_you_mean(str(value), CHOICES[name])}")
    if name in RANGES:
        low, high = RANGES[name]
        if not low <= value <= high:
            raise ValueError(f"{value:g} is out of range; {low:g} to {high:g} is allowed")
    if name == "sheet.size" and value:
        _check_sheet(value)
    if name == "lineup.rule":
        _check_lineup(value)


def _check_sheet(text: str) -> None:
    from featurediff.sheet.sizes import parse_sheet

    try:
        parse_sheet(text)
    except CallError as error:
        raise ValueError(str(error)) from error


def _check_lineup(rule: str) -> None:
    """The form only: which labels and features there are is known once the detector has seen the reference."""
    names = [name.strip() for name in rule.split(",")]
    if len(names) > 2 or not all(names) or len(set(names)) < len(names):
        raise ValueError(f"'{rule}' is no line-up; write fewest, eyes, or the names of two features with a comma between")


# ---------------------------------------------------------------- building


def _build(kind: type, values: Mapping[str, Any], base: Any) -> Any:
    """``base``, an instance of the dataclass ``kind``, with ``values`` (nested dicts) put over it."""
    types_of = typing.get_type_hints(kind)
    changed = {
        name: _build(types_of[name], value, getattr(base, name)) if is_dataclass(types_of[name]) else value
        for name, value in values.items()
    }
    return replace(base, **changed)


def build(values: Mapping[str, Any]) -> Settings:
    """Settings from checked values by blocks; the others keep their defaults."""
    return _build(Settings, values, Settings())


def override(settings: Settings, given: Mapping[str, Any]) -> Settings:
    """``settings`` with values by dotted name put over them. Raises ConfigError."""
    known = _all_names()
    nested: dict[str, Any] = {}
    for name, value in given.items():
        if name not in known:
            raise ConfigError(f"Unknown setting '{name}'{did_you_mean(name, known, '.')}")
        kind = known[name]
        if kind is float and isinstance(value, int) and not isinstance(value, bool):
            value = float(value)
        if isinstance(kind, type) and type(value) is not kind:
            raise ConfigError(f"{name}: {value!r} is not of the type {kind.__name__}.")
        try:
            check_value(name, value)
        except ValueError as error:
            raise ConfigError(f"{name}: {error}.".replace("..", ".")) from error
        *blocks, last = name.split(".")
        target = nested
        for block in blocks:
            target = target.setdefault(block, {})
        target[last] = value
    return _build(Settings, nested, settings)


def _all_names(kind: type = Settings, prefix: str = "") -> dict[str, Any]:
    """Dotted name -> type of every setting."""
    names: dict[str, Any] = {}
    types_of = typing.get_type_hints(kind)
    for f in fields(kind):
        of = types_of[f.name]
        name = join(prefix, f.name)
        if is_dataclass(of):
            names.update(_all_names(of, name))
        else:
            names[name] = dict if isinstance(of, types.GenericAlias) else of
    return names
