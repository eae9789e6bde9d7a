"""Rounds judged against each other: what is done, better, worse, new, gone too far - and what only looks so."""

from dataclasses import replace

import numpy as np
import pytest
from piece_kit import SIGMA, report

from featurediff.piece.follow import KEPT, follow
from featurediff.piece.keep import keep, take_back
from featurediff.piece.readings import share_left
from featurediff.piece.records import Piece, Reading
from featurediff.records import Correction
from featurediff.report.text import render
from featurediff.settings import CorrectionSettings, RoundSettings, Settings

SETTINGS = Settings(subject="jugs")
FIVE = {"rim": (0, 3), "spout": (3.5, 0), "handle": (-4, 0), "belly": (0, -3), "foot": (3, 3)}


def run(*reports, settings=SETTINGS, kept=()):
    """(rounds, reports as told) of photographs one after the other."""
    rounds, told = [], []
    for each in reports:
        record, shown = follow(each, settings, rounds, kept)
        rounds.append(record)
        told.append(shown)
    return rounds, told


def outcomes(record):
    return {
        change.text.split(" ")[2] if "shoulder" not in change.text else "shoulder": change.outcome for change in record.changes
    }


def texts(told):
    return [each.text for each in (*told.corrections, *told.later)]


# ---------------------------------------------------------------- plain outcomes


def test_the_first_round_is_the_list_itself():
    first = report(FIVE)
    (record,), (told,) = run(first)
    assert texts(told) == texts(first)
    assert [each.correction.rank for each in record.items] == [1, 2, 3, 4, 5]
    assert (record.number, record.changes, record.close_enough) == (1, (), False)
    assert record.worst == pytest.approx(np.hypot(3, 3))


def test_scenario_14_three_done_one_too_far_one_open():
    (_, record), (_, told) = run(report(FIVE), report({"belly": (0, 1.5), "foot": (3, 3)}))
    assert outcomes(record) == {"rim": "done", "spout": "done", "handle": "done", "belly": "too far", "foot": "unchanged"}
    (too_far,) = [each for each in record.changes if each.outcome == "too far"]
    assert (too_far.amount, too_far.unit) == (pytest.approx(1.5), "mm")
    assert len(told.corrections) == 2
    assert record.close_enough is False


@pytest.mark.parametrize(
    ("now", "outcome"),
    [
        ((0, 3.2), "unchanged"),
        ((0, 1.6), "better"),
        ((0, 6), "worse"),
        ((0, 0.2), "done"),
        ((0, -1.5), "too far"),
        ((0, -0.9), "done"),
    ],
)
def test_each_outcome(now, outcome):
    (_, record), (_, told) = run(report({"rim": (0, 3)}), report({"rim": now}))
    assert outcomes(record) == {"rim": outcome}
    assert len(told.corrections) == (outcome != "done")


def test_what_is_wrong_only_now_is_new():
    (_, record), (_, told) = run(report({"rim": (0, 3)}), report({"rim": (0, 3), "foot": (4, 0)}))
    assert outcomes(record) == {"rim": "unchanged", "foot": "new"}
    assert len(told.corrections) == 2
    assert len({each.id for each in record.items}) == 2


def test_when_nothing_is_left_it_is_close_enough():
    (_, record), (_, told) = run(report({"rim": (0, 3)}), report({}))
    assert record.close_enough
    assert "Close enough to paint." in render(told)
    assert record.worst == 0.0


def test_an_item_keeps_its_identity_under_another_number():
    rounds, _ = run(report({"rim": (0, 6), "foot": (0, 4)}), report({"rim": (0, 2), "foot": (0, 4)}))
    ids = [{each.readings[0].feature: (each.id, each.correction.rank) for each in one.items} for one in rounds]
    assert ids[0]["rim"][0] == ids[1]["rim"][0]
    assert [one["foot"][0] for one in ids] == [2, 2]


