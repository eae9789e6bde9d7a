"""A marks file as `Marks`. Every mistake is told at once, with line, column, what was found and what is allowed."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable
from pathlib import Path

import yaml

from featurediff.errors import MarksError
from featurediff.marking.records import (
    CLASSES,
    KINDS,
    MEASURES,
    SIDES,
    VERSION,
    Corner,
    Mark,
    Marks,
    Round,
    Stretch,
    Twins,
    Whole,
)
from featurediff.naming import did_you_mean
from featurediff.plainyaml import BAD, Problems, block, compose, entries, is_list, items, read_text, scalar, shown

LONGEST_NAME = 60
LARGEST_SIDE = 100_000  # px
MOST_MARKS, MOST_POINTS = 300, 400
DEEPEST = 6  # levels of the parts tree
LEAST_LENGTH = 3.0  # px: what is shorter is a slip of the hand
FORMAT = "featurediff-marks"

_TOP = (FORMAT, "subject", "reference", "size", "marks", "groups", "corners", "pairs", "gaps")
_MARK = ("name", *KINDS, "closed", "part", "class", "importance", "judge", "edges", "spots")
_ONLY_FOR = {"closed": ("curve",), "edges": ("curve",), "spots": ("line", "curve")}


def read_marks(path: str | Path) -> Marks:
    """The marks in a file. Raises MarksError."""
    path = Path(path)
    if os.path.isdir(path):
        raise MarksError(f"The marks file '{path}' is a folder.", "Name a YAML file in it.")
    if not os.path.exists(path):
        raise MarksError(f"There is no marks file '{path}'.", f"Make it with: featurediff mark REFERENCE --out {path}")
    return parse_marks(read_text(path, str(path), MarksError), str(path))


def parse_marks(text: str, shown_name: str) -> Marks:
    """The marks in a file's ``text``. Raises MarksError with every mistake."""
    problems = Problems(shown_name, MarksError)
    root = compose(text, problems)
    if root is None:
        raise MarksError(f"{shown_name}: the file is empty.", "Make it with: featurediff mark REFERENCE")
    marks = _whole(root, problems)
    problems.stop_if_any()
    return marks


# ---------------------------------------------------------------- the whole


def _whole(root: yaml.Node, problems: Problems) -> Marks | None:
    given = block(root, "", _TOP, problems)
    _wanted(given, (FORMAT, "subject", "reference", "marks"), root, "", problems)
    if FORMAT in given:
        scalar(int, given[FORMAT], FORMAT, problems, _version)
    subject = _name(given.get("subject"), "subject", problems)
    picture, width, height = _reference(given.get("reference"), problems)
    read = _Reader(problems, width, height)
    nodes = _list(given.get("marks"), "marks", problems, MOST_MARKS)
    if "marks" in given and not nodes and not problems.found:
        problems.add(given["marks"], "marks", "a list of marks is wanted here; it is empty")
    marks = [(node, read.mark(node, f"mark {k}")) for k, node in enumerate(nodes, 1)]
    _no_doubles([(node, mark.name) for node, mark in marks if mark], problems)
    known = [mark for _, mark in marks if mark]
    return Marks(
        subject=subject,
        picture=picture,
        width=width or 0,
        height=height or 0,
        marks=tuple(known),
        size=_choice(given.get("size"), "size", SIDES, problems),
        groups=_groups(given.get("groups"), known, problems),
        corners=_corners(given.get("corners"), known, problems),
        pairs=_pairs(given.get("pairs"), known, problems),
        gaps=_gaps(given.get("gaps"), known, problems),
    )


def _version(value: int) -> None:
    if value != VERSION:
        raise ValueError(f"this featurediff reads version {VERSION}, not {value}")


