"""Whoever has done all that was asked and is called again is told a step, or that nothing here helps further and what would.

The air follows a course of its own, whatever the keeper does: the case in which every step is in vain.
"""

from __future__ import annotations

from datetime import UTC
from math import exp
from random import Random

import pytest

from adapters.wording.letter import compose
from rules.settings import Chamber, Devices, Garden, Heater, Probe, Room, Settings, Site, Telling, Vents
from rules.terms.events import MINUTE_MS, AdviceEvent, AlarmEvent, Batch, LetterEvent, Reading
from rules.terms.words import AdviceDone
from rules.trade.alarm_kinds import ALARMS
from rules.trade.emergencies import LAST_HELP
from rules.turn.advance import advance

DAWN_MS = 1_783_576_800_000  # 2026-07-09T06:00:00Z
HOURS = 36
ASKS = ("given", "updated", "reminded")
SHELF = Settings(
    site=Site(), zone=UTC, rooms={"attic": Room()}, telling=Telling(),
    chambers={"nest": Chamber(
        room="attic", garden=Garden(volume_ml=150.0), devices=Devices(heater=Heater(setpoint_c=25.0), vents=Vents(count=2)),
    )},
    probes={"air": Probe(place="nest", interval="5min"), "attic-air": Probe(place="attic", interval="5min")},
)  # fmt: skip
WAYS = {  # from 25.3 degC and 82 %RH to this within hours, in a room of this
    "heat wave": (30.8, 84.0, 33.0), "hotter": (33.5, 80.0, 34.0), "cold": (14.5, 82.0, 13.0), "dry": (26.0, 46.0, 24.0),
}


def letters_of(way: str) -> list[LetterEvent]:
    """Return all letters of a box that goes its way though its keeper says of each step, a quarter of an hour later, that it
    is done."""
    (end_c, end_pct, room_c), draw = WAYS[way], Random(way)
    state, letters, due = None, list[LetterEvent](), list[AdviceDone]()
    for quarter in range(HOURS * 4):
        rows = []
        for minute in range(quarter * 15, quarter * 15 + 15, 5):
            at_ms, share = DAWN_MS + minute * MINUTE_MS, 1.0 - exp(-max(minute - 120, 0) / 300.0)
            for probe, quantity, value in (
                ("air", "air_temperature", 25.3 + share * (end_c - 25.3) + draw.gauss(0.0, 0.03)),
                ("air", "relative_humidity", 82.0 + share * (end_pct - 82.0) + draw.gauss(0.0, 0.2)),
                ("attic-air", "air_temperature", 24.0 + share * (room_c - 24.0) + draw.gauss(0.0, 0.03)),
            ):
                rows.append(Reading(at_ms, probe, quantity, round(value, 2), at_ms))
        until_ms = DAWN_MS + (quarter + 1) * 15 * MINUTE_MS
        done = advance(SHELF, state, Batch.of(rows, due), until_ms)
        state, due = done.state, []
        for letter in (one for one in done.events if isinstance(one, LetterEvent) and one.sort != "system"):
            letters.append(letter)
            asked = {one.advisory for one in letter.about if isinstance(one, AdviceEvent) and one.status in ASKS}
            due += [AdviceDone(taken_ms=until_ms, word_id=f"{letter.id}{one}", advisory=one) for one in sorted(asked)]
    return letters


@pytest.mark.parametrize("way", WAYS)
def test_who_did_all_that_was_asked_is_told_what_is_left(way: str) -> None:
    urgent = [letter for letter in letters_of(way) if letter.urgent]
    bare = [letter for letter in urgent if not any(
        isinstance(one, AdviceEvent) and one.status in ASKS and any(action.change != "hold" for action in one.actions)
        for one in letter.about
    )]  # fmt: skip
    assert urgent
    for letter in bare:
        text = " ".join(compose(letter, SHELF).text.split())
        harms = {ALARMS[one.alarm].harm for one in letter.about if isinstance(one, AlarmEvent)}
        assert any(LAST_HELP[harm] in text for harm in harms if harm in LAST_HELP), text
        assert letter.sort == "digest" or "You said at" in text or "the keeper said at" in text, text
        assert letter.sort == "digest" or "Do it now." in text, text


def test_heat_that_no_step_stops_leads_to_the_cool_pack_and_then_to_a_cooler_room() -> None:
    steps = [
        action.text for letter in letters_of("heat wave") for one in letter.about
        if isinstance(one, AdviceEvent) and one.status in ASKS for action in one.actions
    ]  # fmt: skip
    found = [next((n for n, text in enumerate(steps) if text.startswith(start)), None) for start in (
        "Cool or shade the room", "Stand a cool pack", "Carry the box to the coolest room",
    )]  # fmt: skip
    assert None not in found and found == sorted(found, key=lambda n: n or 0), steps
