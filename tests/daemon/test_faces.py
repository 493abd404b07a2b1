"""Every face tells one verdict: page, watch, MQTT, overview, alarms and digest over the same streams."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from datetime import UTC, datetime

from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from adapters.flock_client import Message
from adapters.outlets import MqttOutlet
from adapters.wording.letter import compose
from daemon.desk.live_table import table
from daemon.desk.overview import as_text, sites
from daemon.report.record import Record
from daemon.report.verdict import GRADES, WORDS, verdicts
from daemon.screen.terminal import Terminal, drawn
from daemon.watch.chamber_states import ChamberStates
from daemon.watch.status_page import present_of, status_page
from rules.alarms.alarms import standing
from rules.settings import Settings
from rules.terms.events import Batch, LetterEvent, Reading
from rules.terms.words import Acknowledge, Word
from rules.turn.advance import Advanced, advance
from rules.turn.present import present
from rules.turn.verdict import State, verdict_of

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
BEGIN_MS = 1_768_158_000_000  # 2026-01-11T19:00:00Z
NESTS = tuple(f"nest-{number:02}" for number in range(1, 21))


def rack(nests: tuple[str, ...]) -> Settings:
    return Settings.model_validate({
        "site": {"name": "rack"}, "zone": UTC, "rooms": {"cellar": {}}, "telling": {},
        "chambers": {name: {"room": "cellar"} for name in nests},
        "probes": {
            "cellar-air": {"place": "cellar", "interval": "5min"},
            **{f"{name}-air": {"place": name, "interval": "1min"} for name in nests},
        },
    })  # fmt: skip


def lived(shelf: Settings, falls_k_h: dict[str, float], hours: int, words: Sequence[Word] = ()) -> Advanced:
    readings = []
    for minute in range(hours * 60):
        at_ms, breath = BEGIN_MS + minute * MINUTE_MS, minute % 3 / 50
        if minute % 5 == 0:
            readings.append(Reading(at_ms, "cellar-air", "air_temperature", round(21.0 - minute / 90 + breath, 2), at_ms))
        for name, fall in falls_k_h.items():
            value = 25.0 - fall * max(0, minute - 60) / 60
            readings.append(Reading(at_ms, f"{name}-air", "air_temperature", round(max(value, 12.0) + breath, 2), at_ms))
            readings.append(Reading(at_ms, f"{name}-air", "relative_humidity", round(80.0 + 5 * breath, 2), at_ms))
    state, events, present_ = None, [], {}
    for end_ms in (BEGIN_MS + hours * HOUR_MS // 2, BEGIN_MS + hours * HOUR_MS):
        begin_ms = 0 if state is None else state.closed_ms
        rows = [row for row in readings if begin_ms <= row.taken_ms < end_ms]
        done = advance(shelf, state, Batch.of(rows, [word for word in words if begin_ms <= word.taken_ms < end_ms]), end_ms)
        state, present_ = done.state, present_ | done.present
        events += done.events
    assert state is not None
    return Advanced(state, events, present_)


def faces(shelf: Settings, done: Advanced) -> dict[str, State]:
    """Return each chamber's state after asserting that every face tells it, and that none is greener than what stands."""
    state, now_ms = done.state, done.state.closed_ms
    found = {name: verdict_of(shelf, state, name).state for name in shelf.chambers}
    for name in shelf.chambers:
        worst = [one for one in standing(state.alarms, name).values() if one.open]
        assert not (worst and found[name] == "well"), name
        harm = any(one.level == "harmful" and not one.acknowledged for one in worst)
        assert not harm or GRADES[found[name]] != "well"
    told = {one.chamber: one.state for one in verdicts(shelf, state, present(shelf, state), now_ms, late=False)}
    assert told == found
    page = status_page(present_of(shelf, state, now_ms))
    cards = re.findall(r'<article class="card (\w+)">.*?</svg>\s*([^<]+?)\s*<.*?class="headline">([^<]+)<', page, re.DOTALL)
    assert {title: (grade, word) for grade, word, title in cards} == {n: (GRADES[s], WORDS[s]) for n, s in found.items()}
    record = Record(
        settings=shelf, state=state, situations=present(shelf, state), since_ms=0, until_ms=now_ms, now_ms=now_ms,
        newest_ms=now_ms, chambers=tuple(shelf.chambers), curves={}, events=(), alarm_events=(),
    )  # fmt: skip
    terminal = Terminal(120, 200, colour=False, unicode=True, live=False)
    rows = [drawn(line, terminal) for line in table(record, terminal)]
    for name, one in found.items():
        assert any(re.match(rf"{name} +{WORDS[one]} ", row) for row in rows), (name, one, rows[:30])
    owed = ChamberStates().owed(shelf, done, {"house": MqttOutlet(kind="mqtt", broker="house")}, set(), now_ms)
    published = {json.loads(one.payload)["chamber"]: json.loads(one.payload)["verdict"] for one in owed}
    assert published == found
    got = {f"dewlid/rack/{one.topic}": one.payload.encode() for one in owed} | {"dewlid/rack/watching": b"yes"}
    messages = {topic: Message(topic, payload, retained=True) for topic, payload in got.items()}
    overview = as_text(sites(messages, "dewlid"), datetime.fromtimestamp(now_ms / 1000, UTC))
    unwell = sum(one != "well" for one in found.values())
    assert ("all is well" in overview) == (unwell == 0)
    assert unwell == 0 or f"{unwell} chamber{'s' if unwell > 1 else ''} not well" in overview
    return found


