"""A letter never carries advice from before an alarm that it tells of, where that alarm calls for something else."""

from __future__ import annotations

from datetime import UTC
from math import sin

from hypothesis import Phase, assume, example, given, settings
from hypothesis import strategies as st

from rules.settings import Chamber, Devices, Fan, Garden, Heater, Mister, Probe, Room, Settings, Site, Telling, Vents
from rules.terms.advised import Action
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, Batch, LetterEvent, Reading
from rules.terms.words import AdviceDone, Visit
from rules.turn.advance import advance

NO_SHRINK = (Phase.explicit, Phase.generate)
NOON_MS = 1_770_033_600_000
HOURS = 8
CALLS_FOR_SOMETHING_ELSE = {
    "heater-failed": {"heater less", "heater stop", "fan more"},
    "temperature-low": {"heater less", "heater stop", "fan more"},
    "temperature-high": {"heater more", "lid insulate"},
    "heater-runaway": {"heater more", "lid insulate"},
    "humidity-low": {"mister less", "mister stop", "water less", "fan more", "vent open"},
    "humidity-high": {"mister more", "water more"},
    "mister-stuck": {"mister more", "water more"},
    "lid-open": {"mister more", "heater more"},
}
WATCH = Settings(
    site=Site(), zone=UTC, rooms={"study": Room()}, telling=Telling(),
    chambers={"north": Chamber(
        room="study", garden=Garden(volume_ml=500.0),
        devices=Devices(
            heater=Heater(setpoint_c=26.0), mister=Mister(ml_per_day=2.0), fan=Fan(minutes_per_hour=1.0),
            vents=Vents(count=3, open=1),
        ),
    )},
    probes={"inside": Probe(place="north", interval=2 * MINUTE_MS), "outside": Probe(place="study", interval=2 * MINUTE_MS)},
)  # fmt: skip

warmths = st.lists(st.floats(19.0, 33.0), min_size=HOURS + 1, max_size=HOURS + 1)
dampness = st.lists(st.floats(50.0, 98.0), min_size=HOURS + 1, max_size=HOURS + 1)
rooms = st.floats(12.0, 24.0)
dones = st.lists(st.tuples(st.integers(1, HOURS * 60 - 1), st.integers(1, 4)), max_size=3, unique_by=lambda pair: pair[0])
visits = st.none() | st.integers(30, HOURS * 60 - 60)


def course_readings(warmth: list[float], damp: list[float], room_c: float) -> list[Reading]:
    out = []
    for minute in range(0, HOURS * 60, 2):
        hour, share = divmod(minute / 60.0, 1.0)
        place, wiggle, at_ms = int(hour), 0.04 * sin(minute * 2.4), NOON_MS + minute * MINUTE_MS
        t = warmth[place] + share * (warmth[place + 1] - warmth[place]) + wiggle
        rh = damp[place] + share * (damp[place + 1] - damp[place]) + 4 * wiggle
        for probe, c, pct in (("inside", t, rh), ("outside", room_c + wiggle, 45.0 + 4 * wiggle)):
            out.append(Reading(at_ms, probe, "air_temperature", round(c, 2), at_ms))
            out.append(Reading(at_ms, probe, "relative_humidity", round(pct, 2), at_ms))
    return out


def airs_in_an_emergency(advice: AdviceEvent, action: Action) -> bool:
    """Whether this is the airing that harmful heat asks for although it dries: urgent, and of no amount."""
    airs = f"{action.device} {action.change}" in ("fan more", "vent open")
    return airs and advice.urgency == "wake" and all(one.amount is None for one in advice.actions)


def contradictions(letter: LetterEvent) -> list[str]:
    """Return each pair of a standing alarm and an older advice in this letter that the alarm speaks against."""
    stands = [
        event for event in letter.about
        if event.kind == "alarm" and event.condition == "active" and event.suppression == "none"
    ]
    hot = any(event.alarm == "temperature-high" and event.level == "harmful" for event in stands)
    advice = [
        event for event in letter.about if event.kind == "advice" and event.status in ("given", "updated", "reminded")
    ]
    return [
        f"{alarm.alarm} since {alarm.since_ms}, beside {action.device} {action.change} of {event.at_ms}"
        for alarm in stands for event in advice for action in event.actions
        if event.at_ms < (alarm.since_ms or alarm.at_ms)
        and f"{action.device} {action.change}" in CALLS_FOR_SOMETHING_ELSE.get(alarm.alarm, set())
        and not (hot and alarm.alarm == "humidity-low" and airs_in_an_emergency(event, action))
    ]


def letters_of(warmth, damp, room_c, done, visit) -> list[LetterEvent]:
    words = [
        AdviceDone(taken_ms=NOON_MS + minute * MINUTE_MS, word_id=f"d{minute}", advisory=f"north-{number}")
        for minute, number in done
    ]
    if visit is not None:
        words.append(Visit(taken_ms=NOON_MS + visit * MINUTE_MS, word_id="v", chamber="north", for_ms=HOUR_MS))
    batch = Batch.of(course_readings(warmth, damp, room_c), sorted(words, key=lambda word: word.taken_ms))
    return [
        event for event in advance(WATCH, None, batch, NOON_MS + HOURS * HOUR_MS).events
        if isinstance(event, LetterEvent) and event.sort != "system"
    ]


FANNED_THEN_DRY = ([19.0] * 7 + [30.0, 19.0], [50.0] * 6 + [78.0, 67.0, 50.0], 12.0, [], None)
"""Found by chance: advised to run the fan, dry a quarter of an hour later, and both in one letter."""


@example(*FANNED_THEN_DRY)
@settings(max_examples=40, derandomize=True, phases=NO_SHRINK)
@given(warmths, dampness, rooms, dones, visits)
def test_no_letter_carries_advice_that_a_newer_alarm_in_it_speaks_against(warmth, damp, room_c, done, visit):
    letters = letters_of(warmth, damp, room_c, done, visit)
    assume(any(event.kind == "advice" for letter in letters for event in letter.about))
    assert [text for letter in letters for text in contradictions(letter)] == []
