"""Acceptance scenarios at the level of located points (no pictures)."""

from __future__ import annotations

import pytest
from located_kit import draw, named, portrait, shift


@pytest.mark.parametrize("seed", range(10))
def test_a_low_brow_is_raised(seed):
    """Scenario 2."""
    corrections, later, _ = draw(portrait(), shift(named("brow on the left"), 0, 3), seed=seed).corrections()
    assert corrections[0].text.startswith("Raise the brow on the left ")
    assert corrections[0].move_mm[1] == pytest.approx(-3.0, abs=0.9)
