"""A probe of which one quantity falls silent while the other goes on: it is said which, since when, and what ends it."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from rules.settings import Chamber, Probe, Settings, Site, Telling
from rules.terms.events import MINUTE_MS, AlarmEvent, Batch
from rules.turn.advance import advance

START_MS = 1_764_036_000_000  # 2025-11-25T02:00:00Z
BOTH = ("air_temperature", "relative_humidity")
SETTINGS = Settings(
    site=Site(name="shelf"), zone=ZoneInfo("Europe/Berlin"), rooms={}, chambers={"nest": Chamber()},
    probes={"p": Probe(place="nest", interval=MINUTE_MS)}, telling=Telling(),
)  # fmt: skip


def faults(silent: str, *, again: bool = False, every: int = 10**9, late: bool = False) -> list[AlarmEvent]:
    """Return what is told of a probe whose quantity is silent from minute 60 on, in slices of so many readings; `again`: up to
    minute 90; `late`: it has told it only from minute 30 on."""
    rows = [
        (minute, quantity) for minute in range(120) for quantity in BOTH
        if quantity != silent or ((minute < 60 or (again and minute >= 90)) and (minute >= 30 or not late))
    ]  # fmt: skip
    at_ms = np.array([START_MS + minute * MINUTE_MS for minute, _ in rows])
    index = np.array([BOTH.index(quantity) for _, quantity in rows])
    value = np.where(index == 0, 25.0, 80.0) + np.array([minute % 7 * 0.05 for minute, _ in rows])
    state, events = None, []
    for low in range(0, len(rows), every):
        part = slice(low, low + every)
        batch = Batch(tuple(("p", quantity) for quantity in BOTH), index[part], at_ms[part], at_ms[part], value[part])
        done = advance(SETTINGS, state, batch, int(at_ms[part][-1]))
        state, events = done.state, events + done.events
    events += advance(SETTINGS, state, Batch(), int(at_ms[-1]) + 1).events
    return [event for event in events if isinstance(event, AlarmEvent) and event.alarm == "probe-fault"]


@pytest.mark.parametrize(
    ("silent", "what", "rest"),
    [(one, one.replace("_", " "), other.replace("_", " ")) for one, other in (BOTH, BOTH[::-1])],
)
def test_the_silent_quantity_is_named_with_its_last_word_and_its_cure(silent: str, what: str, rest: str) -> None:
    raised = next(event for event in faults(silent) if event.change == "raised")
    # Its last word was the one of minute 59, 59 minutes after two.
    assert raised.reason.startswith(f"p tells no {what} since 2025-11-25T02:59:00Z, though it goes on telling its {rest};")
    assert f"believed again after two readings of its {what} in a row" in raised.reason


def test_two_readings_end_it_as_was_said() -> None:
    told = faults("relative_humidity", again=True)
    assert [event.change for event in told] == ["raised", "returned"]
    assert (told[-1].at_ms - START_MS) // MINUTE_MS == 91  # 90 brings the first, 91 the second


@pytest.mark.parametrize("late", [False, True])
def test_the_same_is_said_however_the_stream_is_cut(late: bool) -> None:
    whole = [(event.at_ms, event.reason) for event in faults("relative_humidity", late=late)]
    assert whole == [(event.at_ms, event.reason) for event in faults("relative_humidity", late=late, every=7)]
