"""A drawing of a reference with errors that its author chooses, to see what the list makes of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from featurediff.errors import CallError
from featurediff.handover import calls
from featurediff.naming import did_you_mean
from featurediff.records import Subject, under
from featurediff.testing.camera import Photo, photograph
from featurediff.testing.hands import draw
from featurediff.testing.kit import moves
from featurediff.testing.kit.measure import PX_PER_MM, picture_of, placed
from featurediff.testing.kit.pictures import scene_of

if TYPE_CHECKING:
    from featurediff.api import Detector


def drawn_with(
    detector: Detector,
    reference: Any,
    moves_mm: Mapping[str, tuple[float, float]],
    *,
    settings: Mapping[str, Any] | None = None,
    hand: str = "restated",
    tilt_deg: float = 2.0,
    seed: int = 0,
) -> Photo:
    """The reference drawn on A4, what is named moved by (right, down) mm, and photographed lying on a floor.

    ``reference``: a path, a `Picture`, or pixels (h, w, 3) uint8 RGB. ``moves_mm``: by a feature's name, or by a path of the
    parts tree ("hand/thumb") for all that lies under it; what is near fades into the move. ``hand``: one of
    `featurediff.testing.hands.HANDS`. ``pixels`` of the result is the photograph, (h, w, 3) uint8 RGB.

    Raises CallError for an unknown name, DetectorError, and SubjectError when the detector finds nothing.
    """
    given = dict(settings or {})
    picture = calls.prepare(detector, picture_of(reference), given)
    subject = calls.find(detector, picture, given)
    shape = picture.pixels.shape[:2]
    placement = placed(subject, shape)
    turn = placement.matrix[:2, :2]
    shifts = [(_named(subject, name), np.linalg.solve(turn, np.asarray(move, float))) for name, move in moves_mm.items()]
    warp = moves.shifting(subject, shifts, shape) if shifts else None
    sheet = draw(scene_of(picture, subject), warp, hand=hand, placement=placement, seed=seed, px_per_mm=PX_PER_MM)
    return photograph(sheet, tilt_deg=tilt_deg, tilt_axis_deg=20.0, seed=seed)


def _named(subject: Subject, name: str) -> list[int]:
    found = [k for k, each in enumerate(subject.features) if each.name == name or under(each.part, name)]
    if not found:
        known = [each.name for each in subject.features]
        raise CallError(f"There is no feature '{name}'{did_you_mean(name, known, '.')}", f"There are: {', '.join(known)}.")
    return found