def _reference(node: yaml.Node | None, problems: Problems) -> tuple[str, int | None, int | None]:
    """Name, width and height of the picture; a size that is wrong is None."""
    if node is None:
        return "", None, None
    given = block(node, "reference", ("name", "width", "height"), problems)
    if isinstance(node, yaml.MappingNode):
        _wanted(given, ("width", "height"), node, "reference", problems)
    name = scalar(str, given["name"], "reference.name", problems) if "name" in given else ""
    sides = []
    for side in ("width", "height"):
        value = scalar(int, given[side], f"reference.{side}", problems, _side) if side in given else BAD
        sides.append(None if value is BAD else value)
    return "" if name is BAD else name, sides[0], sides[1]


def _side(value: int) -> None:
    if not 16 <= value <= LARGEST_SIDE:
        raise ValueError(f"{value:g} px is out of range; 16 to {LARGEST_SIDE} is allowed")


def _no_doubles(named: list[tuple[yaml.Node, str]], problems: Problems) -> None:
    first: dict[str, int] = {}
    for node, name in named:
        if not name:
            continue
        line = first.setdefault(name.lower(), node.start_mark.line + 1)
        if line != node.start_mark.line + 1:
            problems.add(node, "marks", f"'{shown(name)}' is the name of two marks, first on line {line}; each needs its own")


# ---------------------------------------------------------------- one mark


