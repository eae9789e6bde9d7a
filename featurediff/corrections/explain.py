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

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from featurediff.corrections.builder import Hypothesis
from featurediff.corrections.hypotheses import hypotheses
from featurediff.deviations import LENGTHS, POSITION, Compared, Frame
from featurediff.geometry import fit_similarity
from featurediff.lineup import class_limit
from featurediff.records import Sheet, Subject
from featurediff.settings import Settings
from featurediff.weights import weight_of

# Loss of a measure x limits off: gentle within its limit, steep beyond; straight, so that one big error can't outvote many.
_WITHIN, _DRIFT, _BEYOND = 0.3, 0.1, 1.2
# A second amount about the same block joins its sentence, so it costs less.
_SECOND = 0.6
# A measure left beyond its limit, and statements that undo each other.
_OPEN, _STRIFE = 0.5, 0.15
_ROUNDS = 60
# The search starts from each of this many first statements and keeps the shortest result.
_STARTS = 3
_JOINT = 5
_FITS = 10
# A block's error that is a little below the limits still explains a member that is a little above them; it is not told.
_ENOUGH = 0.75
# What several measures show together only (see `_Search._saved_together`).
_TOGETHER = ("gap", "spacing", "turn", "run", "ramp", "spread", "eye level", "aim", "closing", "lean", "belly", "level")
_FALSE_TOGETHER = 100
# An error of the whole keeps this share of itself without so many of its blocks, as long as such a share of the features is left.
_BORNE, _MISSED, _REST = 0.4, 3, 0.5
_POOLED, _TAKEN = 4, 0.25


@dataclass(frozen=True)
class Row:
    """One measure as evidence: value, cautious uncertainty, limit, tolerance, weight; ``owner`` indexes the compared features."""

    owner: int
    measure: str
    value: float
    cautious: float
    limit: float
    tolerance: float
    weight: float


@dataclass(frozen=True)
class Statement:
    """An accepted hypothesis. ``amount`` (drawing minus reference) and ``sigma`` in its told unit (mm, factor, degrees).

    ``size``: the largest share of a tolerance it takes away from a measure; ``explains``: features it puts right.
    """

    hypothesis: Hypothesis
    amount: float
    sigma: float
    size: float
    explains: tuple[int, ...]
    importance: float


@dataclass(frozen=True)
class Explanation:
    """``statements`` and what they leave: ``rows`` with the remaining value of each, ``left`` (R,).

    What was found but is too small or too uncertain to be told takes nothing away.

    ``shift`` (3, 3): the similarity by which the line-up itself was found to be off, in sheet units.
    """

    statements: tuple[Statement, ...]
    rows: tuple[Row, ...]
    left: np.ndarray
    shift: np.ndarray


def explain(subject: Subject, compared: tuple[Compared, ...], frame: Frame, sheet: Sheet, settings: Settings) -> Explanation:
    """Find the statements. Takes some 20-60 ms for 30 features, 100 ms when nearly all are wrong."""
    rows = _rows(compared, sheet, settings)
    if not rows:
        return Explanation((), (), np.zeros(0), np.eye(3))
    candidates, fields = hypotheses(subject, compared, frame)
    search = _Search(rows, candidates, _effects(compared, fields), frame, sheet, settings, _covers(compared, frame))
    search.run()
    return search.result(_shift(compared, fields[:, search.whole] @ search.amounts[: len(search.whole)]))


# ---------------------------------------------------------------- evidence


def _rows(compared: tuple[Compared, ...], sheet: Sheet, settings: Settings) -> tuple[Row, ...]:
    count = sum(len(each.measures) for each in compared)
    times = settings.tolerances.certainty_times
    # Of n measures of a faultless drawing one in twenty drawings may exceed this many of their own sigmas (Bonferroni).
    chance = max(times, NormalDist().inv_cdf(1.0 - 0.025 / max(count, 1)))
    rows = []
    for owner, each in enumerate(compared):
        importance = weight_of(each.feature, settings.importance)
        for measure in each.measures:
            limit = max(measure.tolerance, times * measure.cautious, chance * measure.cautious_own)
            if measure.name in POSITION and np.isfinite(sheet.trust_mm):
                limit = max(limit, sheet.trust_mm)
            rows.append(
                Row(owner, measure.name, measure.value, measure.cautious, limit, measure.tolerance, 0.5 + 0.5 * importance)
            )
    return tuple(rows)