def test_a_feature_that_is_not_seen_this_time_stays_as_it_was():
    rounds, told = run(report({"rim": (0, 3)}), report({}, missing=("rim",)), report({"rim": (0, 3)}))
    assert [outcomes(one) for one in rounds[1:]] == [{"rim": "unseen"}, {"rim": "unchanged"}]
    assert texts(told[1]) == texts(told[0])


def test_what_was_done_can_come_back():
    rounds, _ = run(report({"rim": (0, 3)}), report({}), report({"rim": (0, 3)}))
    assert outcomes(rounds[2]) == {"rim": "new"}


# ---------------------------------------------------------------- uncertainty


@pytest.mark.parametrize("true", [2.0, 3.0, 6.0])
def test_an_unchanged_sheet_gives_the_same_list(true):
    """Errors well beyond their limit, 200 times photographed three times: nothing appears, nothing disappears."""
    off = {"rim": (0, true), "belly": (-true, 0)}
    moved = other = 0
    for seed in range(200):
        rounds, told = run(*(report(off, seed=3 * seed + k) for k in range(3)))
        moved += sum(one.count("new", "done", "too far") for one in rounds)
        other += texts(told[0]) != texts(told[2])
    # Eight features with noise up to their limits, 400 comparisons.
    assert moved <= 4
    # Of two items and two comparisons: beyond twice its uncertainty a Gaussian lies 4.6 % of the time.
    assert other <= 0.25 * 200


def test_errors_at_their_limit_do_not_flicker():
    """All features at their limit, the worst case: what appears or disappears is what chance alone allows, not every second item.

    Told by each list alone, an item at its limit changes its state in half of all photographs.
    """
    off = dict.fromkeys(("rim", "spout", "belly", "foot"), (0, 1.0))
    alone = flips = total = 0
    for seed in range(300):
        reports = [report(off, seed=1000 + 2 * seed + k) for k in range(2)]
        alone += len({c.explains for c in reports[0].corrections} ^ {c.explains for c in reports[1].corrections})
        rounds, _ = run(*reports)
        flips += rounds[1].count("done", "new")
        total += len(off)
    assert alone > 0.4 * total
    assert flips < 0.05 * total


def test_a_slow_drift_is_noticed():
    """Each step is smaller than its uncertainty, all of them together are not."""
    rounds, _ = run(*(report({"rim": (0, 5.0 - 0.45 * k)}) for k in range(10)))
    assert any("better" in outcomes(one).values() for one in rounds[1:])


def test_a_poor_photograph_closes_nothing():
    poor = report({"rim": (0, 2.2)}, trust=4.0)
    poor = replace(poor, deviations=tuple(replace(each, sigma=2.0) for each in poor.deviations))
    assert not poor.corrections
    (_, record), (_, told) = run(report({"rim": (0, 3)}), poor)
    assert outcomes(record) == {"rim": "unchanged"}
    assert len(told.corrections) == 1


def test_the_share_of_an_error_and_its_uncertainty_by_simulation():
    """The stated uncertainty against the scatter of 4000 simulated pairs with independent errors, and with a common one."""
    rng = np.random.default_rng(4)
    names = [f"f{k}" for k in range(6)]

    def readings(values):
        return [Reading(name, "down", value, SIGMA, 1.0, "mm") for name, value in zip(names, values, strict=True)]

    stated = share_left(readings([3.0] * 6), {each.key: each for each in readings([1.0] * 6)})
    assert stated[0] == pytest.approx(1 / 3)
    shares = []
    for _ in range(4000):
        half = SIGMA / np.sqrt(2)  # half of the variance is each one's own, half is common
        one, two = (values + rng.normal(0, half, 6) + rng.normal(0, half) for values in (3.0, 1.0))
        shares.append(share_left(readings(one), {each.key: each for each in readings(two)})[0])
    # Judged at the error's full size; a smaller remainder scatters less.
    assert 0.6 * stated[1] < np.std(shares) < 1.1 * stated[1]


# ---------------------------------------------------------------- lists that tell the same otherwise


