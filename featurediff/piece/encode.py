"""A piece's records as plain JSON documents. `featurediff.piece.decode` reads them."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields, is_dataclass
from typing import Any

from featurediff.piece.records import Change, Item, Kept, Reading, Round
from featurediff.records import Correction
from featurediff.settings import Settings

# Of all three kinds of documents; goes up with every change that an older featurediff would misread.
VERSION = 1
PIECE, ROUND, KEPT = "featurediff-piece", "featurediff-round", "featurediff-kept"


def to_bytes(document: Mapping[str, Any]) -> bytes:
    """Plain ASCII JSON, one item a line."""
    return (json.dumps(document, indent=1, allow_nan=False) + "\n").encode("ascii")


def piece_document(settings: Settings, left_out: Sequence[str]) -> dict[str, Any]:
    """What all rounds have in common."""
    return {"format": PIECE, "version": VERSION, "settings": flat(settings), "left_out": list(left_out)}


def kept_document(kept: Sequence[Kept]) -> dict[str, Any]:
    """What the artist keeps."""
    return {"format": KEPT, "version": VERSION, "kept": [_kept(each) for each in kept]}


def round_document(record: Round) -> dict[str, Any]:
    """One round, its list included."""
    return {
        "format": ROUND,
        "version": VERSION,
        "number": record.number,
        "unit": record.unit,
        "size": _number(record.size),
        "worst": _number(record.worst),
        "lineup": [_number(value) for value in record.lineup],
        "px_per_unit": _number(record.px_per_unit),
        "items": [_item(each) for each in record.items],
        "changes": [_change(each) for each in record.changes],
        "moved": list(record.moved),
        "kept": list(record.kept),
        "careful": list(record.careful),
        "close_enough": record.close_enough,
        "touched": [_pair(each) for each in record.touched],
        "base": [_reading(each) for each in record.base],
        "report": dict(record.report),
    }


def flat(settings: Settings) -> dict[str, Any]:
    """Settings by dotted name, those at their defaults left out."""
    return {name: value for name, value in _flat(settings).items() if value != _flat(Settings())[name]}


def without_paths(settings: Settings) -> tuple[Settings, tuple[str, ...]]:
    """Settings fit to be kept: a detector's values that name files are taken out, and named.

    A path would tell whose computer it was, and means nothing on another one.
    """
    kept = {name: value for name, value in settings.detector.items() if not _holds_path(value)}
    return type(settings)(**{**_shallow(settings), "detector": kept}), tuple(sorted(set(settings.detector) - set(kept)))


def _shallow(settings: Settings) -> dict[str, Any]:
    return {each.name: getattr(settings, each.name) for each in fields(settings)}


def _holds_path(value: Any) -> bool:
    if isinstance(value, Mapping):
        return any(_holds_path(each) for each in value.values())
    if isinstance(value, (list, tuple)):
        return any(_holds_path(each) for each in value)
    if isinstance(value, str):
        return "/" in value or "\\" in value or value.startswith("~")
    return not isinstance(value, (bool, int, float, type(None)))


def _flat(block: Any, prefix: str = "") -> dict[str, Any]:
    found: dict[str, Any] = {}
    for each in fields(block):
        value = getattr(block, each.name)
        if is_dataclass(value):
            found.update(_flat(value, f"{prefix}{each.name}."))
        else:
            found[prefix + each.name] = value
    return found


# ---------------------------------------------------------------- records


def _item(item: Item) -> dict[str, Any]:
    return {
        "id": item.id,
        "since": item.since,
        "now": item.now,
        "correction": _correction(item.correction),
        "readings": [_reading(each) for each in item.readings],
    }


def _correction(each: Correction) -> dict[str, Any]:
    values = asdict(each)
    values["explains"] = list(each.explains)
    values["at_mm"] = _pair(each.at_mm)
    values["move_mm"] = None if each.move_mm is None else _pair(each.move_mm)
    values["arrows"] = [[_pair(at), _pair(move)] for at, move in each.arrows]
    for name in ("turn_deg", "scale", "sure", "size"):
        values[name] = _number(values[name])
    return values


def _change(each: Change) -> dict[str, Any]:
    return {**asdict(each), "amount": _number(each.amount)}


def _reading(each: Reading) -> dict[str, Any]:
    return {**asdict(each), "value": _number(each.value), "sigma": _number(each.sigma), "limit": _number(each.limit)}


def _kept(each: Kept) -> dict[str, Any]:
    return {
        "number": each.number,
        "text": each.text,
        "size": _number(each.size),
        "at_round": each.at_round,
        "readings": [_reading(one) for one in each.readings],
    }


def _pair(values: Sequence[float]) -> list[float | None]:
    return [_number(value) for value in values]


def _number(value: Any) -> float | None:
    """A plain float with six decimals; None for what is no finite number."""
    if value is None or not math.isfinite(float(value)):
        return None
    return round(float(value), 6) + 0.0