def _effects(compared: tuple[Compared, ...], fields: np.ndarray) -> np.ndarray:
    """(R, H): what one unit of each hypothesis does to each measure, from its displacements ``fields`` (2 N, H)."""
    blocks, start = [], 0
    for each in compared:
        stop = start + 2 * len(each.reference)
        if each.measures:
            blocks.append(np.stack([measure.weights.ravel() for measure in each.measures]) @ fields[start:stop])
        start = stop
    effects = np.concatenate(blocks)
    effects[np.abs(effects) < 1e-9] = 0.0
    return effects


def _shift(compared: tuple[Compared, ...], moved: np.ndarray) -> np.ndarray:
    """(3, 3) similarity of the displacements ``moved`` (2 N,) of all lined-up reference points."""
    points = np.concatenate([each.reference for each in compared])
    if float(np.ptp(points, axis=0).max()) < 1e-6:
        return np.eye(3)
    return fit_similarity(points, points + moved.reshape(-1, 2))


def _covers(compared: tuple[Compared, ...], frame: Frame) -> bool:
    """Whether enough of the subject is drawn to say something about its whole form."""
    heights = np.array([each.centre @ frame.down for each in compared])
    return len(compared) >= 8 and float(np.ptp(heights)) > 0.5 * frame.size


def _with(parts: np.ndarray, more: np.ndarray) -> np.ndarray:
    """(R, K, p + 1): the shares (R, p) beside each of K further ones (R, K)."""
    same = np.broadcast_to(parts[:, None, :], (*more.shape, parts.shape[1]))
    return np.concatenate([same, more[:, :, None]], axis=2)


def _parts_of(candidates: list[Hypothesis], count: int) -> list[tuple[int, ...]]:
    """What can be off by itself, blocks and features, of ``count`` features that are judged: not more than half of it."""
    blocks = {each.members for each in candidates if each.kind == "move"}
    return sorted(block for block in blocks if len(block) <= count / 2)


# ---------------------------------------------------------------- search


