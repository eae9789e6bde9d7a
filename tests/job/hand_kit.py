"""A made-up hand: five fingers that stick out of a palm, each judged by its tip both ways and by its sides across themselves."""

from __future__ import annotations

import itertools

import numpy as np

from featurediff.records import Feature, Group, Pair, Subject

# Finger -> foot and tip (x, y) in px; the hand is 1000 px long.
FINGERS = {
    "thumb": ((330, 760), (120, 560)),
    "index finger": ((370, 480), (300, 120)),
    "middle finger": ((470, 450), (460, 40)),
    "ring finger": ((570, 470), (620, 110)),
    "little finger": ((660, 540), (770, 280)),
}
_HALF = 42.0


def hand() -> Subject:
    """The hand, with a group for each finger."""
    features, feet = [], list(FINGERS.items())
    for name, (foot, tip) in feet:
        foot, tip = np.array(foot, float), np.array(tip, float)
        way = (tip - foot) / np.hypot(*(tip - foot))
        aside = np.array([-way[1], way[0]])
        t = np.linspace(np.pi, 0, 9)
        cap = tip - _HALF * way + _HALF * (np.outer(np.cos(t), -aside) + np.outer(np.sin(t), way))
        features.append(_curve(f"tip of the {name}", f"hand/fingers/{name}/tip", cap, importance=0.8))
        for word, sign in (("left", -1), ("right", 1)):
            ends = np.array([foot + 0.25 * (tip - foot), tip - 1.8 * _HALF * way]) + sign * _HALF * aside
            part = f"hand/fingers/{name}/{word}"
            side = Feature(f"{word} side of the {name}", part, "segment", ends, measures=("across",), slides=True)
            features.append(side)
    for (a, (foot, _)), (b, (other, _)) in itertools.pairwise(feet):
        middle = (np.array(foot, float) + np.array(other, float)) / 2
        t = np.linspace(0, np.pi, 7)
        arc = middle + 20 * np.column_stack([np.cos(t), np.sin(t)])
        features.append(_curve(f"web between {a} and {b}", f"hand/webs/{a}", arc, importance=0.6))
    for word, x in (("left", 330), ("right", 680)):
        palm = [(x, 620), (x, 760), (x + (30 if word == "left" else -30), 900)]
        features.append(_curve(f"{word} side of the palm", f"hand/palm/{word}", palm, ("across",), importance=0.6, slides=True))
        wrist = [(350 if word == "left" else 650, 900 + 15 * k) for k in range(5)]
        features.append(_curve(f"wrist on the {word}", f"hand/wrist/{word}", wrist, importance=0.6))
    groups = (Group("hand", "whole hand", "size"), *(Group(f"hand/fingers/{name}", name) for name in FINGERS))
    pairs = tuple(
        Pair(name, f"hand/fingers/{name}/left", f"hand/fingers/{name}/right", "shape", True) for name in list(FINGERS)[1:]
    )
    region = np.array([[80, 0], [820, 0], [820, 1000], [80, 1000]], float)
    return Subject(tuple(features), 1000.0, "length of the hand", region, 0.0, groups, (), pairs)


def _curve(name, part, points, measures=("across", "down"), **more) -> Feature:
    return Feature(name, part, "curve", np.array(points, float), False, measures, **more)


def longer(finger: str, by_mm: float):
    """A change: the finger is longer by so much; its sides go along as far as they are from its foot."""
    foot, tip = (np.array(at, float) for at in FINGERS[finger])
    way = (tip - foot) / np.hypot(*(tip - foot))

    def change(feature, points):
        if f"/{finger}/" not in feature.part:
            return points
        share = ((feature.points - foot) @ way) / np.hypot(*(tip - foot))
        return points + np.outer(np.clip(share, 0, 1) * by_mm, way)

    return change
