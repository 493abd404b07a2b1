"""Every advisory that is urgent or for today is told within its time, or stands in the next letter or digest."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from rules.settings import Chamber, Settings, Site, Telling
from rules.telling.state import TellingState
from rules.telling.telling import tell
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, AdviceEvent, LetterEvent

NOON_MS = 1_772_539_200_000  # 2026-03-03T12:00:00Z
WATCH = Settings(
    site=Site(), zone=ZoneInfo("Europe/Berlin"), rooms={}, chambers={"left": Chamber()}, probes={}, telling=Telling()
)


@dataclass(frozen=True, slots=True)
class Step:
    after_min: int
    change: str
    urgency: str
    ends: str | None
    """How the advisory ends with this step; None: it goes on."""


steps = st.lists(
    st.builds(
        Step, st.integers(1, 400), st.sampled_from(["less", "more", "stop"]), st.sampled_from(["wake", "today", "morning"]),
        st.sampled_from([None, None, None, "verified", "resolved", "withdrawn"]),
    ),
    min_size=1, max_size=25,
)  # fmt: skip


def stream(found: list[Step]) -> list[AdviceEvent]:
    """One adviser's events: each advisory given, updated, and in the end judged or over."""
    events: list[AdviceEvent] = []
    at_ms, number, open_ = NOON_MS, 0, False
    for step in found:
        at_ms += step.after_min * MINUTE_MS
        status = (step.ends or "updated") if open_ else "given"
        number += not open_
        open_ = step.ends is None or not open_
        events.append(
            AdviceEvent(
                id=f"a{len(events)}", at_ms=at_ms, chamber="left", advisory=f"left-{number}", status=status, device="heater",
                change=step.change, amount=1.0, unit="K", reason="", urgency=step.urgency,
            )
        )
    return events


def over_ms(events: list[AdviceEvent], place: int) -> int:
    """When what this event asks for is no longer asked for: the advisory is over, or asks for something else first."""
    mine = events[place]
    for later in events[place + 1 :]:
        if later.advisory != mine.advisory or later.status in ("verified", "resolved", "withdrawn"):
            return later.at_ms
        if later.change != mine.change:
            return later.at_ms
    return events[-1].at_ms + 3 * DAY_MS


def known(letters: list[LetterEvent], at_ms: int) -> tuple[str, str | None] | None:
    """What the keeper knows of what is asked for, by the letters until then: the advisory and its first step."""
    told = [
        event for letter in letters if letter.at_ms <= at_ms for event in letter.about
        if isinstance(event, AdviceEvent) and event.status in ("given", "updated")
    ]  # fmt: skip
    return (told[-1].advisory, told[-1].change) if told else None


@settings(max_examples=300, deadline=None)
@given(steps)
def test_what_is_urgent_is_mailed_at_once_and_what_is_for_today_by_the_next_digest(found: list[Step]) -> None:
    events = stream(found)
    _, letters = tell(WATCH, TellingState(), events, NOON_MS, events[-1].at_ms + 3 * DAY_MS, "o")
    for place, event in enumerate(events):
        if event.status not in ("given", "updated") or event.urgency == "morning":
            continue
        limit_ms = (10 * MINUTE_MS if event.urgency == "wake" else DAY_MS + HOUR_MS) + event.at_ms
        if over_ms(events, place) > limit_ms:
            assert known(letters, limit_ms) == (event.advisory, event.change), event
