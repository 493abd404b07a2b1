"""Every face tells one verdict: page, watch, MQTT, overview, alarms and digest over the same streams."""

from __future__ import annotations

import contextlib
import io
import json
import re
import tempfile
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest
import time_machine
from browser import Browser
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from adapters.flock_client import Message
from adapters.outlets import MqttOutlet
from adapters.wording.letter import compose
from daemon.cli import main
from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.desk.live_table import table
from daemon.desk.overview import as_text, sites
from daemon.report.page import page as report_page
from daemon.report.record import read_record
from daemon.report.verdict import GRADES, WORDS, verdicts
from daemon.screen.terminal import Terminal, drawn
from daemon.store.history import History
from daemon.watch.chamber_states import ChamberStates
from daemon.watch.status_page import present_of, status_page
from rules.alarms.alarms import standing
from rules.terms.events import AlarmEvent, Batch, LetterEvent, MediumFault, Reading
from rules.terms.words import Acknowledge, Word
from rules.turn.advance import Advanced, advance, dump_state
from rules.turn.present import present
from rules.turn.verdict import STATES, State, verdict_of

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
BEGIN_MS = 1_768_158_000_000  # 2026-01-12T04:00 in Tokyo, four hours before the digest
NESTS = tuple(f"nest-{number:02}" for number in range(1, 21))


def rack(folder: Path, nests: Sequence[str], digest_at: str = "08:00") -> Path:
    """Write a config of nests in one cellar, and return its path."""
    parts = [
        f'[site]\nname = "rack"\ntime_zone = "Asia/Tokyo"\nstate_folder = "{folder}"\n[room.cellar]',
        '[broker.house]\nhost = "house.example"',
        f'[telling]\ndigest_at = "{digest_at}"\n[outlet.house]\nkind = "mqtt"\nbroker = "house"',
        *(f'[chamber.{name}]\nroom = "cellar"' for name in nests),
        *(_PROBE.format(place=place, minutes=5 if place == "cellar" else 1) for place in ("cellar", *nests)),
    ]
    config = folder / "dewlid.toml"
    config.write_text("\n".join(parts))
    return config


_PROBE = """[probe.{place}-air]
kind = "mqtt-topic"
place = "{place}"
broker = "house"
topics = {{ air_temperature = "{place}/t", relative_humidity = "{place}/h" }}
interval = "{minutes}min"
"""


