"""The console outlet: lines and letters for a human, free of what could steer a terminal."""

import fcntl
import io
import json
import os
import re
import struct
import termios
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from pydantic import ValidationError

from adapters.errors import OutletUnreachable
from adapters.outlets import ConsoleOutlet
from adapters.outlets.console import ConsolePrinter
from adapters.outlets.outlet import Owed
from rules.settings import Chamber, Probe, Settings, Site, Telling
from rules.terms.advised import Action
from rules.terms.events import AdviceEvent, AlarmEvent, CareEvent, LetterEvent, QualityEvent, SystemEvent, WordEvent

NOW = 1_764_036_600_000
WATCH = Settings(
    site=Site(name="Fungus shelf"), zone=ZoneInfo("Europe/Berlin"), rooms={}, chambers={"big-nest": Chamber(title="Big nest")},
    probes={"air-1": Probe(place="big-nest")}, telling=Telling(),
)  # fmt: skip
COMMON = {"at_ms": NOW, "chamber": "big-nest"}


def alarm(change="raised", condition="active", value=29.4):
    return AlarmEvent(
        id="a1", alarm="temperature-high", change=change, condition=condition, level="outside", acknowledged=False,
        suppression="none", occurrence=1, priority="today", value=value, limit=28.0, unit="degC", since_ms=NOW - 1_200_000,
        **COMMON,
    )  # fmt: skip


ADVICE = AdviceEvent(
    id="v1", advisory="v1", status="given", device="heater", change="less", amount=1.5, unit="K", reason="It is 29.4 °C.",
    actions=(Action("heater", "less", 1.5, "K", "Turn the heat down by 1.5 K"),), **COMMON,
)  # fmt: skip
EVENTS = [
    (alarm(), "ALARM  Big nest is too warm: 29.4 °C (limit 28.0 °C), since 02:50 CET."),
    (alarm("acknowledged"), "ALARM  Seen: Big nest is too warm: 29.4 °C (limit 28.0 °C), since 02:50 CET."),
    (
        alarm("returned", "normal", 27.0),
        "ALARM over  Big nest is no longer too warm: 27.0 °C. It began at 02:50 CET and lasted 20 minutes.",
    ),
    (
        replace(alarm(value=None), kind="question", alarm="lid-unsure", limit=None, unit=None),
        "QUESTION  Big nest: whether its lid is wet cannot be told from here, since 02:50 CET.",
    ),
    (
        replace(alarm("returned", "normal", None), kind="question", alarm="lid-unsure", limit=None, unit=None),
        "QUESTION over  Big nest: “lid is not known” is over. It began at 02:50 CET and lasted 20 minutes.",
    ),
    (ADVICE, "ADVICE  Big nest: Turn the heat down by 1.5 °C. Why: It is 29.4 °C."),
    (
        QualityEvent(id="q", probe="air-1", quantity="air_temperature", test="flat-line", flag="suspect", ne107="ok", **COMMON),
        "PROBE  The air temperature of the probe air-1 is doubtful: it has not moved at all for too long.",
    ),
    (
        WordEvent(id="w", word="shelve", accepted=False, text="no such alarm", **COMMON),
        "WORD  Big nest: Refused: no such alarm",
    ),
    (
        CareEvent(id="c", task="feed", status="due", due_ms=NOW, text="Give leaves", **COMMON),
        "CARE  Big nest: Give leaves",
    ),
    (
        SystemEvent(id="s", what="gap", text="Was off\nfor an hour", **(COMMON | {"chamber": None})),
        "SYSTEM  Was off for an hour",
    ),
]


def printed(event, **settings):
    stream = io.StringIO()
    outlet = ConsolePrinter(ConsoleOutlet(kind="console", **settings), WATCH, stream)
    payload = json.dumps(event.as_json())
    outlet.send(Owed(outlet="console", event_id=event.id, kind=event.kind, payload=payload, made_ms=NOW))
    return stream.getvalue()


@pytest.mark.parametrize(("event", "said"), EVENTS, ids=lambda value: getattr(value, "kind", None))
def test_each_kind_of_event_is_one_readable_line(event, said):
    assert printed(event) == f"2025-11-25 03:10 CET  {said}\n"


def test_on_a_terminal_a_line_is_broken_between_words():
    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 48, 0, 0))
    with open(theirs, "w") as stream:  # noqa: PTH123
        event = alarm()
        owed = Owed(outlet="c", event_id="a", kind="alarm", payload=json.dumps(event.as_json()), made_ms=NOW)
        ConsolePrinter(ConsoleOutlet(kind="console"), WATCH, stream).send(owed)
        rows = os.read(ours, 4096).decode().splitlines()
    os.close(ours)
    assert max(len(row) for row in rows) <= 48
    assert " ".join(row.strip() for row in rows) == f"2025-11-25 03:10 CET  {EVENTS[0][1]}"


def test_a_letter_is_shown_as_it_would_be_mailed():
    letter = LetterEvent(
        id="l.1",
        sort="situation",
        thread="l",
        ordinal=1,
        to="keeper",
        urgent=True,
        about=(alarm(), ADVICE),
        **COMMON,
    )
    shown = printed(letter)
    assert shown.startswith("\n=== URGENT: turn the heat down: Big nest, too warm ===\n\nDO THIS FIRST\n")
    assert "DO THIS FIRST\nTurn the heat down by 1.5 °C.\n" in shown


def test_nothing_that_steers_a_terminal_is_written():
    evil = "\x1b[2J\x07\x9b31m\u202e" + "\n<0>forged line"
    shown = printed(SystemEvent(id="s", what="x", text=evil, **COMMON))
    assert shown.count("\n") == 1
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e]", shown)


def test_a_reader_that_has_gone_makes_it_unreachable():
    near, far = os.pipe()
    os.close(near)
    stream = open(far, "w")  # noqa: PTH123, SIM115
    outlet = ConsolePrinter(ConsoleOutlet(kind="console"), WATCH, stream)
    event = alarm()
    with pytest.raises(OutletUnreachable, match="nobody reads it"):
        outlet.send(Owed(outlet="c", event_id="a", kind="alarm", payload=json.dumps(event.as_json()), made_ms=NOW))
    with pytest.raises(BrokenPipeError):
        stream.close()


def test_what_is_told_is_chosen_from_the_kinds_that_there_are():
    with pytest.raises(ValidationError):
        ConsoleOutlet(kind="console", tell=["nonsense"])
