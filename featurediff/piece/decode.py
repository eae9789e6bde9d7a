"""JSON documents of a piece as records. Whatever is in a file, the answer is a record or a PieceError that says what is wrong.

Older documents are brought forward in memory, step by step by `MIGRATIONS`; the files stay as they are. Newer ones are refused.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from typing import Any

from featurediff.errors import CallError, PieceError
from featurediff.naming import printable
from featurediff.piece import encode
from featurediff.piece.records import OUTCOMES, Change, Item, Kept, Piece, Reading, Round
from featurediff.records import STAGES, Correction

# version -> what makes a document of the next version of one (format, document).
MIGRATIONS: dict[int, Callable[[str, dict[str, Any]], dict[str, Any]]] = {}

_TEXT, _SHORT, _MANY, _VERY_MANY = 5000, 300, 1000, 20000
_LARGEST = 1e9


def document(data: bytes, kind: str, name: str) -> Fields:
    """The document in a file of the piece, brought forward to the present version. Raises PieceError."""
    try:
        found = json.loads(data.decode("utf-8"), parse_constant=_no_constant)
    except (UnicodeDecodeError, ValueError, RecursionError):
        raise _damaged(name, "it holds no JSON") from None
    if not isinstance(found, dict) or found.get("format") != kind:
        raise _damaged(name, f"it is no {kind} document")
    version = found.get("version")
    if type(version) is not int or version < 1:
        raise _damaged(name, "its version is no number")
    if version > encode.VERSION:
        raise PieceError(
            f"{name}: the piece was written by a newer featurediff (format {version}; this one reads up to {encode.VERSION}).",
            "Update featurediff.",
        )
    while version < encode.VERSION:
        try:
            found = MIGRATIONS[version](kind, found)
        except PieceError:
            raise
        except Exception:  # whatever an old document lacks
            raise _damaged(name, f"it can't be brought forward from format {version}") from None
        version += 1
    return Fields(found, name)


def piece_of(fields: Fields) -> Piece:
    """Settings of a piece; its rounds are in other files."""
    from featurediff.configuration import load_settings

    values = fields.mapping("settings")
    weights = values.get("importance", {})
    for weight in weights.values() if isinstance(weights, dict) else ():
        if type(weight) not in (int, float) or not 0 <= weight <= 1:
            raise fields.wrong("settings", "has an importance that is not between 0 and 1")
    try:
        settings = load_settings(None, values)
    except CallError as error:
        raise fields.wrong("settings", f"can't be used: {error.what}") from None
    if not settings.subject:
        raise fields.wrong("settings", "names no subject")
    return Piece(settings, tuple(fields.texts("left_out", _MANY, _SHORT)))


def kept_of(fields: Fields) -> tuple[Kept, ...]:
    """What the artist keeps."""
    return tuple(
        Kept(
            each.whole("number"),
            each.text("text"),
            _readings(each, "readings", _MANY),
            each.number("size"),
            each.whole("at_round"),
        )
        for each in fields.blocks("kept", _MANY)
    )


def round_of(fields: Fields) -> Round:
    """One round."""
    return Round(
        number=fields.whole("number"),
        report=fields.mapping("report"),
        items=tuple(_item(each) for each in fields.blocks("items", _MANY)),
        base=_readings(fields, "base", _VERY_MANY),
        changes=tuple(_change(each) for each in fields.blocks("changes", _MANY)),
        touched=tuple(fields.pairs("touched", _VERY_MANY)),
        lineup=_lineup(fields),
        size=fields.number("size"),
        unit=fields.choice("unit", ("mm", "%")),
        worst=fields.number("worst"),
        moved=tuple(fields.texts("moved", _MANY, _TEXT)),
        careful=tuple(fields.wholes("careful", _MANY)),
        kept=tuple(fields.texts("kept", _MANY, _TEXT)),
        px_per_unit=fields.number("px_per_unit"),
        close_enough=fields.flag("close_enough"),
    )


def _lineup(fields: Fields) -> tuple[float, float, float, float]:
    values = fields.numbers("lineup", 4)
    if len(values) != 4 or values[0] <= 0:
        raise fields.wrong("lineup", "is no scale, turn and move")
    return tuple(values)


def _item(fields: Fields) -> Item:
    return Item(
        fields.whole("id"),
        _correction(fields.block("correction")),
        _readings(fields, "readings", _MANY),
        fields.whole("since"),
        fields.flag("now"),
    )


def _correction(fields: Fields) -> Correction:
    return Correction(
        rank=fields.whole("rank"),
        stage=fields.choice("stage", STAGES),
        text=fields.text("text"),
        check=fields.text("check"),
        at_mm=fields.pair("at_mm"),
        move_mm=fields.pair("move_mm") if fields.has("move_mm") else None,
        turn_deg=fields.number("turn_deg") if fields.has("turn_deg") else None,
        scale=fields.number("scale") if fields.has("scale") else None,
        explains=tuple(fields.texts("explains", _MANY, _SHORT)),
        sure=fields.number("sure"),
        size=fields.number("size"),
        arrows=tuple(_arrow(each, fields) for each in fields.rows("arrows", _MANY)),
        kind=fields.text("kind", _SHORT),
    )


def _arrow(value: Any, fields: Fields) -> tuple[tuple[float, float], tuple[float, float]]:
    if not isinstance(value, list) or len(value) != 2:
        raise fields.wrong("arrows", "holds no place and move")
    return _as_pair(value[0], fields, "arrows"), _as_pair(value[1], fields, "arrows")


def _change(fields: Fields) -> Change:
    return Change(
        item=fields.whole("item"),
        outcome=fields.choice("outcome", OUTCOMES),
        text=fields.text("text"),
        number=fields.whole("number") if fields.has("number") else None,
        amount=fields.number("amount") if fields.has("amount") else None,
        unit=fields.text("unit", _SHORT),
    )


def _readings(fields: Fields, name: str, most: int) -> tuple[Reading, ...]:
    found = []
    for each in fields.blocks(name, most):
        reading = Reading(
            each.text("feature", _SHORT),
            each.text("measure", _SHORT),
            each.number("value"),
            each.number("sigma"),
            each.number("limit"),
            each.text("unit", _SHORT),
        )
        if reading.sigma < 0 or reading.limit <= 0:
            raise each.wrong("limit", "is no length")
        found.append(reading)
    return tuple(found)


# ---------------------------------------------------------------- values, checked one by one


class Fields:
    """A JSON object whose values are taken out by name and type; ``where`` names it in messages."""

    def __init__(self, values: Mapping[str, Any], where: str):
        self.values, self.where = values, where

    def wrong(self, name: str, what: str) -> PieceError:
        return _damaged(self.where, f"'{name}' {what}")

    def has(self, name: str) -> bool:
        return self.values.get(name) is not None

    def _take(self, name: str, kinds: type | tuple[type, ...], what: str) -> Any:
        value = self.values.get(name)
        if not isinstance(value, kinds) or (isinstance(value, bool) and kinds is not bool):
            raise self.wrong(name, f"is no {what}")
        return value

    def text(self, name: str, most: int = _TEXT) -> str:
        value = self._take(name, str, "text")
        if len(value) > most:
            raise self.wrong(name, "is too long a text")
        return printable(value)

    def number(self, name: str) -> float:
        return _as_number(self.values.get(name), self, name)

    def whole(self, name: str) -> int:
        value = self._take(name, int, "whole number")
        if not 0 <= value <= _LARGEST:
            raise self.wrong(name, "is out of range")
        return value

    def flag(self, name: str) -> bool:
        return self._take(name, bool, "true or false")

    def choice(self, name: str, allowed: tuple[str, ...]) -> str:
        value = self._take(name, str, "text")
        if value not in allowed:
            raise self.wrong(name, f"is not one of {', '.join(allowed)}")
        return value

    def mapping(self, name: str) -> dict[str, Any]:
        return self._take(name, dict, "object")

    def block(self, name: str) -> Fields:
        return Fields(self.mapping(name), self.where)

    def rows(self, name: str, most: int) -> list[Any]:
        value = self._take(name, list, "list")
        if len(value) > most:
            raise self.wrong(name, f"has more than {most} entries")
        return value

    def blocks(self, name: str, most: int) -> list[Fields]:
        rows = self.rows(name, most)
        if not all(isinstance(each, dict) for each in rows):
            raise self.wrong(name, "is no list of objects")
        return [Fields(each, self.where) for each in rows]

    def texts(self, name: str, most: int, longest: int) -> list[str]:
        rows = self.rows(name, most)
        if not all(isinstance(each, str) and len(each) <= longest for each in rows):
            raise self.wrong(name, "is no list of texts")
        return [printable(each) for each in rows]

    def wholes(self, name: str, most: int) -> list[int]:
        rows = self.rows(name, most)
        if not all(type(each) is int and 0 <= each <= _LARGEST for each in rows):
            raise self.wrong(name, "is no list of whole numbers")
        return rows

    def numbers(self, name: str, most: int) -> list[float]:
        return [_as_number(each, self, name) for each in self.rows(name, most)]

    def pair(self, name: str) -> tuple[float, float]:
        return _as_pair(self.values.get(name), self, name)

    def pairs(self, name: str, most: int) -> list[tuple[float, float]]:
        return [_as_pair(each, self, name) for each in self.rows(name, most)]


def _as_number(value: Any, fields: Fields, name: str) -> float:
    if type(value) not in (int, float) or not abs(value) <= _LARGEST or not math.isfinite(value):
        raise fields.wrong(name, "is no number")
    return float(value)


def _as_pair(value: Any, fields: Fields, name: str) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise fields.wrong(name, "is no pair of numbers")
    return _as_number(value[0], fields, name), _as_number(value[1], fields, name)


def _no_constant(text: str) -> float:
    raise ValueError(text)


def _damaged(name: str, what: str) -> PieceError:
    folder = name.rpartition("/")[0]
    take_out = (
        f"Take the folder '{folder}' out of the piece; the rounds before it stand." if folder else "Restore it from a copy."
    )
    if name == "kept.json":
        take_out = "Remove that file and choose anew what to keep."
    return PieceError(f"'{name}' of the piece is damaged: {what}.", take_out)
