"""Who is asked to look at the lid is asked until there is an answer, and nobody waters a box whose lid may stand open."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pytest

from rules.terms.events import HOUR_MS, AdviceEvent, AlarmEvent, Batch, Event
from rules.terms.words import AdviceDone, LidSeen, Visit, Word
from rules.turn.advance import EngineState, advance
from tests.rules.checks.test_moisture_lost import DAY_H, START_MS, columns_of, ramp, shelf

WATER = {("water", "more"), ("mister", "more")}


class Kept:
    """A box whose lid is left ajar after a day: it dries to 4 K under its dew point and stays so, until it is shut."""

    def __init__(self, shut_h: float = 1e9) -> None:
        self.settings, self.shut_h, self.now_h = shelf(wet_granules=True), shut_h, 0.0
        self.state: EngineState | None = None
        self.events: list[Event] = []

    def lives(self, until_h: float, *words: Word) -> list[Event]:
        at_ms = START_MS + np.arange(round(self.now_h * 12), round(until_h * 12), dtype=np.int64) * HOUR_MS // 12
        hour = (at_ms - START_MS) / HOUR_MS
        columns = columns_of(at_ms, np.where(hour < self.shut_h, ramp(DAY_H, 0.7, 4.0)(hour), 0.0), np.zeros(len(hour)))
        names, count = tuple(columns), len(columns)
        batch = Batch(
            names, np.tile(np.arange(count, dtype=np.int32), len(at_ms)), np.repeat(at_ms, count), np.repeat(at_ms, count),
            np.column_stack(list(columns.values())).ravel(), words,
        )  # fmt: skip
        found = advance(self.settings, self.state, batch, START_MS + round(until_h * HOUR_MS))
        self.state, self.now_h = found.state, until_h
        self.events += found.events
        return found.events

    @property
    def now_ms(self) -> int:
        return START_MS + round(self.now_h * HOUR_MS)


def advised(events: Iterable[Event]) -> list[AdviceEvent]:
    return [event for event in events if isinstance(event, AdviceEvent) and event.actions]


def acts(advice: Sequence[AdviceEvent]) -> list[list[tuple[str, str]]]:
    return [[(action.device, action.change) for action in one.actions] for one in advice]


def changes(events: Iterable[Event], alarm: str = "moisture-lost") -> list[str]:
    return [event.change for event in events if isinstance(event, AlarmEvent) and event.alarm == alarm]


def test_the_look_leads_each_letter_and_nothing_is_wetted_for_three_days_without_an_answer() -> None:
    """In a foreign simulation water stood in the letter 34 minutes after the look, and the lid was never named again."""
    box = Kept()
    box.lives(4 * DAY_H)
    told = acts(advised(box.events))
    assert all(one[0] == ("lid", "check") for one in told)
    lost_ms = next(event.at_ms for event in box.events if isinstance(event, AlarmEvent) and event.alarm == "moisture-lost")
    since = acts([one for one in advised(box.events) if one.at_ms >= lost_ms])
    assert WATER.isdisjoint(act for one in since for act in one)
    assert "returned" not in changes(box.events)  # nothing got better: what it lost must not become what is usual
    assert 3 <= len(since) <= 9  # daily, and where it got more urgent


@pytest.mark.parametrize("answer", ["done", "lid", "visit"])
def test_who_has_looked_is_told_what_comes_next(answer: str) -> None:
    box = Kept()
    box.lives(DAY_H + 6.0)
    advisory = advised(box.events)[-1].name
    word: Word = {
        "done": AdviceDone(taken_ms=box.now_ms, word_id="a", advisory=advisory),
        "lid": LidSeen(taken_ms=box.now_ms, word_id="a", chamber="nest", at_ms=box.now_ms, seen="dry"),
        "visit": Visit(taken_ms=box.now_ms, word_id="a", chamber="nest", for_ms=HOUR_MS // 2),
    }[answer]
    told = acts(advised(box.lives(DAY_H + 18.0, word)))
    assert told and ("lid", "check") not in told[0]
    assert any(WATER & set(one) for one in told)


def test_a_lid_that_was_shut_needs_no_answer() -> None:
    box = Kept(shut_h=DAY_H + 8.0)
    box.lives(DAY_H + 14.0)
    assert changes(box.events)[-1] == "returned"
    assert all("nan" not in event.reason for event in box.events if isinstance(event, AlarmEvent))


def test_who_has_looked_and_dries_on_is_asked_no_more_once_it_is_known_what_is_usual_now() -> None:
    box = Kept()
    box.lives(DAY_H + 6.0)
    box.lives(2 * DAY_H, LidSeen(taken_ms=box.now_ms, word_id="a", chamber="nest", at_ms=box.now_ms, seen="dry"))
    ended = [event for event in box.events if isinstance(event, AlarmEvent) and event.alarm == "moisture-lost"][-1]
    assert (ended.change, ended.at_ms) == ("returned", START_MS + (DAY_H + 18.5) * HOUR_MS)
    assert "nan" not in ended.reason


def test_it_is_asked_alike_however_the_stream_is_cut() -> None:
    whole, cut = Kept(), Kept()
    whole.lives(2 * DAY_H)
    for step in range(1, 49):
        cut.lives(float(step))
    assert [event.id for event in cut.events] == [event.id for event in whole.events]
