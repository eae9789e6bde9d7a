"""YAML files that people write by hand: read with lines and columns kept, so that every mistake is told at once with its place.

``kettle.yaml:12:3: sheet: unknown setting 'widht'; did you mean 'width'?``

Only plain values are made of it, never objects. What a file means is for its reader to say; this module knows the pitfalls of
the notation: `no` is false, `1e3` is text, `12:30` is 750 (YAML 1.1, yaml.org/type).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import yaml

from featurediff.errors import ConfigError
from featurediff.naming import did_you_mean, printable
from featurediff.plainfiles import TooLargeError, read_plain

LARGEST_FILE = 300_000  # bytes; such a file is a page of text, and a megabyte takes half a minute to read
# Of all values, those repeated by aliases counted each time: a few lines of aliases of aliases can stand for millions.
MOST_VALUES = 200_000
LONGEST_NUMBER = 60  # letters
BAD = object()  # stands for a value that was told as a problem


class Problems:
    """Collects mistakes with their places, so that all are told at once. ``error``: the class raised."""

    def __init__(self, shown_name: str, error: type[ConfigError] = ConfigError):
        self.shown_name = shown_name
        self.error = error
        self.found: list[tuple[int, int, str]] = []

    def add(self, place: yaml.Mark | yaml.Node, where: str, text: str) -> None:
        """A mistake at ``place``, in the setting with the dotted name ``where`` ("" for the whole file)."""
        mark = place.start_mark if isinstance(place, yaml.Node) else place
        self.found.append((mark.line + 1, mark.column + 1, f"{where}: {text}" if where else text))

    def stop_if_any(self) -> None:
        """Raise ``error`` with all mistakes, in the file's order, if there are any."""
        if self.found:
            ordered = sorted(dict.fromkeys(self.found), key=lambda each: each[:2])
            raise self.error("\n".join(f"{self.shown_name}:{line}:{column}: {text}" for line, column, text in ordered))


# ---------------------------------------------------------------- the file


def read_text(path: Path, shown_name: str, error: type[ConfigError] = ConfigError) -> str:
    """The text of a file in UTF-8. Raises ``error``."""
    try:
        return read_plain(path, LARGEST_FILE).decode("utf-8-sig")
    except TooLargeError as fault:
        raise error(f"{shown_name}: {fault.strerror} for a file of this kind.", "Is it the right file?") from fault
    except UnicodeDecodeError as fault:
        raise error(
            f"{shown_name}: not text in UTF-8 (byte {fault.start}).", "Save the file as UTF-8, or name another file."
        ) from fault
    except (OSError, ValueError) as fault:  # ValueError: a name with a null byte
        raise error(f"{shown_name}: can't be read: {getattr(fault, 'strerror', None) or fault}.") from fault


def compose(text: str, problems: Problems) -> yaml.Node | None:
    """The one document of a text as nodes; None for an empty one. Raises the error class of ``problems``."""
    try:
        root = yaml.compose(text, Loader=yaml.SafeLoader)
        if root is not None:
            _check_extent(root, problems)
        return root
    except yaml.MarkedYAMLError as fault:
        mark = fault.problem_mark or fault.context_mark or yaml.Mark(problems.shown_name, 0, 0, 0, None, None)
        problems.add(mark, "", _syntax(fault))
        problems.stop_if_any()
    except yaml.YAMLError as fault:  # characters that YAML does not allow
        raise problems.error(f"{problems.shown_name}: not a YAML file: {' '.join(str(fault).split())}") from fault
    except RecursionError as fault:
        raise problems.error(f"{problems.shown_name}: blocks are nested too deeply.") from fault
    except (ValueError, OverflowError) as fault:  # an escape such as "\\UFFFFFFFF" that stands for no letter
        raise problems.error(f"{problems.shown_name}: not a YAML file: {fault}") from fault


def _check_extent(root: yaml.Node, problems: Problems) -> None:
    """Aliases of aliases end here, before anybody follows them."""
    counts: dict[int, int] = {}

    def count(node: yaml.Node, above: frozenset[int]) -> int:
        if id(node) in above:  # a block that holds itself: its reader tells that it is not what is wanted there
            return 1
        if id(node) not in counts:
            if isinstance(node, yaml.MappingNode):
                inner = [each for pair in node.value for each in pair]
            else:
                inner = node.value if isinstance(node, yaml.SequenceNode) else []
            counts[id(node)] = 1 + sum(count(each, above | {id(node)}) for each in inner)
        return counts[id(node)]

    if count(root, frozenset()) > MOST_VALUES:
        raise problems.error(f"{problems.shown_name}: it stands for more than {MOST_VALUES} values; write it without aliases.")


