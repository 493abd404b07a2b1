"""What holds for alarms and letters over any stream of changes and words, however it is cut and stored in between."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st
from keeper_course import pieces
from pydantic import TypeAdapter

from rules.alarms.alarms import follow, standing
from rules.alarms.state import AlarmsState
from rules.keeper.state import KeeperState
from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.telling.quiet_hours import local, quiet_until_ms
from rules.telling.state import TellingState
from rules.telling.telling import tell
from rules.terms.condition_changes import ConditionChange
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, AdviceEvent, AlarmEvent, CareEvent, LetterEvent, News, SystemEvent
from rules.terms.words import Acknowledge, Away, GardenSize, OutOfService, Shelve, Unshelve, Visit
from rules.trade.alarm_kinds import ALARMS

START_MS = 1_774_500_000_000  # 26 March 2026, three days before clocks change in Berlin
ORIGIN = "o"
WATCH = Settings(
    site=Site(),
    zone=ZoneInfo("Europe/Berlin"),
    rooms={"study": Room()},
    chambers={"left": Chamber(room="study"), "right": Chamber(room="study"), "far": Chamber()},
    probes={"dry-end": Probe(place="left"), "wet-end": Probe(place="right")},
    telling=Telling(latch=["harmful", "drip"]),
)
DAILY = WATCH.model_copy(update={"telling": Telling(latch=["harmful", "drip"], weekly_digest=None)})
ALARMS_STATE = TypeAdapter(AlarmsState)
TELLING_STATE = TypeAdapter(TellingState)
TO = ("active", "harmful", "eased", "recovering", "relapsed", "normal", "held", "resumed", "unknown", "seen")
CLIMATE = ("temperature-high", "temperature-low", "humidity-low", "lid-dew", "lid-open", "heater-runaway", "humidity-leaving")


def _whose(draw: st.DrawFn) -> dict[str, object]:
    kind = draw(st.integers(0, 9))
    if kind == 0:
        return {"chamber": "left", "alarm": "probe-stale", "probe": "dry-end"}
    if kind == 1:
        return {"chamber": None, "alarm": "medium-down", "probe": None}
    return {"chamber": draw(st.sampled_from(("left", "right", "far"))), "alarm": draw(st.sampled_from(CLIMATE)), "probe": None}


@st.composite
def _change(draw: st.DrawFn, at_ms: int) -> ConditionChange:
    whose = _whose(draw)
    medium = {"medium-down": "broker", "probe-stale": "broker"}.get(str(whose["alarm"]))
    return ConditionChange(
        at_ms=at_ms, to=draw(st.sampled_from(TO)), level=draw(st.sampled_from((None, "outside", "harmful"))), limit=28.0,
        value=draw(st.sampled_from((None, 28.5, 33.0))), seconds_left=draw(st.sampled_from((None, 600.0, 20_000.0))),
        config=draw(st.integers(0, 9)) == 0, medium=medium, **whose,
    )


@st.composite
def _word(draw: st.DrawFn, at_ms: int, number: int) -> object:
    said = {"taken_ms": at_ms, "word_id": f"w{number}"}
    whose = _whose(draw)
    for_ms = draw(st.sampled_from((MINUTE_MS, 20 * MINUTE_MS, HOUR_MS, 5 * HOUR_MS)))
    chamber = draw(st.sampled_from(("left", "right", "far")))
    return draw(st.sampled_from((
        Acknowledge(**said, **whose, occurrence=draw(st.sampled_from((None, 1, 2)))),
        Acknowledge(**said, **whose),
        Shelve(**said, **whose, for_ms=for_ms),
        Unshelve(**said, **whose),
        OutOfService(**said, probe="dry-end", for_ms=draw(st.sampled_from((0, for_ms)))),
        Visit(**said, chamber=chamber, for_ms=min(for_ms, 4 * HOUR_MS)),
        Away(**said, from_ms=at_ms + draw(st.sampled_from((-HOUR_MS, 0, HOUR_MS))), to_ms=at_ms + for_ms),
        GardenSize(**said, chamber=chamber, at_ms=at_ms, garden_ml=draw(st.sampled_from((10.0, 100.0, 5000.0)))),
    )))


STEPS = st.sampled_from((0, 0, 1, MINUTE_MS, 5 * MINUTE_MS, 20 * MINUTE_MS, HOUR_MS, 5 * HOUR_MS, DAY_MS))


@st.composite
def streams(draw: st.DrawFn, words: bool = True) -> list[object]:
    at_ms, stream = START_MS, []
    for number in range(draw(st.integers(1, 25))):
        at_ms += draw(STEPS)
        spoken = words and draw(st.integers(0, 3)) == 0
        stream.append(draw(_word(at_ms, number) if spoken else _change(at_ms)))
    return stream


def _at(stimulus: object) -> int:
    return stimulus.at_ms if isinstance(stimulus, ConditionChange) else stimulus.taken_ms


def _end(stream: list[object]) -> int:
    return _at(stream[-1]) + 40 * HOUR_MS


def _rest(events: list[object], draw_rest: bool) -> list[object]:
    """Advice and care beside the alarms, so that telling has all kinds to gather."""
    mixed: list[object] = []
    for number, event in enumerate(events):
        mixed.append(event)
        if draw_rest and isinstance(event, AlarmEvent) and event.chamber and number % 3 == 0:
            mixed.append(_advice(event, number))
        if draw_rest and number % 5 == 0:
            mixed.append(CareEvent(
                id=f"c{number}", at_ms=event.at_ms, chamber="left", task="leaves", status=("due", "done")[number % 2],
                due_ms=None, text="", priority=("today", "digest")[number % 2],
            ))
            what = ("gap", "clock-step")[number % 2]
            mixed.append(SystemEvent(id=f"s{number}", at_ms=event.at_ms, chamber=None, what=what, text=""))
    return mixed


def _advice(event: AlarmEvent, number: int) -> AdviceEvent:
    status = ("given", "updated", "resolved", "reminded", "withdrawn", "verified")[number % 6]
    return AdviceEvent(
        id=f"a{number}", at_ms=event.at_ms, chamber=event.chamber, advisory="x", status=status, device="heater", change="less",
        amount=1.0, unit="K", reason="", urgency=("today", "wake", "morning")[number % 3],
    )


def _followed(
    watch: Settings, stream: list[object], from_ms: int, until_ms: int, cuts: list[float] | None = None
) -> tuple[AlarmsState, list[object]]:
    """Follow the stream with the keeper's room before the alarms; with cuts, cut each of its stretches anywhere and store."""
    state, events = AlarmsState(), []
    for piece in pieces(watch, KeeperState(), stream, from_ms, until_ms, ORIGIN):
        turned = piece.heard.turned
        events += piece.heard.events
        for part, begin, end in _pieces(piece.stimuli, cuts or [], piece.from_ms, piece.until_ms, _at):
            state = ALARMS_STATE.validate_json(ALARMS_STATE.dump_json(state))
            state, told = follow(watch, state, piece.heard.state, part, begin, end, ORIGIN, turned=turned)
            events, turned = events + told, False
    return state, events


