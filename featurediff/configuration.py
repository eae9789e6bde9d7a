"""Settings from a YAML file and from the command line.

The file is read with its lines and columns kept, so that every mistake in it is told at once, each with its place:
``faces.yaml:12:3: sheet: unknown setting 'widht'; did you mean 'width'?``
"""

from __future__ import annotations

import math
import types
import typing
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import yaml

from featurediff.errors import CallError, ConfigError
from featurediff.naming import did_you_mean
from featurediff.settings import Settings

LARGEST_FILE = 1_000_000  # bytes; a settings file is a page of text

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
        return _override(source, given)
    values = {} if source is None else _read(find_file(source), str(source))
    return _override(_build(Settings, values, Settings()), given)


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
    if path.is_dir():
        raise ConfigError(f"The settings file '{source}' is a folder.", "Name a YAML file in it.")
    if path.exists():
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
class _Problem:
    line: int
    column: int
    text: str


class _Problems:
    """Collects mistakes with their places, so that all are told at once."""

    def __init__(self, shown_name: str):
        self.shown_name = shown_name
        self.found: list[_Problem] = []

    def add(self, mark: yaml.Mark, where: str, text: str) -> None:
        self.found.append(_Problem(mark.line + 1, mark.column + 1, f"{where}: {text}" if where else text))

    def stop_if_any(self) -> None:
        if self.found:
            ordered = sorted(self.found, key=lambda p: (p.line, p.column))
            raise ConfigError("\n".join(f"{self.shown_name}:{p.line}:{p.column}: {p.text}" for p in ordered))


def _read(path: Path, shown_name: str) -> dict[str, Any]:
    """The values of a settings file as nested dicts. Raises ConfigError."""
    text = _read_text(path, shown_name)
    problems = _Problems(shown_name)
    try:
        root = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark or yaml.Mark(shown_name, 0, 0, 0, None, None)
        problems.add(mark, "", _syntax(error))
        problems.stop_if_any()
    except yaml.YAMLError as error:  # characters that YAML does not allow
        raise ConfigError(f"{shown_name}: not a YAML file: {' '.join(str(error).split())}") from error
    except RecursionError as error:
        raise ConfigError(f"{shown_name}: blocks are nested too deeply.") from error
    if root is None:
        return {}
    values = _fill(Settings, root, "", problems)
    problems.stop_if_any()
    return values


def _read_text(path: Path, shown_name: str) -> str:
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise ConfigError(f"{shown_name}: {size} bytes are too many for a settings file.", "Is it the right file?")
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ConfigError(
            f"{shown_name}: not text in UTF-8 (byte {error.start}).", "Save the file as UTF-8, or name another file."
        ) from error
    except OSError as error:
        raise ConfigError(f"{shown_name}: can't be read: {error.strerror or error}.") from error


def _syntax(error: yaml.MarkedYAMLError) -> str:
    problem = error.problem or "not valid YAML"
    if "'\\t'" in problem:
        return "a tab; YAML wants spaces for indentation"
    if "expected a single document" in (error.context or "") + problem:
        return "a second document starts here; a settings file holds one"
    context = f" {error.context}" if error.context else ""
    return f"not valid YAML: {problem}{context}"


# ---------------------------------------------------------------- checking nodes against the dataclasses


def _fill(kind: type, node: yaml.Node, where: str, problems: _Problems) -> dict[str, Any]:
    """The values of one block, checked against the dataclass ``kind``; ``where`` is its dotted name."""
    names = [f.name for f in fields(kind)]
    if _is_null(node):  # an emptied block keeps its defaults
        return {}
    if not isinstance(node, yaml.MappingNode):
        problems.add(node.start_mark, where, f"a block of settings is wanted here: {', '.join(names)}")
        return {}
    types_of = typing.get_type_hints(kind)
    values: dict[str, Any] = {}
    for key, value_node in _entries(node, where, problems):
        if key.value not in names:
            problems.add(key.start_mark, where, _unknown(key.value, names))
            continue
        found = _value(types_of[key.value], value_node, _join(where, key.value), problems)
        if found is not _BAD:
            values[key.value] = found
    return values


_BAD = object()


def _value(kind: Any, node: yaml.Node, name: str, problems: _Problems) -> Any:
    if is_dataclass(kind):
        return _fill(kind, node, name, problems)
    if typing.get_origin(kind) is dict:
        _, kind_of_value = typing.get_args(kind)
        return _free(node, name, problems) if kind_of_value is Any else _table(kind_of_value, node, name, problems)
    return _scalar(kind, node, name, problems)


def _table(kind: type, node: yaml.Node, name: str, problems: _Problems) -> dict[str, Any]:
    """A block whose names are free but whose values are all of one kind (importance by feature)."""
    if _is_null(node):
        return {}
    if not isinstance(node, yaml.MappingNode):
        problems.add(node.start_mark, name, "a block of 'name: value' lines is wanted here")
        return {}
    values = {}
    for key, value_node in _entries(node, name, problems):
        found = _scalar(kind, value_node, _join(name, key.value), problems, rule=f"{name}.*")
        if found is not _BAD:
            values[key.value] = found
    return values


