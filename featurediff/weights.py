"""How much each feature counts: what the settings say of it, else its detector."""

from __future__ import annotations

from collections.abc import Mapping

from featurediff.naming import did_you_mean
from featurediff.records import Advice, Feature, Subject


def weight_of(feature: Feature, given: Mapping[str, float]) -> float:
    """Importance 0..1 of a feature; ``given`` holds what the settings say, by name."""
    return given.get(feature.name, feature.importance)


def misspelt(subject: Subject, given: Mapping[str, float]) -> tuple[Advice, ...]:
    """A remark for each name in the settings that no feature has but one nearly has.

    Others are passed over: one file of settings may serve several subjects.
    """
    known = [each.name for each in subject.features] + [each.feature for each in subject.not_judged]
    meant = [(name, did_you_mean(name, known)) for name in given if name not in known]
    return tuple(Advice("note", f"Settings, importance: there is no '{name}' here{close}") for name, close in meant if close)
