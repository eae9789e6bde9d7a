"""`Marks` as a file that a person can read and change, and as plain values."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import yaml

from featurediff.errors import MarksError
from featurediff.marking.read import FORMAT, parse_marks
from featurediff.marking.records import VERSION, Mark, Marks

HEAD = """\
# Marks on a reference: what is looked for in a drawing of it. Made with: featurediff mark REFERENCE
#   featurediff check REFERENCE DRAWING --marks THIS_FILE --sheet A4
# Places are [x, y] in px of the reference, x right, y down, from its top left corner. What each line may hold:
#   name         in plain words, side last: "handle on the left"
#   point: [x, y]          line: [[x, y], [x, y]]          curve: [[x, y], [x, y, corner], ...] and closed: true
#   ellipse: {middle: [x, y], width: W, height: H, turn: DEGREES}
#   part         what it belongs to, from the whole down: kettle/lid
#   class        how strictly it is judged: A (seen first), B, C (forgives);  importance  0 to 1
#   judge        what is judged of it, where that is not all: [across, down, tilt, width, height, shape, openness, ends]
#   edges: false  an outline with corners is told as one, not edge by edge
#   spots        names for some of its points, counted from 1: {top: 2}
"""


def document(marks: Marks) -> dict[str, Any]:
    """The file's content as plain values: dicts, lists, texts, numbers. No text in it looks like the name of a file."""
    found: dict[str, Any] = {FORMAT: VERSION, "subject": marks.subject}
    found["reference"] = {"width": marks.width, "height": marks.height}
    if marks.size:
        found["size"] = marks.size
    found["marks"] = [_mark(each) for each in marks.marks]
    if marks.groups:
        found["groups"] = [
            {"part": list(each.part), "name": each.name, **({"several": True} if each.several else {})} for each in marks.groups
        ]
    if marks.corners:
        found["corners"] = [{"name": each.name, "lines": list(each.lines)} for each in marks.corners]
    if marks.pairs:
        found["pairs"] = [{"name": each.name, "left": list(each.left), "right": list(each.right)} for each in marks.pairs]
    if marks.gaps:
        found["gaps"] = [
            {"name": each.name, "direction": each.direction, "beyond": list(each.beyond), "follows": each.follows}
            for each in marks.gaps
        ]
    return found


def from_document(values: Any, shown_name: str = "marks") -> Marks:
    """The marks in plain values, checked like a file. Raises MarksError."""
    try:
        text = yaml.safe_dump(values, allow_unicode=True, sort_keys=False, default_flow_style=False, width=10_000)
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        raise MarksError(f"{shown_name}: not plain values: {' '.join(str(error).split())[:200]}") from error
    return parse_marks(text, shown_name)


def text_of(marks: Marks) -> str:
    """The whole file, with a remark at its head that explains every line it may hold."""
    values = document(marks)
    reference = {"name": marks.picture, **values["reference"]} if marks.picture else values["reference"]
    lines = [f"{FORMAT}: {VERSION}", f"subject: {_flow(marks.subject)}", f"reference: {_flow(reference)}"]
    if marks.size:
        lines.append(f"size: {marks.size}")
    lines.append("marks:")
    for each in values["marks"]:
        lines += _block(each)
    for key in ("groups", "corners", "pairs", "gaps"):
        if key in values:
            lines.append(f"{key}:")
            for each in values[key]:
                lines += _block(each)
    return HEAD + "\n".join(lines) + "\n"


def _block(values: Mapping[str, Any]) -> list[str]:
    parts = ("part", "left", "right")
    told = {k: "/".join(v) if k in parts and isinstance(v, list) else v for k, v in values.items()}
    return [f"  {'-' if k == 0 else ' '} {key}: {_flow(value)}" for k, (key, value) in enumerate(told.items())]


def _flow(value: Any) -> str:
    """A value on one line."""
    text = yaml.safe_dump(value, default_flow_style=True, allow_unicode=True, width=10_000_000, sort_keys=False)
    return text.removesuffix("\n").removesuffix("\n...")


def _mark(mark: Mark) -> dict[str, Any]:
    found: dict[str, Any] = {"name": mark.name}
    if mark.kind == "point":
        found["point"] = _place(mark.points[0])
    elif mark.kind == "ellipse":
        own = mark.round
        found["ellipse"] = {"middle": _place(own.middle), "width": _px(own.width), "height": _px(own.height)}
        if own.turn:
            found["ellipse"]["turn"] = _px(own.turn)
    else:
        found[mark.kind] = [
            [*_place(place), "corner"] if k in mark.corners else _place(place) for k, place in enumerate(mark.points)
        ]
    if mark.closed:
        found["closed"] = True
    if not mark.edges:
        found["edges"] = False
    if mark.part:
        found["part"] = list(mark.part)
    if mark.grade != "B":
        found["class"] = mark.grade
    if mark.importance != 0.5:
        found["importance"] = round(mark.importance, 3)
    if mark.judge:
        found["judge"] = list(mark.judge)
    if mark.spots:
        found["spots"] = {name: at + 1 for name, at in mark.spots.items()}
    return found


def _place(place: tuple[float, float]) -> list[float]:
    return [_px(value) for value in place]


def _px(value: float) -> float:
    """To a tenth of a px, whole numbers without a point."""
    value = round(float(value), 1)
    return int(value) if value == int(value) else value