def lived(
    config: Path, falls_k_h: dict[str, float], hours: int, words: Sequence[Word] = (),
    last: dict[str, tuple[float, int]] | None = None,
) -> Advanced:
    """Live some hours in which nests cool, and record them as the daemon does; `last`: humidity of the last minutes."""
    configuration = load(config)
    shelf, history, readings = settings_of(configuration), History.open(configuration.store, now_ms=BEGIN_MS), []
    for minute in range(hours * 60):
        at_ms, breath = BEGIN_MS + minute * MINUTE_MS, minute % 3 / 50
        if minute % 5 == 0:
            readings.append(Reading(at_ms, "cellar-air", "air_temperature", round(21.0 - minute / 90 + breath, 2), at_ms))
        for name, fall in falls_k_h.items():
            value = 25.0 - fall * max(0, minute - 60) / 60
            readings.append(Reading(at_ms, f"{name}-air", "air_temperature", round(max(value, 12.0) + breath, 2), at_ms))
            damp, minutes = (last or {}).get(name, (80.0, 0))
            humidity = damp if minute >= hours * 60 - minutes else 80.0
            readings.append(Reading(at_ms, f"{name}-air", "relative_humidity", round(humidity + 5 * breath, 2), at_ms))
    state, events, present_ = None, [], {}
    for end_ms in (BEGIN_MS + hours * HOUR_MS // 2, BEGIN_MS + hours * HOUR_MS + 1):
        begin_ms = 0 if state is None else state.closed_ms
        rows = [row for row in readings if begin_ms <= row.taken_ms < end_ms]
        batch = Batch.of(rows, [word for word in words if begin_ms <= word.taken_ms < end_ms])
        done = advance(shelf, state, batch, end_ms)
        history.record(batch, done.events, dump_state(done.state), [])
        state, present_ = done.state, present_ | done.present
        events += done.events
    history.close()
    assert state is not None
    return Advanced(state, events, present_)


def faces(config: Path, done: Advanced) -> dict[str, State]:
    """Return each chamber's state after asserting that every face tells it, and that none is greener than what stands."""
    shelf = settings_of(load(config))
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
    assert shown_on(page) == {name: (GRADES[one], WORDS[one]) for name, one in found.items()}
    record = read_record(load(config).store, shelf, now_ms, 2 * HOUR_MS)
    assert shown_on(report_page(record)) == shown_on(page)
    terminal = Terminal(120, 200, colour=False, unicode=True, live=False)
    rows = [drawn(line, terminal) for line in table(record, terminal)]
    for name, one in found.items():
        assert any(re.match(rf"{name} +{WORDS[one]} ", row) for row in rows), (name, one, rows[:30])
    assert said("alarms", config, now_ms).startswith(f"{WORDS[min(found.values(), key=STATES.index)]}. ")
    assert json.loads(said("alarms", config, now_ms, "--json"))["verdicts"] == found
    owed = ChamberStates().owed(shelf, done, {"house": MqttOutlet(kind="mqtt", broker="house")}, set(), now_ms)
    published = {json.loads(one.payload)["chamber"]: json.loads(one.payload)["verdict"] for one in owed}
    assert published == found
    got = {f"dewlid/rack/{one.topic}": one.payload.encode() for one in owed} | {"dewlid/rack/watching": b"yes"}
    messages = {topic: Message(topic, payload, retained=True) for topic, payload in got.items()}
    overview = as_text(sites(messages, "dewlid"), datetime.fromtimestamp(now_ms / 1000, UTC))
    unwell = sum(one != "well" for one in found.values())
    assert ("all is well" in overview) == (unwell == 0)
    assert unwell == 0 or f"{unwell} chamber{'s' if unwell > 1 else ''} not well" in overview
    for digest in (one for one in done.events if isinstance(one, LetterEvent) and one.sort == "digest"):
        if digest.at_ms == now_ms - 1:
            assert compose(digest, shelf).subject.startswith("All is well") == (unwell == 0), digest
    return found


def shown_on(page: str) -> dict[str, tuple[str, str]]:
    """Return each chamber's colour and word, as its card or its line shows them."""
    parts = re.split(r'<(?:article class="card|li class="line) ', page)[1:]
    found = {}
    for part in parts:
        grade, word = re.match(r'(\w+)"><span class="flag">.*?</svg>([^<]+)<', part).groups()  # type: ignore[union-attr]
        names = re.findall(r'(?:class="headline">|<b>(?:<a [^>]*>)?)(nest-\d\d)<', part.split("</section>")[0])
        found |= dict.fromkeys(names, (grade, word))
    return found


def said(command: str, config: Path, now_ms: int, *more: str) -> str:
    """Return what a command prints, run at an instant."""
    with time_machine.travel((now_ms + 100) / 1000, tick=False), contextlib.redirect_stdout(io.StringIO()) as told:
        assert main([command, "--config", str(config), *more]) == 0
    return told.getvalue()


def test_no_nest_of_a_cooling_room_is_green(tmp_path: Path) -> None:
    """The reproduced rack: 19 of 20 nests with a standing alarm were shown as well, and the digest said "1 still stands"."""
    config = rack(tmp_path, NESTS)
    done = lived(config, {name: 0.9 + number / 100 for number, name in enumerate(NESTS)}, 5)
    assert all(one != "well" for one in faces(config, done).values())
    digest = [one for one in done.events if isinstance(one, LetterEvent) and one.sort == "digest"][-1]
    count = len([one for one in digest.about if one.kind == "alarm" and one.open])
    assert count >= len(NESTS)
    told = compose(digest, settings_of(load(config)))
    assert f"cellar: something stands in {len(NESTS)} of {len(NESTS)} chambers." in told.text
    now = [line[2:9] for line in told.text.split("HOW IT IS NOW")[1].splitlines() if line.startswith("- nest-")]
    assert now == list(dict.fromkeys(one.chamber for one in digest.about if one.kind == "alarm" and one.open))
    assert told.subject == f"{count} still stand: rack"


def test_a_letter_of_twenty_cooling_nests_names_each_once_and_is_answered_for_all(tmp_path: Path) -> None:
    config = rack(tmp_path, NESTS)
    shelf = settings_of(load(config))
    done = lived(config, {name: 1.2 + number / 100 for number, name in enumerate(NESTS)}, 6)
    letters = [one for one in done.events if isinstance(one, LetterEvent) and one.sort == "situation" and one.to == "keeper"]
    assert {one.chamber for one in letters} == {"cellar"}
    told = max((compose(one, shelf).text for one in letters), key=len)
    happening, now, answers = (" ".join(told.split(title)[1].split("\n\n")[0].split()) for title in
                               ("WHAT IS HAPPENING", "HOW IT IS NOW", "YOUR ANSWER"))  # fmt: skip
    line = next(one for one in happening.split(". ") if one.startswith("Too cool at"))
    assert sorted(re.findall(r"nest-\d\d", line)) == sorted(NESTS)
    assert now.startswith("- 20 chambers: ")
    assert "nest-" not in now
    assert "dewlid ack cellar" in answers
    first = " ".join(told.split("WHAT IS HAPPENING")[0].split())
    assert "then the other 16" in first


def test_twenty_are_seen_at_a_glance(tmp_path: Path) -> None:
    """The worst first, a card for what wants something, those that want the same in one, a line for each quiet nest; the
    report of a week on seven sheets of paper."""
    config = rack(tmp_path, NESTS)
    done = lived(config, {name: 1.5 + number / 100 if number in (4, 9) else 0.0 for number, name in enumerate(NESTS)}, 4)
    shelf, now_ms = settings_of(load(config)), done.state.closed_ms
    page = status_page(present_of(shelf, done.state, now_ms))
    assert re.findall(r"<h2>([^<]+)</h2>", page)[0].startswith("cellar, 18.")
    assert page.count('<article class="card ') < page.count('<li class="line well">')
    named = list(dict.fromkeys(re.findall(r"nest-\d\d", page.split("<main")[1])))
    assert named[:2] == ["nest-10", "nest-05"]
    record = read_record(load(config).store, shelf, now_ms, 7 * 24 * HOUR_MS)
    (tmp_path / "report.html").write_text(report_page(record))
    assert Browser(tmp_path).sheets(tmp_path / "report.html") <= 7
    terminal = Terminal(120, 200, colour=False, unicode=True, live=False)
    rows = [drawn(line, terminal) for line in table(record, terminal)]
    assert [row[:7] for row in rows if re.match(r"nest-\d\d +(Act|Watch|Well)", row)][:2] == ["nest-10", "nest-05"]
    assert any(row.startswith("cellar, 18.") for row in rows)


def test_what_is_seen_is_not_asked_for_again(tmp_path: Path) -> None:
    unseen, seen = (tmp_path / name for name in ("unseen", "seen"))
    unseen.mkdir()
    seen.mkdir()
    falls = {NESTS[0]: 1.0}
    before = faces(rack(unseen, NESTS[:1]), lived(rack(unseen, NESTS[:1]), falls, 4))
    words: list[Word] = [
        Acknowledge(taken_ms=BEGIN_MS + 4 * HOUR_MS - MINUTE_MS, word_id=f"w{alarm}", chamber=NESTS[0], alarm=alarm)
        for alarm in ("temperature-low", "lid-dew", "heater-failed", "lid-drip-tonight", "temperature-leaving")
    ]
    after = faces(rack(seen, NESTS[:1]), lived(rack(seen, NESTS[:1]), falls, 4, words))
    assert before[NESTS[0]] in ("act-now", "act-today", "watch")
    assert after[NESTS[0]] == "seen"


@pytest.mark.parametrize(
    ("humidity_pct", "minutes", "what", "lasts"),
    [
        (96.0, 5, "too humid", "4 minutes"),  # a wet lid too, where the film of the next hour is more than a haze
        (99.5, 5, "too humid and lid is wet", "4 minutes"),
        (64.0, 7, "too dry", "6 minutes"),
    ],
)
def test_what_has_left_its_band_is_to_be_watched_before_it_is_an_alarm(
    tmp_path: Path, humidity_pct: float, minutes: int, what: str, lasts: str
) -> None:
    config = rack(tmp_path, NESTS[:2], "06:00")  # the digest is written in the last instant
    done = lived(config, dict.fromkeys(NESTS[:2], 0.0), 2, last={NESTS[0]: (humidity_pct, minutes)})
    assert [one for one in done.events if isinstance(one, AlarmEvent)] == []
    assert faces(config, done) == {NESTS[0]: "watch", NESTS[1]: "well"}
    page = status_page(present_of(settings_of(load(config)), done.state, done.state.closed_ms))
    assert f"{NESTS[0]} wants watching: {what} for {lasts}. It is an alarm when it lasts." in page
    (digest,) = (one for one in done.events if isinstance(one, LetterEvent) and one.sort == "digest")
    told = compose(digest, settings_of(load(config)))
    assert told.subject == "1 to watch, nothing stands: rack"
    assert f"{NESTS[0]} ({what})" in " ".join(told.text.split())


def test_no_nest_is_well_whose_line_has_just_gone_down(tmp_path: Path) -> None:
    """Its last reading is half a minute old and in band; no face may call it well beside a line that is down."""
    config = rack(tmp_path, NESTS[:2])
    down = MediumFault(BEGIN_MS + 2 * HOUR_MS - MINUTE_MS // 2, "broker house", True, "connection refused")
    done = lived(config, dict.fromkeys(NESTS[:2], 0.0), 2, [down])
    assert faces(config, done) == dict.fromkeys(NESTS[:2], "not-seen")
    listed = said("alarms", config, done.state.closed_ms)
    assert "is well" not in listed and "All others are well" not in listed
    assert f"{NESTS[0]} cannot be seen: a line or broker is down." in listed
    assert "The broker house is down" in listed


@given(
    st.lists(st.floats(-0.2, 4.0), min_size=2, max_size=4), st.integers(2, 8), st.booleans(),
    st.tuples(st.floats(40.0, 99.0), st.integers(0, 90)),
)  # fmt: skip
@settings(max_examples=8, deadline=None, phases=[Phase.explicit, Phase.generate])
def test_all_faces_tell_the_same(
    falls_k_h: list[float], hours: int, acknowledged: bool, last: tuple[float, int]
) -> None:
    nests = NESTS[: len(falls_k_h)]
    words: list[Word] = []
    if acknowledged:
        words = [
            Acknowledge(taken_ms=said_ms, word_id=name, chamber=name, alarm="temperature-low")
            for name in nests
            for said_ms in [BEGIN_MS + hours * HOUR_MS - 20 * MINUTE_MS]
        ]
    with tempfile.TemporaryDirectory() as folder:
        config = rack(Path(folder), nests, f"{4 + hours:02}:00")  # the digest is written in the last instant
        faces(config, lived(config, dict(zip(nests, falls_k_h, strict=True)), hours, words, {nests[-1]: last}))