def _free(node: yaml.Node, name: str, problems: _Problems) -> Any:
    """A block that is handed on unread, in plain YAML types."""
    if _is_null(node):
        return {}
    if not isinstance(node, yaml.MappingNode):
        problems.add(node.start_mark, name, "a block of settings is wanted here")
        return _BAD
    try:
        value = yaml.constructor.SafeConstructor().construct_object(node, deep=True)
    except yaml.MarkedYAMLError as error:
        problems.add(error.problem_mark or node.start_mark, name, error.problem or "not plain YAML")
        return _BAD
    for key in value:
        if not isinstance(key, str):
            problems.add(node.start_mark, name, f"the name {key!r} is not text; put it in quotes")
            return _BAD
    return value


def _entries(node: yaml.MappingNode, where: str, problems: _Problems) -> Iterator[tuple[yaml.ScalarNode, yaml.Node]]:
    """The (name, value) nodes of a block; names that are no text or come twice are problems."""
    seen: dict[str, int] = {}
    for key, value in node.value:
        if not isinstance(key, yaml.ScalarNode):
            problems.add(key.start_mark, where, "a name is wanted here")
        elif key.value in seen:
            problems.add(key.start_mark, where, f"'{key.value}' is given twice, first on line {seen[key.value]}")
        else:
            seen[key.value] = key.start_mark.line + 1
            yield key, value


def _unknown(name: str, names: list[str]) -> str:
    close = did_you_mean(name, names)
    if close:
        return f"unknown setting '{name}'{close}"
    elsewhere = [dotted for dotted in _all_names() if dotted.rsplit(".", 1)[-1] == name]
    if elsewhere:
        return f"unknown setting '{name}' here; it belongs under '{elsewhere[0].rsplit('.', 1)[0]}:'"
    return f"unknown setting '{name}'; known here: {', '.join(names)}"


# ---------------------------------------------------------------- single values


def _scalar(kind: type, node: yaml.Node, name: str, problems: _Problems, rule: str = "") -> Any:
    if not isinstance(node, yaml.ScalarNode):
        problems.add(node.start_mark, name, f"one value is wanted here, not a {'list' if _is_list(node) else 'block'}")
        return _BAD
    tag = node.tag.rsplit(":", 1)[-1]
    try:
        value = _READERS[kind](node.value, tag)
        check_value(rule or name, value)
    except ValueError as error:
        problems.add(node.start_mark, name, str(error))
        return _BAD
    return value


def _read_text_value(text: str, tag: str) -> str:
    if tag == "str":
        return text
    if tag == "null":
        raise ValueError("has no value; write one, or leave the line out")
    what = {"bool": "yes or no", "int": "a number", "float": "a number", "timestamp": "a date"}.get(tag, f"a {tag}")
    raise ValueError(f"YAML reads {text} as {what}; put it in quotes: '{text}'")


def _read_number(text: str, tag: str) -> float:
    if tag in ("int", "float"):
        plain = text.lower().lstrip("+-")
        if ":" in plain:
            raise ValueError(f"YAML reads {text} as a time, in sixtieths; write a plain number")
        if plain.startswith(("0x", "0b")) or (tag == "int" and len(plain) > 1 and plain.startswith("0")):
            raise ValueError(f"YAML reads {text} to another base than ten; write a plain number")
        value = float(yaml.constructor.SafeConstructor().construct_object(yaml.ScalarNode(f"tag:yaml.org,2002:{tag}", text)))
        if not math.isfinite(value):
            raise ValueError(f"{text} is no finite number")
        return value
    if tag == "null":
        raise ValueError("has no value; write a number, or leave the line out")
    if tag == "bool":
        raise ValueError(f"a number is wanted; YAML reads {text} as yes or no")
    raise ValueError(_explain_text_for_number(text))


def _explain_text_for_number(text: str) -> str:
    try:
        number = float(text)
    except ValueError:
        number = None
    if number is not None and math.isfinite(number):
        return f"a number is wanted; YAML reads {text} as text: write {number:g} plainly, without quotes or exponent"
    if text.count(",") == 1 and text.replace(",", "").isdigit():
        return f"a number is wanted, not '{text}'; write a point for the comma: {text.replace(',', '.')}"
    return f"a number is wanted, not '{text}'; write it without a unit"


def _read_whole_number(text: str, tag: str) -> int:
    value = _read_number(text, tag)
    if value != int(value):
        raise ValueError(f"a whole number is wanted, not {text}")
    return int(value)


def _read_flag(text: str, tag: str) -> bool:
    if tag != "bool":
        raise ValueError(f"true or false is wanted, not '{text}'" if tag != "null" else "has no value; write true or false")
    return text.lower() in ("true", "yes", "on")


_READERS: dict[type, Callable[[str, str], Any]] = {
    str: _read_text_value,
    float: _read_number,
    int: _read_whole_number,
    bool: _read_flag,
}


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


def _override(settings: Settings, given: Mapping[str, Any]) -> Settings:
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
        name = _join(prefix, f.name)
        if is_dataclass(of):
            names.update(_all_names(of, name))
        else:
            names[name] = dict if isinstance(of, types.GenericAlias) else of
    return names


def _join(where: str, name: str) -> str:
    return f"{where}.{name}" if where else name


def _is_null(node: yaml.Node) -> bool:
    return isinstance(node, yaml.ScalarNode) and node.tag.endswith(":null")


def _is_list(node: yaml.Node) -> bool:
    return isinstance(node, yaml.SequenceNode)