class _Reader:
    """Reads marks on a picture of ``width`` x ``height`` px; None where the size itself is wrong, then places go unchecked."""

    def __init__(self, problems: Problems, width: int | None, height: int | None):
        self.problems = problems
        self.size = None if width is None or height is None else (width, height)

    def mark(self, node: yaml.Node, where: str) -> Mark | None:
        problems = self.problems
        given = block(node, where, _MARK, problems)
        if not given:
            return None
        name = _name(given.get("name"), where, problems)
        where = f"'{shown(name)}'" if name else where
        if "name" not in given:
            problems.add(node, where, "it has no name: add 'name: ...'")
        kinds = [kind for kind in KINDS if kind in given]
        if len(kinds) != 1:
            said = f"it is {' and '.join(kinds)} at once" if kinds else "it has no place"
            problems.add(node, where, f"{said}; give one of: {', '.join(KINDS)}")
            return None
        kind = kinds[0]
        for key, suits in _ONLY_FOR.items():
            if key in given and kind not in suits:
                problems.add(given[key], where, f"'{key}' is for a {' or a '.join(suits)}, not for {_a(kind)}")
        closed = scalar(bool, given["closed"], f"{where}: closed", problems) if "closed" in given else False
        closed = closed is True and kind == "curve"
        edges = scalar(bool, given["edges"], f"{where}: edges", problems) if "edges" in given else True
        points, corners, ellipse = self._place(kind, given[kind], where, closed)
        importance = 0.5
        if "importance" in given:
            importance = scalar(float, given["importance"], f"{where}: importance", problems, _share)
        return Mark(
            name=name,
            kind=kind,
            points=points,
            corners=corners,
            closed=closed,
            round=ellipse,
            part=_part(given.get("part"), f"{where}: part", problems),
            grade=_choice(given.get("class"), f"{where}: class", CLASSES, problems) or "B",
            importance=0.5 if importance is BAD else importance,
            judge=self._judge(given.get("judge"), kind, where),
            edges=edges is not False,
            spots=self._spots(given.get("spots"), len(points), where) if kind in _ONLY_FOR["spots"] else {},
        )

    def _place(self, kind: str, node: yaml.Node, where: str, closed: bool):
        if kind == "ellipse":
            return (), (), self._ellipse(node, f"{where}: ellipse")
        where = f"{where}: {kind}"
        if kind == "point":
            found = self._point(node, where)
            return (() if found is None else (found[0],)), (), None
        wanted = {"line": "two points, [[x, y], [x, y]],", "curve": "a list of points, [[x, y], [x, y], ...],"}[kind]
        found = [self._point(each, where, kind == "curve") for each in _list(node, where, self.problems, MOST_POINTS, wanted)]
        if any(each is None for each in found) or not is_list(node):
            return (), (), None
        points = tuple(place for place, _ in found)
        least = {"line": 2, "curve": 3 if closed else 2}[kind]
        if len(points) < least or (kind == "line" and len(points) > 2):
            amount = "two points" if kind == "line" else f"at least {least} points"
            self.problems.add(node, where, f"{amount} are wanted, not {len(points)}")
        elif max(math.dist(points[0], each) for each in points) < LEAST_LENGTH:
            self.problems.add(node, where, f"all its points lie within {LEAST_LENGTH:g} px")
        return points, tuple(k for k, (_, corner) in enumerate(found) if corner), None

    def _point(self, node: yaml.Node, where: str, may_turn: bool = False) -> tuple[tuple[float, float], bool] | None:
        """((x, y), whether it is a corner), or None for what was told as a problem."""
        wanted = "a point is wanted here: [x, y]" + (", or [x, y, corner]" if may_turn else "")
        parts = node.value if is_list(node) else []
        turns = may_turn and len(parts) == 3 and getattr(parts[2], "value", "") == "corner"
        if len(parts) != 2 and not turns:
            self.problems.add(node, where, wanted)
            return None
        values = [scalar(float, each, where, self.problems) for each in parts[:2]]
        if BAD in values:
            return None
        if not self._inside(values):
            width, height = self.size
            self.problems.add(
                node,
                where,
                f"[{values[0]:g}, {values[1]:g}] lies outside the picture; x is 0 to {width - 1}, y is 0 to {height - 1}",
            )
            return None
        return (values[0], values[1]), turns

    def _inside(self, place: Iterable[float]) -> bool:
        return self.size is None or all(-0.5 <= value <= side - 0.5 for value, side in zip(place, self.size, strict=True))

    def _ellipse(self, node: yaml.Node, where: str) -> Round | None:
        problems = self.problems
        given = block(node, where, ("middle", "width", "height", "turn"), problems)
        if not isinstance(node, yaml.MappingNode):
            return None
        _wanted(given, ("middle", "width", "height"), node, where, problems)
        middle = self._point(given["middle"], f"{where}: middle") if "middle" in given else None
        axes = [scalar(float, given[key], f"{where}: {key}", problems, _axis) if key in given else BAD for key in SIDES]
        turn = scalar(float, given["turn"], f"{where}: turn", problems, _turn) if "turn" in given else 0.0
        if middle is None or BAD in (*axes, turn):
            return None
        found = Round(middle[0], axes[0], axes[1], turn)
        if not all(self._inside(place) for place in _extreme_points(found)):
            problems.add(node, where, "it reaches beyond the picture; mark what is seen of it as a curve")
        return found

    def _judge(self, node: yaml.Node | None, kind: str, where: str) -> tuple[str, ...]:
        if node is None:
            return ()
        where, allowed = f"{where}: judge", MEASURES[kind]
        found = [
            _choice(each, where, allowed, self.problems, f" for {_a(kind)}") for each in _list(node, where, self.problems, 20)
        ]
        return tuple(dict.fromkeys(each for each in found if each))

    def _spots(self, node: yaml.Node | None, count: int, where: str) -> dict[str, int]:
        if node is None:
            return {}
        where = f"{where}: spots"
        if not isinstance(node, yaml.MappingNode):
            self.problems.add(node, where, "lines such as 'top: 2' are wanted here: a name, and which of the points it is")
            return {}
        found = {}
        for key, value in entries(node, where, self.problems):
            if _name(key, where, self.problems):
                at = scalar(int, value, f"{where}: {shown(key.value)}", self.problems, _one_of_points(count))
                found[key.value] = 0 if at is BAD else at - 1
        return found


def _a(kind: str) -> str:
    return f"an {kind}" if kind == "ellipse" else f"a {kind}"


def _one_of_points(count: int) -> Callable[[int], None]:
    def check(value: int) -> None:
        if count and not 1 <= value <= count:
            raise ValueError(f"there is no point {value:g}; 1 to {count} is allowed")

    return check