def _syntax(error: yaml.MarkedYAMLError) -> str:
    problem = error.problem or "not valid YAML"
    if "'\\t'" in problem:
        return "a tab; YAML wants spaces for indentation"
    if "expected a single document" in (error.context or "") + problem:
        return "a second document starts here; a file of this kind holds one"
    context = f" {error.context}" if error.context else ""
    return f"not valid YAML: {problem}{context}"


# ---------------------------------------------------------------- blocks and lists


def entries(node: yaml.MappingNode, where: str, problems: Problems) -> Iterator[tuple[yaml.ScalarNode, yaml.Node]]:
    """The (name, value) nodes of a block; names that are no text or come twice are problems."""
    seen: dict[str, int] = {}
    for key, value in node.value:
        if not isinstance(key, yaml.ScalarNode):
            problems.add(key, where, "a name is wanted here")
        elif key.value in seen:
            problems.add(key, where, f"'{key.value}' is given twice, first on line {seen[key.value]}")
        else:
            seen[key.value] = key.start_mark.line + 1
            yield key, value


def block(node: yaml.Node, where: str, known: Iterable[str], problems: Problems) -> dict[str, yaml.Node]:
    """The values of a block by name; unknown names are problems, told with what is known."""
    known = tuple(known)
    if not isinstance(node, yaml.MappingNode):
        problems.add(node, where, f"a block with these names is wanted here: {', '.join(known)}")
        return {}
    found = {}
    for key, value in entries(node, where, problems):
        if key.value in known:
            found[key.value] = value
        else:
            other = f"; known here: {', '.join(known)}"
            problems.add(key, where, f"unknown name '{shown(key.value)}'{did_you_mean(key.value, known, other)}")
    return found


def items(node: yaml.Node, where: str, problems: Problems, wanted: str = "a list") -> list[yaml.Node]:
    """The values of a list; anything else is a problem."""
    if isinstance(node, yaml.SequenceNode):
        return node.value
    if not is_null(node):
        problems.add(node, where, f"{wanted} is wanted here")
    return []


def free(node: yaml.Node, where: str, problems: Problems) -> Any:
    """A block that is handed on unread, in plain YAML types."""
    if is_null(node):
        return {}
    if not isinstance(node, yaml.MappingNode):
        problems.add(node, where, "a block of settings is wanted here")
        return BAD
    if not _check_numbers(node, where, problems):
        return BAD
    try:
        value = yaml.constructor.SafeConstructor().construct_object(node, deep=True)
    except yaml.MarkedYAMLError as error:
        problems.add(error.problem_mark or node.start_mark, where, error.problem or "not plain YAML")
        return BAD
    except (
        ValueError,
        OverflowError,
        RecursionError,
        KeyError,
        TypeError,
        AttributeError,
    ) as error:  # no such date, a huge number
        problems.add(node, where, f"a value in it can't be read: {' '.join(str(error).split())}")
        return BAD
    for key in value:
        if not isinstance(key, str):
            problems.add(node, where, f"the name {shown(repr(key))} is not text; put it in quotes")
            return BAD
    return value


def _check_numbers(node: yaml.Node, where: str, problems: Problems) -> bool:
    """Whether no number in it has so many digits that it would take minutes to work it out, or could not be shown again."""
    todo, seen = [node], set()
    while todo:
        each = todo.pop()
        if isinstance(each, yaml.ScalarNode):
            if each.tag.endswith((":int", ":float")) and len(each.value) > LONGEST_NUMBER:
                problems.add(each, where, f"{shown(each.value)} has too many digits for a number")
                return False
        elif id(each) not in seen:
            seen.add(id(each))
            todo += each.value if is_list(each) else [inner for pair in each.value for inner in pair]
    return True


# ---------------------------------------------------------------- single values


