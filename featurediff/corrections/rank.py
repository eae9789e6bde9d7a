"""Order, cap and how sure: what to change first, what can wait."""

from __future__ import annotations

import math

from featurediff.corrections.items import Item
from featurediff.deviations import Compared
from featurediff.records import STAGES
from featurediff.settings import Settings

# Below so many times its limit an error is small: put right only if the artist is there anyway.
SMALL = 2.0


def order(items: list[Item]) -> list[Item]:
    """What needs fixing first, what is small after it; either by stage, then by error in tolerances times importance."""
    return sorted(items, key=lambda item: (item.size < SMALL, STAGES.index(item.stage), -item.size * item.importance))


def split(items: list[Item], settings: Settings) -> tuple[list[Item], list[Item]]:
    """What is shown and what waits, both ordered.

    While a size or proportion item is open, details wait: they would be drawn twice. What is small waits when there is enough to
    do, and a small one of size or proportion keeps no detail waiting.
    """
    ordered = order(items)
    big = any(item.stage in ("size", "proportion") and item.size >= SMALL for item in ordered)
    shown = [item for item in ordered if not (big and item.stage == "detail")]
    waiting = [item for item in ordered if big and item.stage == "detail"]
    cap = settings.corrections.shown_at_most
    if len(shown) > cap:
        shown, waiting = shown[:cap], shown[cap:] + waiting
    return shown, waiting


def sure(item: Item, compared: tuple[Compared, ...]) -> float:
    """0..1: the chance that the error is really more than half its tolerance (Gaussian), lowered by a poor match."""
    amount = abs(item.amount)
    half = amount / max(item.size, 1e-9) / 2
    z = (amount - half) / max(item.sigma, 1e-9)
    quality = max((compared[k].located.quality for k in item.explains), default=0.5)
    return float((0.6 + 0.4 * min(max(quality, 0.0), 1.0)) * 0.5 * math.erfc(-z / math.sqrt(2)))
