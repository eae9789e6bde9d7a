"""The shortest true description of how the drawing differs from its reference.

Every measure of every found feature is evidence, those that are right as well. Statements are added one at a time, the one
that saves most first: it must explain more error than a sentence costs, so a block moves as one only when its features agree,
and a still error is told once. Then statements that are no longer needed are dropped, and what is left beyond its limit gets a
statement of its own. This is a greedy minimum-description-length selection (the principle: Rissanen 1978, "Modeling by
shortest data description", Automatica 14) with a robust loss.

The line-up itself is free to shift a little, at a small cost: when the eyes the artist lined up by are the problem, "the eyes
are too far apart" is shorter than "everything else is too small".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from featurediff.corrections.hypotheses import Hypothesis, hypotheses
from featurediff.deviations import POSITION, Compared, Frame
from featurediff.records import Sheet, Subject
from featurediff.settings import Settings

# Loss of a measure x limits off: gentle within its limit, steep beyond; straight, so that one big error can't outvote many.
_WITHIN, _BEYOND = 0.3, 1.2
# A second amount about the same block joins its sentence, so it costs less.
_SECOND = 0.6
_ROUNDS = 60


@dataclass(frozen=True)
class Row:
    """One measure as evidence: value, own and whole uncertainty, limit, weight; ``owner`` indexes the compared features."""

    owner: int
    measure: str
    value: float
    sigma: float
    limit: float
    tolerance: float
    weight: float


@dataclass(frozen=True)
class Statement:
    """An accepted hypothesis. ``amount`` (drawing minus reference) and ``sigma`` in its told unit (mm, factor, degrees).

    ``size``: the largest share of a tolerance it takes away from a measure; ``explains``: features it puts right.
    ``amounts``: all amounts of the statements that were joined into this one, by (kind, axis index) order.
    """

    hypothesis: Hypothesis
    amount: float
    sigma: float
    size: float
    explains: tuple[int, ...]
    importance: float


@dataclass(frozen=True)
class Explanation:
    """``statements`` and what they leave: ``rows`` with the remaining value of each (R,), ``before`` with the whole corrected."""

    statements: tuple[Statement, ...]
    rows: tuple[Row, ...]
    before: np.ndarray
    left: np.ndarray


def explain(subject: Subject, compared: tuple[Compared, ...], frame: Frame, sheet: Sheet, settings: Settings) -> Explanation:
    """Find the statements. Takes about 20 ms for 40 features."""
    rows = _rows(compared, sheet, settings)
    if not rows:
        return Explanation((), (), np.zeros(0), np.zeros(0))
    candidates, fields = hypotheses(subject, compared, frame)
    effects = _functionals(compared) @ fields
    effects[np.abs(effects) < 1e-9] = 0.0
    search = _Search(rows, candidates, effects)
    search.grow()
    search.prune()
    search.finish()
    return search.result()


# ---------------------------------------------------------------- evidence


def _rows(compared: tuple[Compared, ...], sheet: Sheet, settings: Settings) -> tuple[Row, ...]:
    count = sum(len(each.measures) for each in compared)
    times = settings.tolerances.certainty_times
    # Among n measures of a faultless drawing the largest noise is about sqrt(2 ln n) sigma (the "universal threshold",
    # Donoho and Johnstone 1994, Biometrika 81), so a measure's own noise must stay below that as well.
    chance = max(times, math.sqrt(2.0 * math.log(max(count, 2))))
    rows = []
    for owner, each in enumerate(compared):
        importance = settings.importance.get(each.feature.name, each.feature.importance)
        for measure in each.measures:
            limit = max(measure.tolerance, times * measure.sigma, chance * measure.own)
            if measure.name in POSITION and np.isfinite(sheet.trust_mm):
                limit = max(limit, sheet.trust_mm)
            rows.append(Row(owner, measure.name, measure.value, measure.sigma, limit, measure.tolerance, 0.5 + 0.5 * importance))
    return tuple(rows)


def _functionals(compared: tuple[Compared, ...]) -> np.ndarray:
    """(R, 2 N): every measure as a linear function of all displacements."""
    total = sum(len(each.reference) for each in compared)
    count = sum(len(each.measures) for each in compared)
    matrix = np.zeros((count, 2 * total))
    row = start = 0
    for each in compared:
        size = 2 * len(each.reference)
        for measure in each.measures:
            matrix[row, start : start + size] = measure.weights.ravel()
            row += 1
        start += size
    return matrix


# ---------------------------------------------------------------- search


class _Search:
    def __init__(self, rows: tuple[Row, ...], candidates: list[Hypothesis], effects: np.ndarray):
        self.rows, self.candidates, self.effects = rows, candidates, effects
        self.value = np.array([row.value for row in rows])
        self.limit = np.array([row.limit for row in rows])
        self.weight = np.array([row.weight for row in rows])
        # Noise well below a tolerance must not decide how a block's move is averaged.
        self.scale = np.array([max(row.sigma, 0.25 * row.tolerance) for row in rows])
        self.told = np.array([each.kind != "whole" for each in candidates])
        self.own = np.array([each.own for each in candidates])
        self.reach = np.abs(effects) / self.limit[:, None]
        self.chosen: list[int] = []
        self.banned = np.zeros(len(candidates), bool)
        self.amounts = np.zeros(0)
        self.left = self.value.copy()

    def loss(self, left: np.ndarray) -> np.ndarray:
        """Weighted loss of rows (R, ...)."""
        shape = (-1,) + (1,) * (left.ndim - 1)
        x = np.abs(left) / self.limit.reshape(shape)
        return self.weight.reshape(shape) * np.where(x <= 1, _WITHIN * x**2, _WITHIN + _BEYOND * (x - 1))

    def cost(self, index: int, chosen: list[int]) -> float:
        candidate = self.candidates[index]
        if candidate.kind == "whole":
            return candidate.cost
        same = any(self.candidates[k].target == candidate.target for k in chosen if k != index)
        return candidate.cost * (_SECOND if same else 1.0)

    def grow(self) -> None:
        """Add the statement that saves most, as long as one saves anything."""
        for _ in range(_ROUNDS):
            amounts, gains = self._try_all(np.arange(len(self.candidates)))
            costs = np.array([self.cost(k, self.chosen) for k in range(len(self.candidates))])
            saved = gains - costs
            saved[~self._worth_telling(amounts, np.arange(len(self.candidates)))] = -np.inf
            saved[self.banned] = -np.inf
            saved[self.chosen] = -np.inf
            best = int(saved.argmax())
            if saved[best] <= 1e-9:
                return
            self.chosen.append(best)
            self.refit()
            self._drop_small()

    def prune(self) -> None:
        """Drop statements that the others have made needless."""
        for index in sorted(self.chosen, key=lambda k: self.loss(self.left + self._part(k)).sum()):
            now = self.loss(self.left).sum() + self.cost(index, self.chosen)
            kept = list(self.chosen)
            self.chosen = [k for k in kept if k != index]
            self.refit()
            if self.loss(self.left).sum() > now:
                self.chosen = kept
                self.refit()

    def finish(self) -> None:
        """A statement of its own for every measure that is still beyond its limit."""
        for _ in range(_ROUNDS):
            beyond = np.abs(self.left) > self.limit
            if not beyond.any():
                return
            near = np.flatnonzero(self.own & ~self.banned & (np.abs(self.effects[beyond]) > 0).any(0))
            near = near[~np.isin(near, self.chosen)]
            if not len(near):
                return
            amounts, gains = self._try_all(near)
            after = self.left[:, None] - self.effects[:, near] * amounts
            healed = (beyond[:, None] & (np.abs(after) <= self.limit[:, None])).sum(0)
            worse = (~beyond[:, None] & (np.abs(after) > self.limit[:, None])).sum(0)
            use = (healed > worse) & self._worth_telling(amounts, near)
            if not use.any():
                return
            best = near[int(np.where(use, gains + healed - worse, -np.inf).argmax())]
            self.chosen.append(int(best))
            self.refit()
            self._drop_small()

    def refit(self) -> None:
        """Amounts of all chosen statements together: least squares, in which disagreeing measures lose their say (Huber 1964)."""
        if not self.chosen:
            self.amounts, self.left = np.zeros(0), self.value.copy()
            return
        design = self.effects[:, self.chosen] / self.scale[:, None]
        target = self.value / self.scale
        # Where the statements alone don't settle an amount (nested blocks), the smaller one is taken.
        ridge = 1e-3 * np.eye(len(self.chosen))
        weight = np.sqrt(self.weight)
        amounts = self._start()
        for _ in range(8):
            off = np.abs(target - design @ amounts)
            say = weight * np.minimum(1.0, 2.0 / np.maximum(off, 1e-9))
            normal = (design * say[:, None]).T @ design + ridge
            amounts = np.linalg.solve(normal, (design * say[:, None]).T @ target)
        self.amounts = amounts
        self.left = self.value - self.effects[:, self.chosen] @ amounts

    def _start(self) -> np.ndarray:
        """The amounts so far, and for the newest statement the one that fits most of what is left."""
        amounts = np.zeros(len(self.chosen))
        kept = len(self.amounts)
        if kept == len(self.chosen) - 1:
            amounts[:kept] = self.amounts
            left = self.value - self.effects[:, self.chosen] @ amounts
            amounts[-1] = self._medians(np.array(self.chosen[-1:]), left)[0]
        return amounts

    def _try_all(self, index: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Best amount of each hypothesis for what is left, and the loss it would save."""
        effects = self.effects[:, index]
        before = self.loss(self.left).sum()
        white = effects / self.scale[:, None]
        spread = (white**2 * self.weight[:, None]).sum(0)
        fitted = (white * (self.weight * self.left / self.scale)[:, None]).sum(0) / np.maximum(spread, 1e-12)
        best, gains = np.zeros(len(index)), np.full(len(index), -np.inf)
        for amounts in (fitted, self._medians(index, self.left)):
            after = self.loss(self.left[:, None] - effects * amounts).sum(0)
            better = before - after > gains
            best = np.where(better, amounts, best)
            gains = np.where(better, before - after, gains)
        return best, gains

    def _medians(self, index: np.ndarray, left: np.ndarray) -> np.ndarray:
        """Weighted medians of left / effect: the amount that is right for most of the measures (exact least absolute values)."""
        effects = self.effects[:, index]
        active = np.abs(effects) > 1e-6
        ratio = np.where(active, left[:, None] / np.where(active, effects, 1.0), np.inf)
        say = np.where(active, np.abs(effects) / self.scale[:, None] * self.weight[:, None], 0.0)
        order = np.argsort(ratio, axis=0)
        running = np.cumsum(np.take_along_axis(say, order, 0), 0)
        row = (running >= 0.5 * running[-1] - 1e-12).argmax(0)
        found = ratio[order[row, np.arange(len(index))], np.arange(len(index))]
        return np.where(np.isfinite(found), found, 0.0)

    def _worth_telling(self, amounts: np.ndarray, index: np.ndarray) -> np.ndarray:
        """A statement must move some measure by more than its limit, one of those that are beyond it now."""
        beyond = np.abs(self.left) > self.limit
        if not beyond.any():
            return ~self.told[index]
        largest = self.reach[beyond][:, index].max(0) * np.abs(amounts)
        return ~self.told[index] | (largest >= 1.0 - 1e-9) | self._second(index) & (largest >= 0.5)

    def _second(self, index: np.ndarray) -> np.ndarray:
        targets = {self.candidates[k].target for k in self.chosen}
        return np.array([self.candidates[k].target in targets for k in index])

    def _drop_small(self) -> None:
        """Take back statements that, after all, are below every limit."""
        small = [
            k
            for k, amount in zip(self.chosen, self.amounts, strict=True)
            if self.told[k] and (self.reach[:, k].max() * abs(amount)) < 0.8
        ]
        if small:
            self.banned[small] = True
            self.chosen = [k for k in self.chosen if k not in small]
            self.refit()

    def _part(self, index: int) -> np.ndarray:
        return self.effects[:, index] * self.amounts[self.chosen.index(index)]

    # ------------------------------------------------------------ result

    def result(self) -> Explanation:
        told = [k for k in self.chosen if self.told[k]]
        whole = sum((self._part(k) for k in self.chosen if not self.told[k]), np.zeros_like(self.value))
        errors = self._errors()
        statements = []
        for k in told:
            amount = self.amounts[self.chosen.index(k)]
            part = np.abs(self.effects[:, k] * amount)
            counts = part > 0.5 * self.limit
            owners = sorted({self.rows[r].owner for r in np.flatnonzero(counts)})
            size = float((part / np.array([row.tolerance for row in self.rows])).max())
            weight = max((self.rows[r].weight for r in np.flatnonzero(counts)), default=0.5)
            candidate = self.candidates[k]
            statements.append(
                Statement(
                    candidate,
                    float(amount * candidate.per_unit),
                    float(errors[k] * candidate.per_unit),
                    size,
                    tuple(owners),
                    2.0 * weight - 1.0,
                )
            )
        return Explanation(tuple(statements), self.rows, self.value - whole, self.left)

    def _errors(self) -> dict[int, float]:
        if not self.chosen:
            return {}
        design = self.effects[:, self.chosen] / np.array([row.sigma for row in self.rows])[:, None]
        inverse = np.linalg.inv(design.T @ design + 1e-6 * np.eye(len(self.chosen)))
        return dict(zip(self.chosen, np.sqrt(np.diag(inverse)), strict=True))


def without(statement: Statement, explains: tuple[int, ...]) -> Statement:
    """The same statement, explaining other features."""
    return replace(statement, explains=explains)