class _Search:
    """``effects`` (R, H): what one unit of each hypothesis does to each row."""

    def __init__(
        self,
        rows: tuple[Row, ...],
        candidates: list[Hypothesis],
        effects: np.ndarray,
        frame: Frame,
        sheet: Sheet,
        settings: Settings,
        covered: bool,
    ):
        self.rows, self.candidates, self.effects = rows, candidates, effects
        self.trust = sheet.trust_mm if np.isfinite(sheet.trust_mm) else 0.0
        self.times = settings.tolerances.certainty_times
        self.big_ratio = settings.tolerances.big_ratio_percent / 100.0
        # A block's amount rests on many measures: what bounds it is the tolerance and the sheet, not one feature's noise.
        self.pooled = np.array([max(r.tolerance, self.trust if r.measure in POSITION else 0.0) for r in rows])
        # What can be measured on the drawing itself is judged as a place is.
        self.place = place = max(class_limit(settings.tolerances, "B", frame.size, sheet.unit), self.trust)
        self.ratio = settings.tolerances.ratio_percent / 100.0
        self.visible = np.array([(each.per_unit if each.visible else each.span) / place for each in candidates])
        self.share = np.maximum((np.abs(effects) / self.pooled[:, None]).max(0), self.visible)
        self.value = np.array([row.value for row in rows])
        self.limit = np.array([row.limit for row in rows])
        self.weight = np.array([row.weight for row in rows])
        # Noise well below a tolerance must not decide how a block's move is averaged.
        self.scale = np.array([max(row.cautious, 0.25 * row.tolerance) for row in rows])
        self.noise = np.minimum(self.limit, 3.0 * self.scale)
        self.told = np.array([each.kind != "whole" for each in candidates])
        self.own = np.array([each.own for each in candidates])
        self.jointly = np.array([(each.kind in _TOGETHER and not each.own) or each.span > 0 for each in candidates])
        self.together: set[int] = set()
        kinds = [each.kind if together else "" for each, together in zip(candidates, self.jointly, strict=True)]
        self.alike = np.array([kinds.count(kind) for kind in kinds])
        self.overall = np.array([each.kind in ("grows", "aspect") for each in candidates])
        self.cost = np.array([each.cost for each in candidates])
        self.least = np.array([each.least for each in candidates])
        self.targets = np.array([each.target for each in candidates])
        # A block and a feature of one name can't both be told to go somewhere.
        self.said = np.array([f"{each.kind} {each.label}" for each in candidates])
        self.reach = np.abs(effects) / self.limit[:, None]
        self.white = effects / self.scale[:, None]
        self.target = self.value / self.scale
        self.covered = covered
        self.cautious = np.array([row.cautious for row in rows])
        self.errors_of: list[int] = []
        self.errors: dict[int, float] = {}
        self.owners = np.array([row.owner for row in rows])
        self.blocks = _parts_of(candidates, len(set(self.owners)))
        self.whole = list(np.flatnonzero(~self.told))
        self.chosen: list[int] = []
        self.barred = ~self.told | self._unseen()
        self.banned = self.barred.copy()
        self.amounts = np.zeros(0)
        self.left = self.value
        self.refit()

    def _unseen(self) -> np.ndarray:
        """(H,) hypotheses that hardly show in any measure, so that noise could be blown up into a large amount."""
        # One unit is 1 mm at the far end, in whatever unit a measure has: its share of a limit against 1 mm's.
        length = np.array([row.limit if row.measure in LENGTHS else np.nan for row in self.rows])
        seen = np.where(np.isnan(length)[:, None], 4.0 * self.reach, np.abs(self.effects))
        return seen.max(0) < 0.25

    def loss(self, left: np.ndarray) -> np.ndarray:
        """Weighted loss of rows (R, ...): by the noise first, then by the limit.

        A measure far outside its noise but within a generous limit is right as it is, and still speaks against a statement
        that would have it elsewhere.
        """
        shape = (-1,) + (1,) * (left.ndim - 1)
        off, limit, noise = np.abs(left), self.limit.reshape(shape), self.noise.reshape(shape)
        within = _WITHIN * np.minimum(off / noise, 1.0) ** 2 + _DRIFT * np.maximum(off - noise, 0.0) / limit
        over = np.maximum(off / limit - 1.0, 0.0)
        # What stays beyond its limit will need a sentence of its own in the end.
        return self.weight.reshape(shape) * (within + _BEYOND * over) + _OPEN * np.minimum(over / 0.1, 1.0)

    def strife(self, parts: np.ndarray) -> np.ndarray:
        """What it costs that statements undo each other: ``parts`` (R, ..., p) are the shares of each in each measure."""
        undone = np.abs(parts).sum(-1) - np.abs(parts.sum(-1))
        return _STRIFE * (undone / self.limit.reshape((-1,) + (1,) * (undone.ndim - 1))).sum(0)

    def costs(self) -> np.ndarray:
        """(H,) the cost of each hypothesis beside those chosen."""
        beside = np.isin(self.targets, self.targets[self.chosen]) if self.chosen else np.zeros(len(self.cost), bool)
        return self.cost * np.where(beside, _SECOND, 1.0)

    def total(self) -> float:
        """What the present explanation costs: its sentences and what they leave."""
        costs = 0.0
        for k in self.chosen:
            second = any(self.targets[other] == self.targets[k] for other in self.chosen if other < k)
            costs += self.cost[k] * (_SECOND if second else 1.0)
        return costs + float(self.loss(self.left).sum() + self.strife(self._parts()))

    def _parts(self) -> np.ndarray:
        """(R, p) the share of each chosen statement in each measure."""
        return self.effects[:, self.chosen] * self.amounts[len(self.whole) :]

    def run(self) -> None:
        """Search from several first statements; keep the explanation that costs least."""
        best, least = None, np.inf
        alone = not (np.abs(self.left) > self.limit).any()
        for first in self._firsts():
            self.chosen, self.banned, self.together = list(first), self.barred.copy(), set(first if alone else ())
            self.refit()
            self.grow()
            self.settle()
            self.whole_forms()
            self.finish()
            self.split_blocks()
            self.finish()
            self.drop_untold()
            total = self.total()
            if total < least - 1e-9:
                best, least = list(self.chosen), total
            if len(self.chosen) > 2 * _JOINT:
                break
        self.chosen = best or []
        self.refit()
        self.pool()
        self.drop_untold()

    def _firsts(self) -> list[list[int]]:
        """The best first statements about different blocks."""
        saved = self._saved()
        firsts: list[int] = []
        kinds = np.array([each.kind for each in self.candidates])
        # A gap or a pair explains much at once and is easily hidden behind two smaller statements: it gets its own try.
        for use, most in ((np.ones(len(saved), bool), _STARTS), (kinds == "gap", 1), (kinds == "spacing", 1)):
            found = 0
            for k in np.argsort(-np.where(use, saved, -np.inf)):
                if saved[k] <= 0 or not use[k] or found == most:
                    break
                if all(self.targets[k] != self.targets[first] for first in firsts):
                    firsts.append(int(k))
                    found += 1
        starts = [[k] for k in firsts] or [[]]
        steady = self._steady()
        return [*starts, steady] if len(steady) > 1 else starts

    def _steady(self) -> list[int]:
        """What would be said, one statement after the other, if the line-up were right as it is.

        Fitted with the first statements alone, the line-up goes half way towards errors that have no statement yet.
        """
        self.chosen = []
        self.refit()
        still, self.whole, self.amounts, self.left = self.whole, [], np.zeros(0), self.value
        for _ in range(2 * _JOINT):
            if not (np.abs(self.left) > self.limit).any():
                break
            free = np.flatnonzero(self._free())
            if not len(free):
                break
            amounts, gains = self._try_own(free)
            enough = self.reach[:, free].max(0) * np.abs(amounts) >= _ENOUGH
            saved = np.where(enough & (np.abs(amounts) >= self.least[free]), gains - self.costs()[free], -np.inf)
            if not saved.max() > 1e-9:
                break
            self.chosen.append(int(free[saved.argmax()]))
            self.refit()
        found, self.whole, self.chosen = self.chosen, still, []
        self.refit()
        return found

    def grow(self) -> None:
        """Add the statement that saves most, as long as one saves anything."""
        for _ in range(_ROUNDS):
            best = self._best()
            if best < 0:
                return
            if not (np.abs(self.left) > self.limit).any():
                self.together.add(best)
            self.chosen.append(best)
            self.refit()
            if self.overall[best] and not self._borne(best):
                self.chosen.remove(best)
                self.together.discard(best)
                self.banned[best] = True
                self.refit()

    def pool(self) -> None:
        """Add what several measures show together only, and drop the statements about single ones that it makes needless.

        It is told beside the other statements: what would take from their amounts only says the same in another way.
        """
        for _ in range(_POOLED):
            saved = self._saved_together()
            best = int(saved.argmax())
            if not saved[best] > 1e-9:
                return
            touched = set(self.candidates[best].members)
            inside = [k for k in self.chosen if touched.issuperset(self.candidates[k].members)]
            before = {k: self._amount(k) for k in self.chosen if k not in inside}
            self.chosen.append(best)
            self.refit()
            if any(abs(self._amount(k) - amount) > _TAKEN * abs(amount) for k, amount in before.items()):
                self.chosen.remove(best)
                self.banned[best] = True
                self.refit()
                continue
            self.together.add(best)
            self.settle(inside)
            self.finish()

    def settle(self, among: list[int] | None = None) -> None:
        """Drop statements (of ``among``, or any) that the others have made needless, and exchange one for a better one."""
        if len(self.chosen) > 2 * _JOINT:
            return
        for k in sorted(self.chosen, key=lambda k: self.reach[:, k].max() * abs(self._amount(k))):
            if k in self.together or (among is not None and k not in among):
                continue
            before, kept = self.total(), list(self.chosen)
            self.chosen = [other for other in kept if other != k]
            self.refit()
            if self.total() <= before:
                continue
            other = self._best() if len(kept) <= 2 * _JOINT else -1
            if other >= 0 and other != k:
                self.chosen.append(other)
                self.refit()
                if self.total() < before - 1e-6:
                    continue
            self.chosen = kept
            self.refit()

    def whole_forms(self) -> None:
        """Errors of the whole that stay small in every feature, but show in all of them together."""
        for k in np.flatnonzero(self.overall):
            if k in self.chosen or not self.covered:
                continue
            self.chosen.append(int(k))
            self.refit()
            if not self._overall_counts(k):
                self.chosen.remove(k)
                self.refit()

    def _borne(self, index: int) -> bool:
        """Whether an error of the whole is seen all over it: much of it stays without the few blocks that bear it most.

        A part that sticks out and is off by itself, or several, would else be told as a fault of the whole.
        """
        amount, out = self._amount(index), set()
        columns = self.whole + self.chosen
        at = columns.index(index)
        for _ in range(_MISSED):
            shares = {}
            for block in self.blocks:
                kept = ~np.isin(self.owners, list(out.union(block)))
                if len(np.unique(self.owners[kept])) >= _REST * len(np.unique(self.owners)):
                    shares[block] = float(self._fit(self.white[kept][None][:, :, columns], kept)[0][at]) / amount
            if not shares:
                return True
            worst = min(shares, key=shares.get)
            if shares[worst] < _BORNE:
                return False
            out.update(worst)
        return True

    def finish(self) -> None:
        """A statement of its own for every measure that is still beyond its limit."""
        for _ in range(_ROUNDS):
            beyond = np.abs(self.left) > self.limit
            near = np.flatnonzero(self.own & self._free() & (np.abs(self.effects[beyond]) > 0).any(0))
            if not len(near):
                return
            amounts, gains = self._try_own(near)
            after = self.left[:, None] - self.effects[:, near] * amounts
            healed = (beyond[:, None] & (np.abs(after) <= self.limit[:, None])).sum(0)
            worse = (~beyond[:, None] & (np.abs(after) > self.limit[:, None])).sum(0)
            use = (healed > worse) & (self.reach[beyond][:, near].max(0) * np.abs(amounts) >= 1.0 - 1e-9)
            use &= np.abs(amounts) >= self.least[near]
            if not use.any():
                return
            self.chosen.append(int(near[int(np.where(use, gains + healed - worse, -np.inf).argmax())]))
            self.refit()

    def split_blocks(self) -> None:
        """A block's move that most of its members contradict by moves of their own is taken apart."""
        moved = {self.candidates[k].members[0] for k in self.chosen if self.own[k] and self.candidates[k].kind == "move"}
        for k in list(self.chosen):
            block = self.candidates[k]
            stretches = block.kind in ("move", "scale", "width", "height") and not block.own
            if stretches and sum(member in moved for member in block.members) > 0.4 * len(block.members):
                self.banned[k] = True
                self.chosen.remove(k)
        self.refit()

    def drop_untold(self) -> None:
        """What is too small or too uncertain to be told hides no measure that is beyond its limit: that is told by itself."""
        for _ in range(_POOLED):
            untold = [k for k in self.chosen if not self._tellable(k)]
            if not untold:
                return
            self.banned[untold] = True
            self.chosen = [k for k in self.chosen if k not in untold]
            self.refit()
            self.finish()

    def refit(self) -> None:
        """Amounts of the line-up's shift and of all chosen statements together."""
        amounts = self._fit(self.white[None, :, self.whole + self.chosen])[0]
        self.amounts = amounts
        self.left = self.value - self.effects[:, self.whole + self.chosen] @ amounts

    def _free(self) -> np.ndarray:
        """(H,) True for hypotheses that may still be added."""
        free = ~self.banned
        for k in self.chosen:
            free &= (self.said != self.said[k]) | (self.targets == self.targets[k])
        free[self.chosen] = False
        return free

    def _best(self) -> int:
        """The hypothesis that saves most, or -1."""
        saved = self._saved()
        best = int(saved.argmax())
        return best if saved[best] > 1e-9 else -1

    def _saved(self) -> np.ndarray:
        """(H,) what each hypothesis would save; -inf for those that can't be added."""
        saved = np.full(len(self.candidates), -np.inf)
        beyond = np.abs(self.left) > self.limit
        if not beyond.any():
            return self._saved_together()
        free = self._free()
        # A block may explain errors it does not touch, by letting the line-up go back to where it belongs.
        rows = np.where(self.own[None, :], beyond[:, None], True)
        reach = np.where(rows, self.reach, 0.0).max(0)
        free &= reach > 0
        own, blocks = np.flatnonzero(free & self.own), np.flatnonzero(free & ~self.own)
        costs = self.costs()
        # With many statements in place the line-up is settled; then blocks are tried without fitting all anew.
        joint = self._try_blocks if len(self.chosen) < _JOINT else self._try_own
        for index, attempt in ((own, self._try_own), (blocks, joint)):
            if len(index):
                amounts, gains = attempt(index)
                enough = (reach[index] * np.abs(amounts) >= _ENOUGH) & (np.abs(amounts) >= _ENOUGH * self.least[index])
                saved[index] = np.where(enough, gains - costs[index], -np.inf)
        return saved

    def _saved_together(self) -> np.ndarray:
        """(H,) the same where no measure is beyond its limit by itself, but several together surely show one error.

        Only for what hangs together by its nature: a gap, a pair, lines that aim at one point, a row. Surely: of all these one in
        `_FALSE_TOGETHER` faultless drawings may show one by chance (Bonferroni; the kinds share that chance alike, so that one
        eye level is not drowned by a hundred ways in which rows can be off), and the error is beyond the tolerance.
        """
        saved = np.full(len(self.candidates), -np.inf)
        index = np.flatnonzero(self._free() & self.jointly)
        if not len(index):
            return saved
        amounts, gains = self._try_blocks(index)
        base = self.white[:, self.whole + self.chosen]
        designs = np.concatenate([np.broadcast_to(base, (len(index), *base.shape)), self.white[:, index].T[:, :, None]], axis=2)
        inverse = np.linalg.inv(designs.transpose(0, 2, 1) @ designs + 1e-6 * np.eye(designs.shape[2]))
        alike = self.alike[index]
        sure = np.array([NormalDist().inv_cdf(1.0 - 0.5 / _FALSE_TOGETHER / len(_TOGETHER) / each) for each in alike])
        certain = np.abs(amounts) >= sure * np.sqrt(inverse[:, -1, -1])
        enough = self.share[index] * np.abs(amounts) >= 1.0
        enough &= np.abs(amounts) >= self.least[index]
        saved[index] = np.where(certain & enough & (gains > 0), gains, -np.inf)
        return saved

    def _try_own(self, index: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Best amount of each hypothesis about one feature, all else kept, and the loss it saves."""
        effects, white = self.effects[:, index], self.white[:, index]
        left = self.left / self.scale
        spread = (white**2 * self.weight[:, None]).sum(0)
        fitted = (white * (self.weight * left)[:, None]).sum(0) / np.maximum(spread, 1e-12)
        before = self.loss(self.left).sum() + self.strife(self._parts())
        parts = self._parts()
        best, gains = np.zeros(len(index)), np.full(len(index), -np.inf)
        for amounts in (fitted, self._medians(index, self.left)):
            after = self.loss(self.left[:, None] - effects * amounts).sum(0)
            after += self.strife(_with(parts, effects * amounts))
            best = np.where(before - after > gains, amounts, best)
            gains = np.maximum(before - after, gains)
        return best, gains

    def _try_blocks(self, index: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The same for hypotheses about many features: the line-up and all statements are fitted anew with each."""
        base = self.white[:, self.whole + self.chosen]
        designs = np.concatenate([np.broadcast_to(base, (len(index), *base.shape)), self.white[:, index].T[:, :, None]], axis=2)
        amounts = self._fit(designs)
        left = (self.target[:, None] - np.einsum("krp,kp->rk", designs, amounts)) * self.scale[:, None]
        told = self.effects[:, self.chosen][:, None, :] * amounts[None, :, len(self.whole) : -1]
        parts = np.concatenate([told, (self.effects[:, index] * amounts[:, -1])[:, :, None]], axis=2)
        before = self.loss(self.left).sum() + self.strife(self._parts())
        return amounts[:, -1], before - self.loss(left).sum(0) - self.strife(parts)

    def _fit(self, designs: np.ndarray, rows: np.ndarray | slice = slice(None)) -> np.ndarray:
        """Robust amounts (K, p) of K designs (K, R, p): measures that disagree lose their say (Huber 1964, reweighted).

        ``rows``: of which measures the designs are, where not of all.
        """
        count, weight, target = designs.shape[2], self.weight[rows], self.target[rows]
        # Where the statements alone don't settle an amount (nested blocks), the smaller one is taken.
        ridge = 1e-4 * np.eye(count)
        say = np.broadcast_to(weight, designs.shape[:2])
        turned = designs.transpose(0, 2, 1)
        amounts = np.zeros((len(designs), count))
        for _ in range(_FITS):
            weighted = turned * say[:, None, :]
            amounts = np.linalg.solve(weighted @ designs + ridge, (weighted @ target)[:, :, None])[:, :, 0]
            off = np.abs(target - (designs @ amounts[:, :, None])[:, :, 0])
            say = weight / np.maximum(off, 1.0)
        return amounts

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

    def _amount(self, index: int) -> float:
        return float(self.amounts[len(self.whole) + self.chosen.index(index)])

    def _part(self, index: int) -> np.ndarray:
        return self.effects[:, index] * self._amount(index)

    def _overall_counts(self, index: int) -> bool:
        """Whether an error of the whole is surely beyond its ratio, and beyond the sheet's trust and its own noise.

        Surely: by a standard error more. It shows in no feature by itself but in a small lean of all, as a habit of the hand in
        all its lines does too.
        """
        amount, error = abs(self._amount(index)), self._errors()[index]
        sure = self._share(index) * (1.0 - error / max(amount, 1e-9))
        return sure > self.big_ratio and amount > max(self.trust, 3.0 * error) and self._borne(index)

    def _share(self, index: int) -> float:
        """An error of the whole as a share of its size."""
        candidate = self.candidates[index]
        return abs(self._amount(index)) * candidate.per_unit * (1.0 if candidate.kind == "grows" else 1.0 / candidate.extent)

    def _tellable(self, index: int) -> bool:
        """A statement is told when it moves some measure beyond its tolerance, the sheet's trust and its own noise."""
        if self.candidates[index].kind in ("grows", "aspect"):
            return self._overall_counts(index)
        if abs(self._amount(index)) < 0.95 * self.least[index]:
            return False
        if self.own[index]:
            return self.reach[:, index].max() * abs(self._amount(index)) >= 0.95
        amount = abs(self._amount(index))
        certain = amount >= self.times * self._errors()[index]
        return certain and self.share[index] * amount >= 1.0

    # ------------------------------------------------------------ result

    def result(self, shift: np.ndarray) -> Explanation:
        told = [k for k in self.chosen if self._tellable(k)]
        errors = self._errors()
        statements = []
        for k in told:
            amount = self._amount(k)
            part = np.abs(self._part(k))
            if self.own[k]:
                part = np.where(self._its_own(self.candidates[k]), part, 0.0)
            counts = part > 0.5 * self.limit
            owners = sorted({self.rows[r].owner for r in np.flatnonzero(counts)})
            size = float((part / np.array([row.tolerance for row in self.rows])).max())
            size = max(size, self.visible[k] * abs(amount))
            if self.overall[k]:
                size = self._share(k) / self.big_ratio
            size = max(size, self._told_length(k) / max(self.place, self.ratio * self.candidates[k].extent))
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
        untold = [k for k in self.chosen if k not in told]
        return Explanation(tuple(statements), self.rows, self.left + sum(self._part(k) for k in untold), shift)

    def _told_length(self, index: int) -> float:
        """By how much a thing is told to be too wide or too tall; 0 where no such length is told."""
        told = self.candidates[index]
        times = 2.0 if told.kind == "spacing" and told.pair.width else 1.0 if told.kind in ("width", "height") else 0.0
        return times * abs(self._amount(index))

    def _its_own(self, candidate: Hypothesis) -> np.ndarray:
        """(R,) the measures by which a statement about one feature is judged.

        A straight line that moves ends elsewhere, and so do its neighbours: but it is not their lengths that are wrong.
        """
        follows = candidate.feature.kind == "segment" and candidate.kind in ("move", "turn", "swing")
        sizes = ("width", "height") if follows else ()
        return np.array([row.owner in candidate.members and row.measure not in sizes for row in self.rows])

    def _errors(self) -> dict[int, float]:
        """Standard uncertainty of each chosen statement's amount, the line-up's included."""
        columns = self.whole + self.chosen
        if self.errors_of != columns:
            design = self.effects[:, columns] / self.cautious[:, None]
            inverse = np.linalg.inv(design.T @ design + 1e-6 * np.eye(len(columns)))
            self.errors_of, self.errors = columns, dict(zip(columns, np.sqrt(np.diag(inverse)), strict=True))
        return self.errors