def _whole(stream: list[object]) -> tuple[AlarmsState, list[object], TellingState, list[LetterEvent]]:
    state, events = _followed(WATCH, stream, START_MS, _end(stream))
    telling, letters = tell(WATCH, TellingState(), _rest(events, True), START_MS, _end(stream), ORIGIN)
    return state, events, telling, letters


def _pieces(
    stream: list[object], cuts: list[float], starts: int, end_ms: int, at: Callable[[object], int]
) -> list[tuple[list[object], int, int]]:
    """Cut the stream anywhere: at instants between stimuli, at their very instants, and within one instant."""
    pieces, first, from_ms = [], 0, starts
    for cut in sorted(cuts):
        last = max(first, round(cut * len(stream)))
        earliest = max(from_ms, at(stream[last - 1]) if last else starts)
        latest = at(stream[last]) if last < len(stream) else end_ms
        until_ms = max(earliest, earliest + round((latest - earliest) * ((cut * 7919) % 1.0)))
        pieces.append((stream[first:last], from_ms, until_ms))
        first, from_ms = last, until_ms
    return [*pieces, (stream[first:], from_ms, end_ms)]


@settings(max_examples=200, deadline=None)
@given(streams(), st.lists(st.floats(0, 1), max_size=12))
def test_any_cutting_and_any_storing_gives_the_same_events_letters_and_states(stream: list[object], cuts: list[float]) -> None:
    state, events, telling, letters = _whole(stream)

    cut_state, cut_events = _followed(WATCH, stream, START_MS, _end(stream), cuts)
    assert cut_events == events
    assert cut_state == state

    cut_telling, cut_letters = TellingState(), []
    mixed = _rest(events, True)
    for part, from_ms, until_ms in _pieces(mixed, cuts, START_MS, _end(stream), lambda event: event.at_ms):
        cut_telling = TELLING_STATE.validate_json(TELLING_STATE.dump_json(cut_telling))
        cut_telling, more = tell(WATCH, cut_telling, part, from_ms, until_ms, ORIGIN)
        cut_letters += more
    assert cut_letters == letters
    assert cut_telling == telling
    assert len({one.id for one in [*events, *letters]}) == len(events) + len(letters)