def _extreme_points(ellipse: Round) -> list[tuple[float, float]]:
    """Where it reaches furthest left, right, up and down, as two corners of the box around it."""
    turn = math.radians(ellipse.turn)
    wide, high = 0.5 * ellipse.width, 0.5 * ellipse.height
    reach = (
        math.hypot(wide * math.cos(turn), high * math.sin(turn)),
        math.hypot(wide * math.sin(turn), high * math.cos(turn)),
    )
    return [tuple(m + sign * r for m, r in zip(ellipse.middle, reach, strict=True)) for sign in (-1, 1)]


def _axis(value: float) -> None:
    if not LEAST_LENGTH <= value <= LARGEST_SIDE:
        raise ValueError(f"{value:g} px is out of range; {LEAST_LENGTH:g} to {LARGEST_SIDE} is allowed")


def _turn(value: float) -> None:
    if not -360 <= value <= 360:
        raise ValueError(f"{value:g} degrees is out of range; -360 to 360 is allowed")


def _share(value: float) -> None:
    if not 0 <= value <= 1:
        raise ValueError(f"{value:g} is out of range; 0 to 1 is allowed")


# ---------------------------------------------------------------- what marks have to do with each other


def _groups(node: yaml.Node | None, marks: list[Mark], problems: Problems) -> tuple[Whole, ...]:
    found = []
    for each, where, given in _blocks(node, "groups", ("part", "name", "several"), ("part", "name"), problems):
        part = _known_part(given.get("part"), where, marks, problems)
        several = scalar(bool, given["several"], f"{where}: several", problems) if "several" in given else False
        found.append((each, Whole(part, _name(given.get("name"), where, problems), several is True)))
    _no_doubles([(each, "/".join(whole.part)) for each, whole in found], problems)
    return tuple(whole for _, whole in found)


def _corners(node: yaml.Node | None, marks: list[Mark], problems: Problems) -> tuple[Corner, ...]:
    found = []
    for each, where, given in _blocks(node, "corners", ("name", "lines"), ("name", "lines"), problems):
        lines = _known_marks(given.get("lines"), f"{where}: lines", [m for m in marks if m.kind == "line"], marks, problems)
        if "lines" in given and len(lines) < 2:
            problems.add(each, where, "two lines or more are wanted that meet there")
        found.append(Corner(_name(given.get("name"), where, problems), lines))
    return tuple(found)


def _pairs(node: yaml.Node | None, marks: list[Mark], problems: Problems) -> tuple[Twins, ...]:
    found = []
    for _, where, given in _blocks(node, "pairs", ("name", "left", "right"), ("name", "left", "right"), problems):
        sides = [_known_part(given.get(side), f"{where}: {side}", marks, problems) for side in ("left", "right")]
        found.append(Twins(_name(given.get("name"), where, problems), *sides))
    return tuple(found)


def _gaps(node: yaml.Node | None, marks: list[Mark], problems: Problems) -> tuple[Stretch, ...]:
    keys, found = ("name", "direction", "beyond", "follows"), []
    for _, where, given in _blocks(node, "gaps", keys, keys, problems):
        direction = _choice(given.get("direction"), f"{where}: direction", ("down", "across"), problems)
        beyond = _known_marks(given.get("beyond"), f"{where}: beyond", marks, marks, problems)
        follows = _name(given.get("follows"), where, problems, longest=2 * LONGEST_NAME, commas=True)
        found.append(Stretch(_name(given.get("name"), where, problems), direction or "down", beyond, follows))
    return tuple(found)


def _blocks(node: yaml.Node | None, what: str, known: tuple[str, ...], wanted: tuple[str, ...], problems: Problems):
    """(node, where, values by name) of each block in a list."""
    for k, each in enumerate(_list(node, what, problems, MOST_MARKS), 1):
        where = f"{what} {k}"
        given = block(each, where, known, problems)
        if isinstance(each, yaml.MappingNode):
            _wanted(given, wanted, each, where, problems)
            yield each, where, given


