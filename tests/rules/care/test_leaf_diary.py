from __future__ import annotations

from rules.care.leaf_diary import KEPT_LINES, LeafEntry, one_sided, suspects, suspicion, written
from rules.terms.events import DAY_MS, HOUR_MS
from rules.terms.words import LeavesGiven

NOW = 1_800_000_000_000


def given(hours_ago: float, plant: str = "bramble", chamber: str = "nest", treated: bool | None = None) -> LeafEntry:
    return LeafEntry(chamber, round(NOW - hours_ago * HOUR_MS), plant, "park", treated)


# 10 h: rejection begins about then (Herz et al. 2008); 72 h: common practice, no source.
def test_only_leaves_of_the_last_10_to_72_hours_are_suspected_and_both_edges_belong() -> None:
    diary = [given(72.1, "a"), given(72, "b"), given(30, "c"), given(10, "d"), given(9.9, "e")]
    assert [entry.plant for entry in suspects(diary, ["nest"], NOW)] == ["d", "c", "b"]


def test_treated_leaves_are_named_first_and_clean_ones_last() -> None:
    diary = [given(20, "clean", treated=False), given(30, "unknown"), given(60, "treated", treated=True)]
    assert [entry.plant for entry in suspects(diary, ["nest"], NOW)] == ["treated", "unknown", "clean"]
    assert "Stop the treated source" in suspicion(diary, ["nest"], NOW)


def test_leaves_of_another_colony_are_not_suspected() -> None:
    assert suspects([given(20, chamber="other")], ["nest", "arena"], NOW) == []


def test_an_empty_diary_says_that_it_can_neither_blame_nor_clear() -> None:
    assert suspicion([], ["nest"], NOW) == (
        "The leaf diary has no leaves of the last 10 to 72 hours: it can neither blame nor clear them."
    )


def test_the_suspicion_names_plant_place_treatment_and_age() -> None:
    assert suspicion([given(31)], ["nest"], NOW) == (
        "Leaves of the last 10 to 72 hours: bramble (park, treated or not is not known; 31 h ago)."
        " If in doubt, leave that source out and watch for two days."
    )


def test_a_late_entry_stands_at_its_own_time_and_the_diary_stays_bounded() -> None:
    diary: list[LeafEntry] = []
    for number in range(KEPT_LINES + 20):
        at_ms = NOW + number * HOUR_MS
        word = LeavesGiven(taken_ms=at_ms, word_id=str(number), chamber="nest", at_ms=at_ms, plant=f"p{number}")
        diary = written(diary, word)
    late = LeavesGiven(taken_ms=at_ms, word_id="late", chamber="nest", at_ms=at_ms - HOUR_MS * 2 - 1, plant="late")
    diary = written(diary, late)
    assert len(diary) == KEPT_LINES
    last = KEPT_LINES + 19
    assert [entry.plant for entry in diary[-5:]] == [f"p{last - 3}", "late", f"p{last - 2}", f"p{last - 1}", f"p{last}"]


def test_one_plant_all_week_is_noticed_and_two_are_not() -> None:
    same = [given(24 * day) for day in range(5)]
    assert one_sided(same, ["nest"], NOW) == "bramble"
    assert one_sided([*same, given(1, "rose")], ["nest"], NOW) is None
    assert one_sided(same[:3], ["nest"], NOW) is None


def test_lines_older_than_18_weeks_go() -> None:
    old = LeafEntry("nest", NOW - 131 * DAY_MS, "old", "", None)
    word = LeavesGiven(taken_ms=NOW, word_id="1", chamber="nest", at_ms=NOW, plant="new")
    assert [entry.plant for entry in written([old], word)] == ["new"]