def _clock(stream: list[object], shift_ms: int) -> list[object]:
    moved = []
    for stimulus in stream:
        key = "at_ms" if isinstance(stimulus, ConditionChange) else "taken_ms"
        fields = {name: getattr(stimulus, name) for name in _fields(stimulus)}
        moved.append(type(stimulus)(**fields | {key: fields[key] + shift_ms}))
    return moved


def _fields(stimulus: object) -> list[str]:
    return list(stimulus.__dataclass_fields__) if isinstance(stimulus, ConditionChange) else list(type(stimulus).model_fields)


@settings(max_examples=60, deadline=None)
@given(streams(), st.sampled_from((7 * HOUR_MS, 400 * DAY_MS)))
def test_no_transition_depends_on_what_the_wall_clock_shows(stream: list[object], shift_ms: int) -> None:
    stream = [stimulus for stimulus in stream if not isinstance(stimulus, Away)] or [stream[0]]
    if isinstance(stream[0], Away):
        return
    _, events = _followed(WATCH, stream, START_MS, _end(stream))
    moved = _clock(stream, shift_ms)
    _, later = _followed(WATCH, moved, START_MS + shift_ms, _end(moved))
    assert [(e.id, e.at_ms + shift_ms, e.kind) for e in events] == [(e.id, e.at_ms, e.kind) for e in later]
    assert [getattr(e, "change", "") for e in events] == [getattr(e, "change", "") for e in later]


@settings(max_examples=200, deadline=None)
@given(streams())
def test_the_life_of_every_alarm_keeps_its_invariants(stream: list[object]) -> None:
    state, events, _, _ = _whole(stream)
    of_alarm: dict[str, list[AlarmEvent]] = {}
    for event in events:
        if isinstance(event, AlarmEvent):
            of_alarm.setdefault(f"{event.chamber}/{event.alarm}", []).append(event)
    for told in of_alarm.values():
        _check_one_life(told)
    for record in state.records.values():
        assert record.shelf_until_ms is None or record.level != "harmful"
        assert (record.level is not None) == record.open
        assert (record.held_ms is not None) == (record.condition == "held")
    for chamber in ("left", "right", "far", None):
        assert all(record.open or record.latched for record in standing(state, chamber).values())


def _check_one_life(told: list[AlarmEvent]) -> None:
    open_occurrence: int | None = None
    condition, level = "normal", None
    for event in told:
        if event.change == "raised":
            assert open_occurrence is None  # never two open occurrences of one alarm
            open_occurrence = event.occurrence
        elif event.change in ("returned", "closed") or (event.change == "unknown" and open_occurrence is not None):
            assert open_occurrence == event.occurrence
            open_occurrence = None
        elif event.change in ("acknowledged", "shelved", "unshelved", "suppressed", "unsuppressed", "stale", "reset"):
            assert (event.condition, event.level) == (condition, level)  # none of these touches the condition
        if event.change == "suppressed":
            assert event.suppression != "none"
        assert (event.condition in ("active", "held")) == (open_occurrence is not None)
        assert event.suppression != "shelved" or event.level != "harmful"
        condition, level = event.condition, event.level
    ordinals = [(event.occurrence, int(event.id.rsplit(".", 1)[1])) for event in told]
    assert ordinals == sorted(set(ordinals))