def _known_marks(node, where: str, suits: list[Mark], marks: list[Mark], problems: Problems) -> tuple[str, ...]:
    found = []
    for each in _list(node, where, problems, MOST_MARKS, "a list of names,"):
        name = scalar(str, each, where, problems)
        if name is BAD:
            continue
        if name in [mark.name for mark in suits]:
            found.append(name)
        elif name in [mark.name for mark in marks]:
            problems.add(each, where, f"'{shown(name)}' is no line")
        else:
            problems.add(each, where, f"no mark is called '{shown(name)}'{did_you_mean(name, [mark.name for mark in suits])}")
    return tuple(dict.fromkeys(found))


def _known_part(node: yaml.Node | None, where: str, marks: list[Mark], problems: Problems) -> tuple[str, ...]:
    part = _part(node, where, problems)
    known = sorted({mark.part[:depth] for mark in marks for depth in range(1, len(mark.part) + 1)})
    known += [(*mark.part, mark.name) for mark in marks]
    if part and part not in known:
        names = ["/".join(each) for each in known]
        problems.add(node, where, f"no mark has the part '{shown('/'.join(part))}'{did_you_mean('/'.join(part), names)}")
    return part


# ---------------------------------------------------------------- single values


def _wanted(given: dict[str, yaml.Node], names: tuple[str, ...], node: yaml.Node, where: str, problems: Problems) -> None:
    missing = [name for name in names if name not in given]
    if missing and isinstance(node, yaml.MappingNode):
        named = " and ".join(f"'{name}'" for name in missing)
        problems.add(node, where, f"{named} {'is' if len(missing) == 1 else 'are'} missing")


def _list(node: yaml.Node | None, where: str, problems: Problems, most: int, wanted: str = "a list") -> list[yaml.Node]:
    found = [] if node is None else items(node, where, problems, wanted)
    if len(found) > most:
        problems.add(node, where, f"{len(found)} are too many; {most} are allowed")
        return []
    return found


def _name(node: yaml.Node | None, where: str, problems: Problems, longest: int = LONGEST_NAME, commas: bool = False) -> str:
    """A name in plain words; "" for none or a bad one. It stands in sentences, after an article."""
    if node is None:
        return ""
    value = scalar(str, node, where, problems, lambda text: check_name(text, longest, commas))
    return "" if value is BAD else value


def check_name(text: str, longest: int = LONGEST_NAME, commas: bool = False) -> None:
    """That ``text`` can be a name. Raises ValueError in words."""
    if text != text.strip() or not any(letter.isalnum() for letter in text):
        raise ValueError(f"'{shown(text)}' is no name; write it in plain words, such as: rim of the kettle")
    if len(text) > longest:
        raise ValueError(f"'{shown(text)}' has {len(text)} letters; {longest} are allowed")
    bad = next((letter for letter in text if not letter.isprintable() or letter in "/\\~" or (letter == "," and not commas)), "")
    if bad:
        raise ValueError(f"'{shown(text)}' holds {shown(repr(bad))}, which a name can't have; use words and spaces")


def _part(node: yaml.Node | None, where: str, problems: Problems) -> tuple[str, ...]:
    """The things it belongs to: "kettle/lid" -> ("kettle", "lid"); a list of names says the same."""
    if node is None:
        return ()
    if is_list(node):
        words = [_name(each, where, problems) for each in node.value[: DEEPEST + 1]]
        if len(words) > DEEPEST:
            problems.add(node, where, f"it is too deep; {DEEPEST} levels are allowed")
        return tuple(words) if all(words) else ()

    def check(text: str) -> None:
        words = text.split("/")
        if len(words) > DEEPEST:
            raise ValueError(f"'{shown(text)}' is too deep; {DEEPEST} levels are allowed")
        for word in words:
            check_name(word)

    value = scalar(str, node, where, problems, check)
    return () if value is BAD else tuple(value.split("/"))


def _choice(node: yaml.Node | None, where: str, allowed: tuple[str, ...], problems: Problems, suits: str = "") -> str:
    if node is None:
        return ""

    def check(text: str) -> None:
        if text not in allowed:
            raise ValueError(f"'{shown(text)}' is not one of {', '.join(allowed)}{suits}{did_you_mean(text, allowed)}")

    value = scalar(str, node, where, problems, check)
    return "" if value is BAD else value