def test_no_nest_of_a_cooling_room_is_green() -> None:
    """The reproduced rack: 19 of 20 nests with a standing alarm were shown as well, and the digest said "1 still stands"."""
    shelf = rack(NESTS)
    done = lived(shelf, {name: 0.9 + number / 100 for number, name in enumerate(NESTS)}, 14)
    assert all(one != "well" for one in faces(shelf, done).values())
    digest = [one for one in done.events if isinstance(one, LetterEvent) and one.sort == "digest"][-1]
    count = len([one for one in digest.about if one.kind == "alarm" and one.open])
    assert count >= len(NESTS)
    assert compose(digest, shelf).subject == f"{count} still stand: rack"


def test_what_is_seen_is_not_asked_for_again() -> None:
    shelf = rack(NESTS[:1])
    falls = {NESTS[0]: 1.0}
    before = faces(shelf, lived(shelf, falls, 4))
    words: list[Word] = [
        Acknowledge(taken_ms=BEGIN_MS + 4 * HOUR_MS - MINUTE_MS, word_id=f"w{alarm}", chamber=NESTS[0], alarm=alarm)
        for alarm in ("temperature-low", "lid-dew", "heater-failed", "lid-drip-tonight", "temperature-leaving")
    ]
    after = faces(shelf, lived(shelf, falls, 4, words))
    assert before[NESTS[0]] in ("act-now", "act-today", "watch")
    assert after[NESTS[0]] == "seen"


@given(st.lists(st.floats(-0.2, 4.0), min_size=2, max_size=4), st.integers(2, 8), st.booleans())
@settings(max_examples=8, deadline=None, phases=[Phase.explicit, Phase.generate])
def test_all_faces_tell_the_same(falls_k_h: list[float], hours: int, acknowledged: bool) -> None:
    nests = NESTS[: len(falls_k_h)]
    words: list[Word] = []
    if acknowledged:
        words = [
            Acknowledge(taken_ms=said_ms, word_id=name, chamber=name, alarm="temperature-low")
            for name in nests
            for said_ms in [BEGIN_MS + hours * HOUR_MS - 20 * MINUTE_MS]
        ]
    shelf = rack(nests)
    faces(shelf, lived(shelf, dict(zip(nests, falls_k_h, strict=True)), hours, words))
