"""The settings of the still-life detector, checked before any work is done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from featurediff.errors import ConfigError

HOW = 'Give boxes like --object "jug:120,80,300,420": a name, then left, top, width and height in px of the reference.'


@dataclass(frozen=True)
class Box:
    """An object as the artist names it. ``left``, ``top``, ``width``, ``height`` in px of the reference."""

    name: str
    left: float
    top: float
    width: float
    height: float


@dataclass(frozen=True)
class Choices:
    """``boxes``: the objects named by the artist, or none; ``mask``: path of a black and white picture, or ""."""

    boxes: tuple[Box, ...] = ()
    mask: str = ""


def read_choices(settings: Mapping[str, Any]) -> Choices:
    """The settings as `Choices`. ``objects`` is a list of "name:x,y,w,h" or a mapping of names to "x,y,w,h" or [x, y, w, h].

    Raises `ConfigError` for what can't be read.
    """
    mask = settings.get("mask", "") or ""
    if not isinstance(mask, str):
        raise ConfigError(f"detector: mask: is '{mask}'.", "It takes the path of a black and white picture, objects white.")
    boxes = tuple(_box(name, place) for name, place in _pairs(settings.get("objects")))
    names = [box.name for box in boxes]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ConfigError(f"detector: objects: '{twice[0]}' is named twice.", "Give every object a name of its own.")
    if boxes and mask:
        raise ConfigError("detector: objects: and mask: are both set.", "Set one of them.")
    return Choices(boxes, mask)


def _pairs(objects: Any) -> list[tuple[str, Any]]:
    if objects is None or objects == "":
        return []
    if isinstance(objects, str):
        objects = [objects]
    if isinstance(objects, Mapping):
        return [(str(name), place) for name, place in objects.items()]
    if not isinstance(objects, (list, tuple)):
        raise ConfigError(f"detector: objects: is '{objects}'.", HOW)
    pairs = []
    for each in objects:
        name, colon, place = str(each).rpartition(":")
        if not colon:
            raise ConfigError(f"detector: objects: '{each}' can't be read.", HOW)
        pairs.append((name, place))
    return pairs


def _box(name: str, place: Any) -> Box:
    name = " ".join(name.split())
    values = place.split(",") if isinstance(place, str) else place
    try:
        numbers = [float(value) for value in values]
    except (TypeError, ValueError):
        numbers = []
    if len(numbers) != 4 or not all(abs(number) < 1e7 for number in numbers) or not name or "/" in name:
        raise ConfigError(f"detector: objects: '{name}:{place}' can't be read.", HOW)
    if numbers[2] < 8 or numbers[3] < 8:
        raise ConfigError(f"detector: objects: the box of '{name}' is smaller than 8 px.", HOW)
    return Box(name, *numbers)
