"""Whole letters and digests of random days: no two plans for one chamber, nothing asked for that is done, nothing unsaid again.

The courses are drawn point by point and come from no rule; the keeper does what is asked, or only says so, or says nothing.
"""

from __future__ import annotations

import re
from datetime import UTC, time
from math import sin
from random import Random

import pytest
from decision_matrix import AGAINST, _said

from adapters.wording.letter import compose
from rules.settings import Chamber, Devices, Fan, Garden, Heater, Mister, Probe, Room, Settings, Site, Telling, Vents
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, Batch, Event, LetterEvent, Reading
from rules.terms.words import AdviceDone, LidSeen, Word
from rules.turn.advance import advance

MONDAY_MS = 1_769_990_400_000  # 2026-02-02T00:00:00Z
HOURS, EVERY_MIN = 58, 5
ASKS = ("given", "updated", "reminded")
SHELF = Settings(
    site=Site(), zone=UTC, rooms={"study": Room()}, telling=Telling(digest_at=time(8, 0), weekly_digest="wednesday"),
    chambers={"north": Chamber(
        room="study", garden=Garden(volume_ml=300.0), devices=Devices(
            heater=Heater(setpoint_c=26.0), mister=Mister(ml_per_day=2.0), fan=Fan(minutes_per_hour=1.0),
            vents=Vents(count=3, open=1), can_insulate_lid=True, wet_granules=True,
        ),
    )},
    probes={
        "inside": Probe(place="north", interval=EVERY_MIN * MINUTE_MS),
        "outside": Probe(place="study", interval=EVERY_MIN * MINUTE_MS),
    },
)  # fmt: skip
ALSO_AGAINST = (
    ("cannot be told from here", ": its lid is wet"), ("nothing more to do", "(STILL TO DO|STILL STANDS)"),
    ("All is well", r"(STILL TO DO|STILL STANDS|DO THIS FIRST)"), ("The climate is as it should be", "STILL STANDS"),
)


def course(draw: Random, low: float, high: float) -> list[float]:
    """Return a figure for each hour, that stays, drifts or jumps."""
    now, out = draw.uniform(low, high), list[float]()
    while len(out) < HOURS + 1:
        then = draw.choice((now, draw.uniform(low, high), min(max(now + draw.gauss(0.0, 2.0), low), high)))
        steps = draw.choice((1, 3, 6, 10))
        out += [now + (then - now) * (step + 1) / steps for step in range(steps)]
        now = then
    return out[: HOURS + 1]


def lived(seed: int) -> list[Event]:
    """Return all events of some days in a box of drawn figures, whose keeper answers as drawn."""
    draw = Random(seed)
    warmth, damp, room = course(draw, 17.0, 33.5), course(draw, 48.0, 98.5), course(draw, 12.0, 31.0)
    answers = draw.choice((0.0, 0.5, 0.9))
    state, events, due = None, list[Event](), list[tuple[int, Word]]()
    for hour in range(HOURS):
        rows = []
        for minute in range(hour * 60, hour * 60 + 60, EVERY_MIN):
            at_ms, share, wiggle = MONDAY_MS + minute * MINUTE_MS, minute % 60 / 60.0, 0.04 * sin(minute * 2.4)
            for probe, quantity, values, factor in (
                ("inside", "air_temperature", warmth, 1.0), ("inside", "relative_humidity", damp, 4.0),
                ("outside", "air_temperature", room, 1.0),
            ):  # fmt: skip
                value = values[hour] + share * (values[hour + 1] - values[hour]) + factor * wiggle
                rows.append(Reading(at_ms, probe, quantity, round(value, 2), at_ms))
        until_ms = MONDAY_MS + (hour + 1) * HOUR_MS
        words = sorted((word for when_ms, word in due if when_ms < until_ms), key=lambda word: word.taken_ms)
        due = [row for row in due if row[0] >= until_ms]
        done = advance(SHELF, state, Batch.of(rows, words), until_ms)
        state = done.state
        for letter in (event for event in done.events if isinstance(event, LetterEvent)):
            for one in (event for event in letter.about if isinstance(event, AdviceEvent) and event.status in ASKS):
                said_ms = until_ms + draw.randrange(3 * HOUR_MS)
                if draw.random() < answers:
                    due.append((said_ms, AdviceDone(taken_ms=said_ms, word_id=f"d{said_ms}", advisory=one.advisory)))
            if letter.sort == "digest" and draw.random() < 0.3:
                said_ms = until_ms + draw.randrange(HOUR_MS)
                seen = draw.choice(("dry", "mist", "droplets"))
                due.append((said_ms, LidSeen(
                    taken_ms=said_ms, at_ms=said_ms, word_id=f"l{said_ms}", chamber="north", seen=seen,
                )))  # fmt: skip
        events += done.events
    return events


def plans_of(events: list[Event], letter: LetterEvent) -> set[str]:
    """Return the advisory that stands when a letter is written, by the events alone: the last one, unless over or done."""
    stands = set[str]()
    for event in events:
        if event.at_ms > letter.at_ms:
            break
        if event.kind == "advice":
            stands = {event.advisory} if event.status in ASKS else stands - {event.advisory}
        elif event.kind == "word" and event.word == "advice-done" and event.accepted and not event.asks_still:
            stands -= {event.advisory}
    return stands


def faults(events: list[Event], letter: LetterEvent) -> list[str]:
    """Return what a keeper would call a contradiction in a letter."""
    asked = [event for event in letter.about if event.kind == "advice" and event.status in ASKS]
    found = [f"asks for {one.advisory} ({one.headline})" for one in asked if one.advisory not in plans_of(events, letter)]
    found += [f"two plans: {' / '.join(one.headline for one in asked)}"] if len(asked) > 1 else []
    text = " ".join(compose(letter, SHELF).text.split())
    text = text.split("SINCE MY LAST LETTER")[0] + " ".join(text.split("SINCE MY LAST LETTER")[1:]).partition("DO NOT")[2]
    pairs = [*((a, b) for a, b in AGAINST if _said(a, text)), *((a, b) for a, b in ALSO_AGAINST if a in text)]
    return found + [f"{a} / {b}" for a, b in pairs if re.search(b, text)]


@pytest.mark.parametrize("seed", [0, 2, 3, 9, 11, 25, 34, 40, 48])
def test_no_letter_of_random_days_contradicts_itself(seed: int) -> None:
    """In most of these a digest asked for "unplug the heater" beside "30 mm of foam", or for what was asked days before."""
    events = lived(seed)
    letters = [event for event in events if isinstance(event, LetterEvent) and event.sort != "system"]
    assert sum(letter.sort == "digest" for letter in letters) == 3
    assert [(letter.id, fault) for letter in letters for fault in faults(events, letter)] == []
