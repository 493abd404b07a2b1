"""The one thread that owns the rules' state and the store: take what came in, judge it, record it, then let it be told.

A slice of the stream with events is recorded at once, together with the messages that it owes; only then may anything be
delivered. Quiet slices wait up to a minute, so that a memory card is spared. The state after it is what a restart works out
anew from the last snapshot and the stream; the next snapshot follows soon, but holds up no alarm.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import structlog

from adapters.outlets import AnyOutlet
from adapters.outlets.outlet import Owed
from adapters.wording.payload import heartbeat_payload
from daemon.delivery.delivery import Delivery
from daemon.delivery.owed import Notice, Receipt, mailed, notice_events, owed_by, told_events
from daemon.store.errors import HistoryError
from daemon.store.history import History
from daemon.store.recovery import RECOVERED, Recovery
from daemon.store.spool import Spoken, Spool
from daemon.watch.chamber_states import ChamberStates, owed_removals
from daemon.watch.crossings import Crossings
from daemon.watch.inbox import FLOOD, Inbox, Taken
from daemon.watch.kept_states import KeptStates
from daemon.watch.resume import MEMORY_LOST, PAUSE_MS, TOLD_PAUSE_MS, Resumed, joined, pause_before, pause_text
from daemon.watch.snapshots import Snapshots
from rules.settings import Settings
from rules.terms.events import MINUTE_MS, SECOND_MS, Batch, Event, Item, LetterEvent
from rules.turn.advance import Advanced, EngineState, advance, dump_state

_UNRECORDED = (
    "The record cannot be written: {}. dewlid goes on watching and telling from memory and writes down what it kept as soon as"
    " the disk lets it. If it is restarted meanwhile, it knows only what can still be read."
)
HOLD_MS = MINUTE_MS
"""How long quiet readings may wait for the disk."""
_GATHER_S = 0.002
"""Values of one probe arrive one after the other; this long they are waited for, so that they are judged together."""
_BREATH_S = 0.5
"""Between two turns passes as much time as the first took, in a flood more, up to this: then more is judged at one go."""
_TURN_S = 0.006
"""About as long a turn takes while readings keep coming: what presses meanwhile waits for its end. Measured at 1,000 readings a
second: half of it makes alarms no faster, twice of it makes the slowest 9 ms slower and costs more."""
_LEAST_PROBES, _MOST_PROBES = 4, 10_000
_MOST_HELD = 50_000
_LAST_RECEIPTS_S = 5.0
_EXPECTING_MS = 30 * SECOND_MS
"""So long after a record with messages, receipts are looked for every second."""
_AGAIN_MS = 5 * SECOND_MS
"""How soon a store that could not be written is tried again."""

_log = structlog.get_logger(__name__)
Reply = Callable[[Settings, EngineState, int], LetterEvent]
"""Makes a letter from settings, state and instant, in the engine's own thread."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What the engine judges and tells by; replaced as a whole by a reload."""

    settings: Settings
    outlets: Mapping[str, AnyOutlet]


@dataclass
class _Held:
    """What was judged and waits to be recorded."""

    batches: list[Batch] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    owed: list[Owed] = field(default_factory=list)
    words: list[Spoken] = field(default_factory=list)
    since_ms: int | None = None
    news: bool = False
    """Whether more than readings came: it is recorded at once."""
    readings: int = 0
    offered: int = 0


