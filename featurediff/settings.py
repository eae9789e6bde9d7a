"""Every setting with its default. A config file (YAML) overrides them by the same names; see ``configs/``."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class ToleranceClass:
    """limit = max(``floor_mm``, ``percent`` of the subject's size)."""

    floor_mm: float
    percent: float


@dataclass(frozen=True)
class Tolerances:
    """What counts as wrong. Judgement, not physics: change it to taste."""

    A: ToleranceClass = ToleranceClass(0.7, 0.6)
    B: ToleranceClass = ToleranceClass(1.0, 1.0)
    C: ToleranceClass = ToleranceClass(1.5, 2.0)
    angle_floor_deg: float = 1.0
    big_ratio_percent: float = 2.0
    ratio_percent: float = 3.0
    openness: float = 0.02
    openness_floor_mm: float = 1.0
    pointed: float = 0.35
    redraw_times: float = 6.0
    certainty_times: float = 2.0


@dataclass(frozen=True)
class SheetSettings:
    """The paper and its capture."""

    size: str = ""
    px_per_mm: float = 0.0
    scan: bool = False


@dataclass(frozen=True)
class LineUpSettings:
    """How the reference is laid on the sheet: "fewest", "eyes" or "NAME,NAME"."""

    rule: str = "fewest"


@dataclass(frozen=True)
class CorrectionSettings:
    """How the list is made and worded."""

    shown_at_most: int = 7
    merge_mm: float = 0.7
    merge_percent: float = 25.0
    sides: str = "picture"
    lean_deg: float = 10.0


@dataclass(frozen=True)
class RoundSettings:
    """When the paper has had enough: the correction number ``warn_from`` within ``same_place_mm`` is warned of."""

    same_place_mm: float = 6.0
    warn_from: int = 3


@dataclass(frozen=True)
class Settings:
    """All settings of a run. ``detector`` is handed to the detector unread; ``importance`` overrides by feature name."""

    subject: str = ""
    sheet: SheetSettings = field(default_factory=SheetSettings)
    lineup: LineUpSettings = field(default_factory=LineUpSettings)
    tolerances: Tolerances = field(default_factory=Tolerances)
    corrections: CorrectionSettings = field(default_factory=CorrectionSettings)
    rounds: RoundSettings = field(default_factory=RoundSettings)
    importance: dict[str, float] = field(default_factory=dict)
    detector: dict[str, Any] = field(default_factory=dict)
