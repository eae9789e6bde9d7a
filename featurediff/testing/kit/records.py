"""What the kit finds. Plain records of words and numbers, so that they can be told across processes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class Check:
    """One rule. ``passed`` is None when there was nothing to check. ``told``: what was seen, in words. ``seconds``: it took."""

    name: str
    passed: bool | None
    told: str
    seconds: float = 0.0


@dataclass(frozen=True)
class Row:
    """How one feature did on the simulated drawings.

    ``drawn``: drawings it was judged in (not those in which it was moved in part only), ``found``: in how many of them it was
    found. ``moved``: drawings in which it was moved as a whole and found; ``gain``: measured over true move, None when never
    moved. ``error_mm``: median distance from its true place, ``worst_mm`` the largest; None when never found. ``false_items``:
    items about it on perfect copies. ``advice``: what to do.
    """

    feature: str
    drawn: int
    found: int
    moved: int
    gain: float | None
    error_mm: float | None
    worst_mm: float | None
    false_items: int
    advice: str = ""


@dataclass(frozen=True)
class Measured:
    """The table of one reference.

    ``size_mm``: the subject's size on the simulated sheets. ``copies``: how many perfect copies were among the ``drawings``.
    ``items``: what was listed on these, word for word; none should be. ``find_s``: the detector's time, ``engine_s``: the
    engine's for one drawing, ``feature_ms``: the matching's for one feature. ``failures``: drawings that could not be compared.
    """

    picture: str
    rows: tuple[Row, ...]
    size_mm: float
    drawings: int
    copies: int
    items: tuple[str, ...]
    find_s: float
    engine_s: float
    feature_ms: float
    failures: tuple[str, ...] = ()

    @property
    def gain(self) -> float | None:
        """The median gain over all features that were moved."""
        gains = sorted(row.gain for row in self.rows if row.gain is not None)
        return gains[len(gains) // 2] if gains else None


@dataclass(frozen=True)
class Trial:
    """All that `tried` found: the ``checks`` and a table for each reference. ``fault``: why it could not go on, or ""."""

    detector: str
    checks: tuple[Check, ...]
    tables: tuple[Measured, ...]
    seconds: float
    fault: str = ""

    @property
    def passed(self) -> bool:
        """True when no check failed and nothing stopped the trial."""
        return not self.fault and all(check.passed is not False for check in self.checks)

    def to_dict(self) -> dict[str, Any]:
        """As JSON holds it."""
        return {"passed": self.passed, **asdict(self)}


def measured_from(data: Mapping[str, Any]) -> Measured:
    """A table again from what `dataclasses.asdict` made of it."""
    lists = {name: tuple(data[name]) for name in ("items", "failures")}
    return Measured(**{**data, **lists, "rows": tuple(Row(**row) for row in data["rows"])})