class Engine:
    """Judges and records. Every method but those marked is called in the engine's own thread."""

    def __init__(self, setting: Setting, history: History, inbox: Inbox, spool: Spool, begin: Resumed) -> None:
        self._setting = setting
        self._history = history
        self._inbox = inbox
        inbox.press_by(Crossings(setting.settings))
        self._spool = spool
        self._state = begin.state
        self._held = _Held()
        self._late: list[Event] = list(begin.events)
        self._step_ms = 0
        self._last_ms = begin.newest_ms
        self._beginning = True
        self._judged = 0
        self._heard, self._probes = 0, _LEAST_PROBES
        self._lock = threading.Lock()
        self._asked: Setting | None = None
        self._to_tell: list[tuple[str, str]] = [("memory-lost", MEMORY_LOST)] if begin.memory_lost else []
        self._to_answer: list[tuple[Reply, str, str]] = []
        self._receipts: list[Receipt] = []
        self._settled_ms = 0
        self._trouble = ""
        self._recovery: Recovery | None = None
        self._expecting_ms = 0
        self._looked_ms = -MINUTE_MS
        self._states = ChamberStates()
        self.kept = KeptStates()
        self._snapshots = Snapshots()
        self.delivery: Delivery | None = None
        """Whose receipts and notices are taken in, and who is woken after each record. Set by the main thread."""
        self.chores: dict[str, Callable[[int], None]] = {}
        """What is done in this thread when it is asked for by name; given the present."""
        self.stepped: Callable[[int], None] = lambda step_ms: None
        """Called after the clock was set."""
        self.noticed: Callable[[Sequence[Event], int], None] = lambda events, now_ms: None
        """Called with the events of a turn that gave any; it must not take long."""
        self.opened: Callable[[], None] = lambda: None
        """Called when a store that could not be used is open again."""
        self.beat = 0
        """Number of the last heartbeat that went through inbox, rules and store."""

    # ------------------------------------------------------------ what other threads call

    def reconfigure(self, setting: Setting) -> None:
        """Judge by another config from the next slice on. From any thread."""
        with self._lock:
            self._asked = setting
        self._inbox.ring()

    def tell(self, what: str, text: str) -> None:
        """Tell the keeper something about the watching itself, through record and outbox. From any thread."""
        with self._lock:
            self._to_tell.append((what, text))
        self._inbox.ring()

    def reply(self, make: Reply, outlet: str, recipient: str) -> None:
        """Send one letter to one address by one outlet, made from the present. From any thread."""
        with self._lock:
            self._to_answer.append((make, outlet, recipient))
        self._inbox.ring()

    def settle(self, receipts: Sequence[Receipt]) -> None:
        """Note what became of messages of a delivery that has ended. From any thread."""
        with self._lock:
            self._receipts.extend(receipts)
        self._inbox.ring()

    @property
    def trouble(self) -> str:
        """Why the store cannot be written at present; empty: it can. From any thread."""
        return self._trouble

    @property
    def state(self) -> EngineState | None:
        """The rules' state as it stands; for chores, in the engine's own thread."""
        return self._state

    # ------------------------------------------------------------ the loop

    def run(self, stopping: threading.Event, delivered: threading.Event) -> None:
        """Turn until `stopping`, record what is left, and note receipts when all that can be is `delivered`."""
        self._keep_debts()
        timeout_s = ready_s = 0.0
        while not stopping.is_set():
            self._inbox.wait(timeout_s)
            self._inbox.rest(ready_s - time.monotonic())
            time.sleep(_GATHER_S)
            begun_s = time.monotonic()
            timeout_s = self.turn(probes=self._probes)
            ended_s = time.monotonic()
            ready_s = ended_s + min((ended_s - begun_s) * (1.0 + self._judged / FLOOD), _BREATH_S)
            self._adapt(ended_s - begun_s)
        self.turn(last=True)
        delivered.wait(_LAST_RECEIPTS_S)
        self._settle()

    def _adapt(self, took_s: float) -> None:
        """Let the next turn look at as many probes as fit into its time, by what this one took."""
        if self._heard:
            self._probes = round(min(max(self._heard * _TURN_S / took_s, _LEAST_PROBES), _MOST_PROBES))

    def turn(self, *, last: bool = False, probes: int | None = None) -> float:
        """Judge and record what came in, of at most so many `probes`; returns how many seconds may pass without a turn."""
        self._configure()
        taken = self._inbox.take(probes)
        words = self._words(taken)
        batch = Batch.of(taken.readings, self._items(taken, words), self._step_ms)
        self._step_ms, self._last_ms = taken.step_ms, taken.now_ms + taken.step_ms
        advanced = advance(self._setting.settings, self._state, batch, taken.now_ms)
        self._state, self._judged = advanced.state, len(taken.readings)
        self._heard = len({row.probe for row in taken.readings})
        if advanced.events:
            self.noticed(advanced.events, taken.now_ms)
        self._hold(batch, words, taken.now_ms)
        self._hold_events([*self._late, *advanced.events, *self._told(taken.now_ms)])
        self._late = []
        self._answer_mail(taken.now_ms)
        self._notice(taken.now_ms)
        self._publish(advanced, taken.now_ms)
        self._record(taken.now_ms, last)
        self._settle(None if last else taken.now_ms)
        self._do(taken)
        if taken.step_ms:
            _log.warning("the clock was set", by_s=round(taken.step_ms / 1000, 1))
            self.stepped(taken.step_ms)
        return self._idle_s(taken)

    def _configure(self) -> None:
        with self._lock:
            asked, self._asked = self._asked, None
        if asked is not None:
            self._record(self._last_ms or 0, last=True)  # what was judged by the old one is not to be judged again by the new
            self._setting = asked
            self._inbox.press_by(Crossings(asked.settings))
            self._keep_debts(removed=True)
            self._states.forget()
            self.kept.keep_outlets(asked.outlets)

    def _keep_debts(self, *, removed: bool = False) -> None:
        """Owe only to the outlets of the config, again what was refused, and that the states of what is `removed` go."""
        try:
            self._history.keep_outlets(self._setting.outlets)
            self._history.reopen_refused(0)
            if removed:
                setting = self._setting
                self._held.owed += owed_removals(self._history, setting.outlets, setting.settings, self._last_ms or 0)
                self._held.news = True
        except HistoryError as error:
            self.go_on_without_store(error, self._last_ms or 0)

    def _words(self, taken: Taken) -> list[Spoken]:
        if not taken.rung and 0 <= taken.now_ms - self._looked_ms < MINUTE_MS:
            return []  # the bell rings for a word; looking once a minute is for file systems without one
        self._looked_ms = taken.now_ms
        words, refused = self._spool.waiting(taken.now_ms)
        for each in refused:
            _log.warning("a word was refused", file=each.file.name, reason=each.reason)
        held = {each.file for each in self._held.words}
        return [each for each in words if each.file not in held]

    def _items(self, taken: Taken, words: list[Spoken]) -> list[Item]:
        pause = pause_before(taken, self._last_ms, 0 if self._beginning else PAUSE_MS)
        if pause is not None:
            _log.warning("nobody watched", for_s=round((pause.taken_ms - pause.begin_ms) / 1000), restart=self._beginning)
            if pause.taken_ms - pause.begin_ms > TOLD_PAUSE_MS:
                self._to_tell.append(("not-watched", pause_text(pause, self._setting.settings.zone)))
        self._beginning = False
        return [*([pause] if pause else []), *taken.items, *(each.word for each in words)]

    def _told(self, now_ms: int) -> list[Event]:
        recovery = self._history.recovery
        if recovery is not None and recovery is not self._recovery:
            self._recovery = recovery
            self.tell(RECOVERED, recovery.text)
        with self._lock:
            to_tell, self._to_tell = self._to_tell, []
        told = (told_events(f"{self._origin()}.daemon.{n}", what, text, now_ms) for n, (what, text) in enumerate(to_tell))
        return [event for pair in told for event in pair]

    def _answer_mail(self, now_ms: int) -> None:
        with self._lock:
            to_answer, self._to_answer = self._to_answer, []
        for make, outlet, recipient in to_answer:
            if self._state is not None and outlet in self._setting.outlets:
                letter = make(self._setting.settings, self._state, now_ms)
                self._held.events.append(letter)
                self._held.owed += mailed(outlet, letter, [recipient])

    def _origin(self) -> str:
        return self._state.origin if self._state is not None else ""

    def _notice(self, now_ms: int) -> None:
        """Have the other outlets tell of one that is in trouble."""
        for notice in self.delivery.notices() if self.delivery else ():
            _log.warning("outlet trouble", outlet=notice.outlet, what=notice.what, detail=notice.detail)
            self._hold_events(notice_events(notice, now_ms), notice)

    def _publish(self, advanced: Advanced, now_ms: int) -> None:
        """Owe the states of chambers that turned or moved, or were not told of yet."""
        turned = {event.chamber for event in self._held.events if event.chamber is not None}
        self._held.owed += self._states.owed(self._setting.settings, advanced, self._setting.outlets, turned, now_ms)

    # ------------------------------------------------------------ recording

    def _hold(self, batch: Batch, words: list[Spoken], now_ms: int) -> None:
        held = self._held
        if len(batch.value) or batch.items or batch.clock_step_ms:
            held.batches.append(batch)
            held.readings += len(batch.value)
            held.news |= bool(batch.items or batch.clock_step_ms)
            held.since_ms = now_ms if held.since_ms is None else held.since_ms
        held.words += words
        while held.readings > _MOST_HELD and len(held.batches) > 1 and not held.batches[0].items:
            held.readings -= len(held.batches.pop(0).value)  # the disk has been full for long: what is oldest goes

    def _hold_events(self, events: Sequence[Event], trouble: Notice | None = None) -> None:
        for event in events:
            _log.info("event", id=event.id, kind=event.kind, chamber=event.chamber)
        self._held.events += events
        self._held.owed += owed_by(events, self._setting.outlets, self._setting.settings, trouble=trouble)

    def _record(self, now_ms: int, last: bool) -> None:
        held = self._held
        old = held.since_ms is not None and not 0 <= now_ms - held.since_ms < HOLD_MS
        urgent = bool(held.events) or held.news
        with_state = last or bool(self._trouble) or self._snapshots.due(now_ms, held.readings)
        if not (old or urgent or with_state):
            return
        *earlier, batch = joined(held.batches) or [Batch()]
        state = dump_state(self._state) if with_state and self._state is not None else None
        owed = self.kept.to_store(held.owed, with_state)
        try:
            self._history.record(batch, held.events, state, owed, earlier=earlier, judged_ms=now_ms)
        except HistoryError as error:
            self.go_on_without_store(error, now_ms)
            return
        self._spool.done(held.words)
        if self._trouble:
            _log.warning("the store works again")
            self._trouble = ""
            self.opened()
            self.tell("record-back", "The record is written again; what was kept in memory meanwhile now stands in it.")
        if any(not owed.retained for owed in held.owed):
            self._expecting_ms = now_ms + _EXPECTING_MS
        states = self.kept.told(held.owed, with_state)
        if held.owed and self.delivery is not None:
            self.delivery.show(states)
        self._snapshots.recorded(now_ms, held.readings, urgent, with_state)
        self._held = _Held()

    def go_on_without_store(self, error: HistoryError, now_ms: int) -> None:
        """Keep judging and telling from memory while the store cannot be used; raises what no watching goes on with."""
        if error.stops:
            raise error
        if not self._trouble:
            _log.critical("the store cannot be written; going on from memory", reason=str(error))
            self._hold_events(told_events(f"{self._origin()}.daemon", "record-lost", _UNRECORDED.format(error), now_ms))
        elif str(error) != self._trouble:
            _log.error("the store still cannot be written", reason=str(error))
        self._trouble = str(error)
        if self.delivery is not None:
            self.delivery.offer(self._held.owed[self._held.offered :])
            self._held.offered = len(self._held.owed)

    def _settle(self, now_ms: int | None = None) -> None:
        """Note what became of messages, now or once a second: it costs a flush of the disk, on which an alarm may wait."""
        if now_ms is not None and 0 <= now_ms - self._settled_ms < SECOND_MS:
            return
        self._settled_ms = now_ms or self._settled_ms
        with self._lock:
            receipts, self._receipts = self._receipts, []
        receipts += self.delivery.receipts() if self.delivery else []
        try:
            self._history.settle(receipts)
        except HistoryError as error:
            self.go_on_without_store(error, self._last_ms or 0)
            self._receipts = receipts + self._receipts

    def _do(self, taken: Taken) -> None:
        for name in taken.chores:
            if name.startswith("beat "):
                self._answer(int(name.removeprefix("beat ")), taken.now_ms)
            elif name in self.chores:
                self.chores[name](taken.now_ms)

    def _answer(self, beat: int, now_ms: int) -> None:
        """Pass a heartbeat on: inbox and rules have answered, the store must, and an acknowledged publish proves the rest."""
        try:
            self._history.prove()
        except HistoryError as error:
            self.go_on_without_store(error, now_ms)
        self.beat = beat
        if self.delivery is not None:
            self.delivery.beat(heartbeat_payload(beat, now_ms, self._setting.settings), now_ms)

    def _idle_s(self, taken: Taken) -> float:
        """Until the next whole minute, at which delays and reminders may fall due, or the end of the holding time."""
        if taken.step_ms:
            return 0.0
        if self._state is not None and (self._state.waiting.taken_ms or self._state.waiting.items):
            return _GATHER_S  # of this same millisecond more may have come; the next turn closes it
        due_ms = taken.now_ms // MINUTE_MS * MINUTE_MS + MINUTE_MS + 1
        if self._trouble:
            due_ms = min(due_ms, taken.now_ms + _AGAIN_MS)
        elif self._held.since_ms is not None:
            due_ms = min(due_ms, self._held.since_ms + HOLD_MS)
        due_ms = min(due_ms, self._snapshots.next_ms() or due_ms)
        if taken.now_ms < self._expecting_ms:
            due_ms = min(due_ms, taken.now_ms + SECOND_MS)
        return max(due_ms - taken.now_ms, 1) / 1000