def scalar(kind: type, node: yaml.Node, where: str, problems: Problems, check: Callable[[Any], None] | None = None) -> Any:
    """One value of the type str, float, int or bool, or `BAD`. ``check`` raises ValueError for one that is not allowed."""
    if not isinstance(node, yaml.ScalarNode):
        problems.add(node, where, f"one value is wanted here, not a {'list' if is_list(node) else 'block'}")
        return BAD
    try:
        value = _READERS[kind](node.value, node.tag.rsplit(":", 1)[-1])
        if check is not None:
            check(value)
    except ValueError as error:
        problems.add(node, where, str(error))
        return BAD
    return value


def _text(text: str, tag: str) -> str:
    if tag == "str":
        return text
    if tag == "null":
        raise ValueError("has no value; write one, or leave the line out")
    what = {"bool": "yes or no", "int": "a number", "float": "a number", "timestamp": "a date"}.get(tag, f"a {tag}")
    raise ValueError(f"YAML reads {shown(text)} as {what}; put it in quotes: '{shown(text)}'")


def _number(text: str, tag: str) -> float:
    if tag in ("int", "float"):
        if len(text) > LONGEST_NUMBER:
            raise ValueError(f"{shown(text)} has too many digits for a number of this kind")
        plain = text.lower().lstrip("+-")
        if ":" in plain:
            raise ValueError(f"YAML reads {text} as a time, in sixtieths; write a plain number")
        if plain.startswith(("0x", "0b")) or (tag == "int" and len(plain) > 1 and plain.startswith("0")):
            raise ValueError(f"YAML reads {text} to another base than ten; write a plain number")
        try:
            value = float(yaml.constructor.SafeConstructor().construct_object(yaml.ScalarNode(f"tag:yaml.org,2002:{tag}", text)))
        except (ValueError, OverflowError, yaml.YAMLError) as error:  # a tag written out before what is no number: !!int x
            raise ValueError(f"a number is wanted, not '{shown(text)}'") from error
        if not math.isfinite(value):
            raise ValueError(f"{text} is no finite number")
        return value
    if tag == "null":
        raise ValueError("has no value; write a number, or leave the line out")
    if tag == "bool":
        raise ValueError(f"a number is wanted; YAML reads {shown(text)} as yes or no")
    raise ValueError(_explain_text_for_number(text))


def _explain_text_for_number(text: str) -> str:
    try:
        number = float(text)
    except ValueError:
        number = None
    if number is not None and math.isfinite(number):
        return f"a number is wanted; YAML reads {shown(text)} as text: write {number:g} plainly, without quotes or exponent"
    if text.count(",") == 1 and text.replace(",", "").isdigit():
        return f"a number is wanted, not '{shown(text)}'; write a point for the comma: {shown(text.replace(',', '.'))}"
    return f"a number is wanted, not '{shown(text)}'; write it without a unit"


def _whole_number(text: str, tag: str) -> int:
    value = _number(text, tag)
    if value != int(value):
        raise ValueError(f"a whole number is wanted, not {text}")
    return int(value)


def _flag(text: str, tag: str) -> bool:
    if tag != "bool":
        raise ValueError(
            f"true or false is wanted, not '{shown(text)}'" if tag != "null" else "has no value; write true or false"
        )
    if text.lower() not in ("true", "yes", "on", "false", "no", "off"):  # a tag written out before something else: !!bool x
        raise ValueError(f"true or false is wanted, not '{shown(text)}'")
    return text.lower() in ("true", "yes", "on")


_READERS: dict[type, Callable[[str, str], Any]] = {str: _text, float: _number, int: _whole_number, bool: _flag}


# ---------------------------------------------------------------- small things


def is_null(node: yaml.Node) -> bool:
    """Whether a value is left empty."""
    return isinstance(node, yaml.ScalarNode) and node.tag.endswith(":null")


def is_list(node: yaml.Node) -> bool:
    """Whether a value is a list."""
    return isinstance(node, yaml.SequenceNode)


def join(where: str, name: str) -> str:
    """The dotted name of ``name`` within the block ``where``."""
    return f"{where}.{name}" if where else name


def shown(text: str) -> str:
    """A piece of the file as a message shows it: on one line, not too long, without letters that a terminal obeys."""
    text = printable(text)
    return text if len(text) <= 60 else text[:57] + "..."