def block(names, rank=1, move=(0.0, -3.0), kind="move"):
    return Correction(
        rank, "placement", f"Move {' and '.join(names)}.", "", (50, 50), move, None, None, tuple(names), 0.9, 3.0, (), kind
    )


def test_a_block_told_as_its_parts_is_nothing_new():
    off = {"rim": (0, 3), "spout": (0, 3)}
    joined = replace(report(off), corrections=(block(["rim", "spout"]),))
    (_, record), (_, told) = run(joined, report(off))
    assert [each.outcome for each in record.changes] == ["unchanged"]
    assert texts(told) == ["Move rim and spout."]


def test_parts_told_as_a_block_stay_the_parts():
    off = {"rim": (0, 3), "spout": (0, 3)}
    (_, record), (_, told) = run(report(off), replace(report(off), corrections=(block(["rim", "spout"]),)))
    assert [each.outcome for each in record.changes] == ["unchanged"] * 2
    assert len(told.corrections) == 2


def test_a_block_that_is_half_put_right_is_better_and_told_by_what_is_left():
    off = {"rim": (0, 3), "spout": (0, 3)}
    joined = replace(report(off), corrections=(block(["rim", "spout"]),))
    (_, record), (_, told) = run(joined, report({"rim": (0, 3)}))
    assert [each.outcome for each in record.changes] == ["better"]
    assert texts(told) == ["Move the rim 3.0 mm."]


def test_details_wait_while_a_proportion_is_open():
    big = replace(report({"rim": (0, 5)}, stage="proportion").corrections[0])
    detail = replace(report({"foot": (0, 3)}, stage="detail").corrections[0], rank=2)
    both = replace(report({"rim": (0, 5), "foot": (0, 3)}), corrections=(big,), later=(detail,))
    rounds, told = run(both, replace(report({"foot": (0, 3)}), corrections=(detail,)))
    assert (len(told[0].corrections), len(told[0].later)) == (1, 1)
    assert outcomes(rounds[1]) == {"rim": "done", "foot": "unchanged"}
    assert (len(told[1].corrections), len(told[1].later)) == (1, 0)


def test_the_list_keeps_its_cap():
    settings = replace(SETTINGS, corrections=CorrectionSettings(shown_at_most=3))
    _, told = run(report(FIVE), report(FIVE), settings=settings)
    assert (len(told[1].corrections), len(told[1].later)) == (3, 2)
    assert [each.rank for each in (*told[1].corrections, *told[1].later)] == [1, 2, 3, 4, 5]


# ---------------------------------------------------------------- another photograph, another frame


def test_a_photograph_without_the_sheets_edges_is_compared_in_percent():
    percent = report({"rim": (0, 1.5)}, unit="%")
    assert percent.size_mm == pytest.approx(100.0)
    rounds, _ = run(report({"rim": (0, 6)}), percent, report({"rim": (0, 1.5)}))
    assert [outcomes(one)["rim"] for one in rounds[1:]] == ["better", "unchanged"]
    assert rounds[1].unit == "%"


def test_a_carried_item_points_to_its_place_on_the_new_photograph():
    first = report({"rim": (0, 3)})
    again = report({"rim": (0, 3)}, turn=90.0, move=(200.0, 10.0), scale=0.2)
    _, told = run(first, again)
    at, move = told[1].corrections[0].at_mm, told[1].corrections[0].move_mm
    # The rim lies at (500, 200) px and is told 3 mm too low on a sheet of 0.16 mm to the px.
    expected = np.array([[0, -0.2], [0.2, 0]]) @ (np.array([500.0, 200.0]) + np.array([0, 3 / 0.16])) + np.array([200.0, 10.0])
    assert at == pytest.approx(tuple(expected))
    assert move == pytest.approx((3 * 0.2 / 0.16, 0.0), abs=1e-9)


# ---------------------------------------------------------------- keeping