def _calmed(stream: list[object]) -> tuple[list[object], int]:
    """The stream, and then every alarm back to normal: what was told must then be ended."""
    state, _ = _followed(WATCH, stream, START_MS, _at(stream[-1]) + 1)
    end_ms = _at(stream[-1]) + HOUR_MS
    back = [
        ConditionChange(end_ms, one.chamber, one.alarm, "normal", None, probe=one.probe, medium=one.medium)
        for one in state.records.values()
    ]
    return [*stream, *back], end_ms + 3 * DAY_MS


@settings(max_examples=200, deadline=None)
@given(streams())
def test_a_raise_that_was_told_is_ended_exactly_once_and_nothing_else_is_ended(stream: list[object]) -> None:
    calm, end_ms = _calmed(stream)
    _, events = _followed(DAILY, calm, START_MS, end_ms)
    state, letters = tell(DAILY, TellingState(), _rest(events, False), START_MS, end_ms, ORIGIN)
    told, ended = set(), Counter()
    for letter in letters:
        for event in letter.about:
            if letter.to == "second" or event.kind != "alarm":
                continue
            name = (event.chamber, event.alarm, event.occurrence)
            if event.condition in ("active", "held") and event.suppression == "none":
                told.add(name)
            elif event.change in ("returned", "closed", "unknown"):
                ended[name, event.id, letter.sort == "digest"] += 1
    assert all(count == 1 for count in ended.values())
    in_letters = {name for name, _, digest in ended if not digest}
    in_digests = {name for name, _, digest in ended if digest}
    assert told <= in_letters | in_digests
    assert in_letters <= told
    assert not in_letters & in_digests
    assert not any(owed.about for owed in state.owed.values())


@settings(max_examples=200, deadline=None)
@given(streams())
def test_reminders_are_bounded_for_each_piece_of_news(stream: list[object]) -> None:
    _, _, _, letters = _whole(stream)
    _check_reminders(letters)


def _check_reminders(letters: list[LetterEvent]) -> None:
    since_news: Counter[str] = Counter()
    for letter in letters:
        if letter.sort in ("situation", "escalation", "summary"):
            since_news.clear() if letter.sort == "summary" else since_news.pop(letter.thread, None)
        if letter.sort == "reminder" and letter.to != "second":
            since_news[letter.thread] += 1
            assert since_news[letter.thread] <= 3 + sum(e.kind == "advice" for e in letter.about) * 99


def _may_disturb(event: News) -> bool:
    over = getattr(event, "change", None) in ("returned", "closed", "unknown") or getattr(event, "status", None) == "resolved"
    wakes = getattr(event, "priority", None) == "wake" or getattr(event, "urgency", None) == "wake"
    may_wake = event.kind == "alarm" and ALARMS[event.alarm].wakes_at_night
    presses = getattr(event, "priority", None) == "today" and may_wake and event.seconds_left is not None
    return not over and (wakes or presses)


@settings(max_examples=200, deadline=None)
@given(streams())
def test_quiet_hours_let_through_only_what_wakes_or_cannot_wait_for_the_morning(stream: list[object]) -> None:
    _, _, _, letters = _whole(stream)
    for letter in letters[1:]:
        if letter.sort != "digest" and quiet_until_ms(letter.at_ms, WATCH.telling, WATCH.zone) is not None:
            assert any(_may_disturb(event) for event in letter.about), letter


@settings(max_examples=100, deadline=None)
@given(streams())
def test_every_local_date_has_its_digest_once(stream: list[object]) -> None:
    _, _, _, letters = _whole(stream)
    digests = [local(letter.at_ms, WATCH.zone) for letter in letters if letter.sort == "digest"]
    assert all((moment.hour, moment.minute) == (8, 0) for moment in digests)
    first, last = local(START_MS, WATCH.zone), local(_end(stream), WATCH.zone)
    days = (last.date() - first.date()).days
    assert len({moment.date() for moment in digests}) == len(digests)
    assert days - 1 <= len(digests) <= days + 1


def test_the_alarms_used_here_exist() -> None:
    assert set(CLIMATE) <= set(ALARMS)
