"""Chooses how the things are told apart: by the artist's boxes, by the artist's mask, or by colour and edges alone."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from featurediff.api import Advice, Picture, SubjectError
from featurediff.errors import ConfigError, PictureError
from featurediff_still_life.choices import HOW, Box, Choices
from featurediff_still_life.objects import Coarse, Thing, separate, separate_boxes, separate_mask
from featurediff_still_life.view import View

LEAST = 30  # coarse px: less is no thing
LARGER = "Draw the box a little larger than the object, so that some of what surrounds it is in the picture too."


def separated(picture: Picture, view: View, coarse: Coarse, choices: Choices) -> list[Thing]:
    """The things of the picture, at least one. Raises `SubjectError` or `ConfigError` with what to do."""
    if choices.boxes:
        return _by_boxes(picture, view, coarse, choices.boxes)
    if choices.mask:
        things = separate_mask(coarse, _read_mask(choices.mask, picture, coarse.lab.shape[:2]))
        if not things:
            raise ConfigError(f"The mask '{Path(choices.mask).name}' shows no object.", "Paint the objects white on black.")
        return things
    things = separate(coarse)
    if not things:
        raise SubjectError(
            f"Nothing in '{picture.name}' stands out from the table and the wall clearly enough.",
            f"{HOW} Or choose a picture with a plain background around the group.",
        )
    return things


def _by_boxes(picture: Picture, view: View, coarse: Coarse, boxes: tuple[Box, ...]) -> list[Thing]:
    height, width = picture.pixels.shape[:2]
    for box in boxes:
        if box.left + box.width <= 0 or box.top + box.height <= 0 or box.left >= width or box.top >= height:
            raise ConfigError(f"The box of '{box.name}' lies outside '{picture.name}', which is {width} x {height} px.", HOW)
    things = separate_boxes(coarse, boxes, view.scale * coarse.scale)
    found = [thing for thing in things if thing.mask.sum() >= LEAST]
    if not found:
        raise SubjectError(f"In the box of '{things[0].name}' nothing stands out in '{picture.name}'.", LARGER)
    return sorted(found, key=lambda thing: float(np.nonzero(thing.mask.any(0))[0].mean()))


def left_out(choices: Choices, things: list[Thing]) -> tuple[Advice, ...]:
    """What to say of boxes in which nothing was found beside others that are of use."""
    found = {thing.name for thing in things}
    lost = [box.name for box in choices.boxes if box.name not in found]
    return tuple(Advice("warning", f"In the box of '{name}' nothing stands out in the reference. {LARGER}") for name in lost)


def _read_mask(path: str, picture: Picture, shape: tuple[int, int]) -> np.ndarray:
    from featurediff.pictures import read_picture  # checks the file before it is opened and the size before it is decoded

    try:
        mask = cv2.cvtColor(read_picture(path).pixels, cv2.COLOR_RGB2GRAY)
    except PictureError as error:
        raise ConfigError(f"detector: mask: {error.what}", error.remedy) from error
    if mask.min() > 127:  # so is one that was painted on clear paper
        raise ConfigError(f"The mask '{Path(path).name}' is white all over.", "Paint the objects white on black.")
    height, width = picture.pixels.shape[:2]
    if abs(mask.shape[1] / mask.shape[0] - width / height) > 0.01 * width / height:
        raise ConfigError(
            f"The mask '{Path(path).name}' is {mask.shape[1]} x {mask.shape[0]} px, of other proportions than '{picture.name}', "
            f"{width} x {height} px.",
            "Make it from the reference itself, uncropped.",
        )
    return cv2.resize(mask, (shape[1], shape[0]), interpolation=cv2.INTER_AREA) > 127