def test_scenario_15_a_kept_item_is_silent_until_it_moves():
    off = {"handle": (-4, 0), "foot": (0, 3)}
    rounds, told = run(report(off))
    piece = Piece(SETTINGS, (), tuple(rounds))
    kept, one = keep(piece, "handle")
    assert one.text == "Move the handle 4.0 mm."
    for seed in range(50):
        record, again = follow(report(off, seed=seed), SETTINGS, rounds, kept)
        assert texts(again) == texts(replace(told[0], corrections=told[0].corrections[1:]))
        assert record.kept == ("Move the handle 4.0 mm.",)
        assert not record.moved
        assert KEPT in {each.why for each in again.not_judged if each.feature == "handle"}
        assert f"handle: {KEPT}" in render(again)
    # Moved by more than its limit (1 mm), it is listed again; moved to where it belongs, it is simply right.
    record, again = follow(report({"handle": (-6, 0), "foot": (0, 3)}), SETTINGS, rounds, kept)
    assert any("handle" in text for text in texts(again))
    assert record.moved == ("Move the handle 4.0 mm.",)
    record, again = follow(report({"foot": (0, 3)}), SETTINGS, rounds, kept)
    assert not any("handle" in text for text in texts(again))
    assert "handle" in again.good


def test_taken_back_it_is_listed_again():
    rounds, _ = run(report({"handle": (-4, 0)}))
    kept, _ = keep(Piece(SETTINGS, (), tuple(rounds)), "1")
    record, told = follow(report({"handle": (-4, 0)}), SETTINGS, rounds, kept)
    assert not told.corrections
    assert record.close_enough
    rest, one = take_back(Piece(SETTINGS, (), (*rounds, record), kept), "handle")
    assert rest == () and one == kept[0]
    _, told = follow(report({"handle": (-4, 0)}), SETTINGS, [*rounds, record], rest)
    assert len(told.corrections) == 1


def test_keeping_one_item_leaves_others_of_its_feature():
    """Kept for its place, it is still told that its outline bulges."""
    rounds, _ = run(report({"handle": (-4, 0)}))
    kept, _ = keep(Piece(SETTINGS, (), tuple(rounds)), "1")
    now = report({"handle": (-4, 3)})
    _, told = follow(now, SETTINGS, rounds, kept)
    assert len(told.corrections) == 1


# ---------------------------------------------------------------- the paper


def test_the_third_correction_in_one_place_is_warned_of():
    """Too low, too high, too low again: the next one would be the third time the eraser goes there."""
    rounds, _ = run(*(report({"rim": (0, y), "foot": (0, 4)}) for y in (4, -4, 4)))
    assert [one.careful for one in rounds[:2]] == [(), ()]
    rim = next(each.correction.rank for each in rounds[2].items if each.readings[0].feature == "rim")
    assert rounds[2].careful == (rim,)


def test_a_neighbour_within_some_mm_counts_as_the_same_place():
    # The left shoulder lies 80 px = 12.9 mm from the handle.
    changes = [{"handle": (0, 4)}, {"handle": (0, -4)}, {"handle": (0, 0), "shoulder on the left": (0, 4)}]
    near, _ = run(*map(report, changes), settings=replace(SETTINGS, rounds=RoundSettings(same_place_mm=14.0)))
    far, _ = run(*map(report, changes), settings=replace(SETTINGS, rounds=RoundSettings(same_place_mm=8.0)))
    assert near[2].careful == (1,)
    assert far[2].careful == ()


def test_several_corrections_of_one_round_count_once():
    two = {"handle": (0, 4), "shoulder on the left": (0, 4)}
    settings = replace(SETTINGS, rounds=RoundSettings(same_place_mm=14.0))
    rounds, _ = run(report(two), report(dict.fromkeys(two, (0, -4))), settings=settings)
    assert rounds[1].careful == ()


def test_photographs_alone_wear_no_paper():
    rounds, _ = run(*(report({"rim": (0, 3)}, seed=k) for k in range(6)))
    assert all(one.careful == () for one in rounds)
    assert all(one.touched == () for one in rounds)
