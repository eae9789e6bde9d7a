"""What is taken from a drawing's report, and what many drawings have in common."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

Key = tuple[str, str]

PERCENT, DEGREES, RATIO = "%", "deg", "ratio"


@dataclass(frozen=True)
class Measured:
    """One measure of one thing in one drawing: ``value`` is drawing minus reference.

    ``unit``: "%" (of the subject's drawn size, so that sheets of any size can be held together), "deg" or "ratio". ``sigma``
    is its
    standard uncertainty, ``limit`` what it may be off. ``names``: the features it is about. ``agree`` 0..1: the share of them
    that are off in the same direction by a good part of ``value``: a block is told as one only when its parts agree.
    """

    label: str
    measure: str
    value: float
    sigma: float
    limit: float
    unit: str
    names: frozenset[str]
    plural: bool = False
    agree: float = 1.0

    @property
    def key(self) -> Key:
        """By what it is known from drawing to drawing."""
        return self.label, self.measure


@dataclass(frozen=True)
class Drawn:
    """One drawing: what was measured of it. ``size``: the subject's drawn size in mm, or None when no length is known."""

    subject: str
    size_label: str
    size: float | None
    measures: Mapping[Key, Measured]


@dataclass(frozen=True)
class Tendency:
    """One measure over many drawings.

    ``drawings``: how many tell it; ``mean`` and ``spread`` (standard deviation) in ``unit``, each drawing weighted by its stated
    uncertainty; ``error`` is the mean's standard error. ``p``: how often chance alone would give such a mean; ``p_all``: the
    same, corrected for all the measures looked at. ``beyond``: in how many drawings it is off this way by more than its limit.
    ``limit``: the mean of the limits. ``values`` and ``sigmas``: drawing by drawing.
    """

    label: str
    measure: str
    plural: bool
    unit: str
    drawings: int
    mean: float
    spread: float
    error: float
    p: float
    p_all: float
    beyond: int
    limit: float
    values: tuple[float, ...]
    sigmas: tuple[float, ...]
    names: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Habits:
    """What was found over all drawings of one subject. ``told`` are habits, ``looked_at`` all measures with enough drawings.

    ``size``: the middle of the drawn sizes in mm, or None. ``enough``: whether there are drawings enough to speak.
    """

    subject: str
    size_label: str
    size: float | None
    drawings: int
    enough: bool
    told: tuple[Tendency, ...] = ()
    looked_at: tuple[Tendency, ...] = ()


@dataclass(frozen=True)
class Shared:
    """One measure over the sheets of a class: off by more than its limit, in one direction, on ``count`` of ``judged`` sheets.

    ``values`` holds (number of the sheet, value, whether it is among the ``count``), in ``unit``. ``mean`` and ``spread`` are
    over the sheets counted.
    """

    label: str
    measure: str
    plural: bool
    unit: str
    sign: int
    count: int
    judged: int
    mean: float
    spread: float
    limit: float
    values: tuple[tuple[int, float, bool], ...]
    names: frozenset[str] = frozenset()
