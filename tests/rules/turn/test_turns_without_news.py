"""Most turns of a daemon bring nothing and are passed over: what falls due in one is told in it all the same."""

from __future__ import annotations

from datetime import time
from zoneinfo import ZoneInfo

from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, Batch, Event, Reading
from rules.terms.words import Away, OutOfService, Rehearse, Shelve, Visit
from rules.trade.routine import CareTask
from rules.turn.advance import EngineState, advance, dump_state

BEGUN_MS = 1_769_990_400_000  # a whole hour
END_MS = BEGUN_MS + 5 * DAY_MS + 3 * HOUR_MS  # hours are kept for five days
SHELF = Settings(
    site=Site(name="shelf"), zone=ZoneInfo("UTC"), rooms={"loft": Room()},
    chambers={"north": Chamber(room="loft", garden={"volume_ml": 300.0})},
    probes={"a": Probe(place="north", interval="1h"), "b": Probe(place="loft", interval="1h")},
    telling=Telling(digest_at=time(8, 3)), care={"water": CareTask(at=time(7, 2))},
)  # fmt: skip


def stream() -> tuple[list[Reading], list[object]]:
    """Return hourly readings of a box that is too dry, and words whose ends lie between the full five minutes."""
    readings = [
        Reading(at_ms, probe, quantity, value + at_ms // HOUR_MS % 2 / 10, at_ms)
        for at_ms in range(BEGUN_MS + 3 * SECOND_MS, END_MS, HOUR_MS)
        for probe, t, rh in (("a", 26.0, 66.0), ("b", 21.0, 40.0))
        for quantity, value in (("air_temperature", t), ("relative_humidity", rh))
    ]
    said = {"by": "keeper"}
    at_ms = [BEGUN_MS + hour * HOUR_MS + 61 * SECOND_MS for hour in range(13)]
    words = [
        Rehearse(word_id="w1", taken_ms=at_ms[1], **said),
        Shelve(word_id="w2", taken_ms=at_ms[2], chamber="north", alarm="humidity-low", for_ms=41 * MINUTE_MS, **said),
        Visit(word_id="w3", taken_ms=at_ms[7], chamber="north", for_ms=11 * MINUTE_MS, **said),
        OutOfService(word_id="w4", taken_ms=at_ms[8], probe="b", for_ms=16 * MINUTE_MS, **said),
        Away(word_id="w5", taken_ms=at_ms[9], from_ms=at_ms[12] + 7, to_ms=at_ms[12] + 7 + DAY_MS // 2, **said),
    ]
    return readings, words


def told(every_ms: int) -> tuple[list[Event], list[Event], EngineState]:
    """Return what is told by turns so long apart, what of it came later than in its own turn, and the state at the end."""
    readings, words = stream()
    events, late, state, closed_ms = [], [], None, BEGUN_MS
    for now_ms in range(BEGUN_MS, END_MS + 1, every_ms):
        batch = Batch.of(*([one for one in kind if closed_ms <= one.taken_ms < now_ms] for kind in (readings, words)))
        done = advance(SHELF, state, batch, now_ms)
        late += [event for event in done.events if event.at_ms < closed_ms]
        events, state, closed_ms = [*events, *done.events], done.state, now_ms
    assert state is not None
    return events, late, state


def test_what_falls_due_in_a_turn_without_news_is_told_in_it() -> None:
    events, late, state = told(30 * SECOND_MS)
    whole, _, state_of_whole = told(END_MS - BEGUN_MS)
    assert len({event.kind for event in events}) >= 5 and not late
    assert events == whole and dump_state(state) == dump_state(state_of_whole)
