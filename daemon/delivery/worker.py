"""One outlet's thread: what it owes, in which order, when again after a failure, and what it says of its own trouble."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path
from typing import Literal

import structlog

from adapters.errors import OutletBarred, OutletDeferred, OutletError, OutletRefused
from adapters.outlets.outlet import Outlet, Owed
from adapters.pulse import Pulse
from daemon.delivery.folding import FOLD_MORE_THAN, FOLD_OLDER_MS, folded
from daemon.delivery.owed import LIMIT, Notice, Receipt, Waiting
from daemon.delivery.schedule import Failure, Pace, Schedule
from daemon.store.errors import HistoryError
from daemon.store.outbox_rows import counts, retained, waiting
from daemon.store.reader import HistoryReader

_log = structlog.get_logger(__name__)

Health = Literal["idle", "up", "down", "barred"]
_DIRECT = -1
_BEAT = -2
_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class OutletHealth:
    """How an outlet does: since when (monotonic seconds), why, and how many messages it has handed over since the start."""

    state: Health = "idle"
    since_s: float = 0.0
    detail: str = ""
    delivered: int = 0
    waiting: int = 0


class Worker:
    """The thread of one outlet."""

    def __init__(  # all that it needs of the world stands here, once
        self, name: str, outlet: Outlet, store: Path, wall_ms: Callable[[], int], receipt: Callable[[Receipt], None],
        notice: Callable[[Notice], None], pace: Pace,
    ) -> None:  # fmt: skip
        self._name, self._outlet, self._store, self._wall_ms = name, outlet, store, wall_ms
        self._receipt, self._notice, self._pace = receipt, notice, pace
        self._ending, self._woken = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"outlet {name}", daemon=True)
        self._direct: deque[Owed] = deque(maxlen=1000)
        self._shown: dict[str, Waiting] = {}
        self._revisions = count(_BEAT - 1, -1)
        self._reader: HistoryReader | None = None
        self._done: set[int] = set()
        self._sent: dict[str, tuple[int, float]] = {}
        self._session = 0
        self._schedule = Schedule(outlet.retry_s, pace)
        self._past: set[tuple[str, str]] = set()
        self._told_down = False
        self._unread, self._lets_go = "", False
        self._told_refusal_s = -1e9
        self._busy_since_s: float | None = None
        self._beat: tuple[Owed, float] | None = None
        self._beats_refused_in = -1
        self.pulse = Pulse()
        self.health = OutletHealth(since_s=time.monotonic())

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def wake(self) -> None:
        """Look for new messages now."""
        self._lets_go = False
        self._woken.set()

    def show(self, states: Sequence[Owed]) -> None:
        """Take retained states past the store: what it holds of their topics is older, or the same."""
        for each in states:
            self._shown[each.topic] = Waiting(next(self._revisions), each)
        self.wake()

    def offer(self, owed: Sequence[Owed]) -> None:
        """Take messages past the store, and hold it no longer open until it is written again.

        All that a process holds open of a database shares what was found when the first was opened: while one of them began on
        a read-only disk, none can write (SQLite keeps one index of the log for each process).
        """
        self.show([each for each in owed if each.retained])
        self._direct.extend(each for each in owed if not each.retained)
        self._lets_go = True
        self._woken.set()

    def end(self) -> None:
        """Stop after the message that is on its way, and break that off if it takes long."""
        self._ending.set()
        self._woken.set()

    def join(self, timeout_s: float) -> bool:
        """Wait for the end; False if it still hangs."""
        if self._thread.is_alive():
            self._thread.join(timeout_s / 2)
        self._outlet.close()
        if self._thread.is_alive():
            self._thread.join(timeout_s / 2)
        return not self._thread.is_alive()

    def beat(self, payload: str, now_ms: int) -> None:
        """Send a heartbeat next, if this outlet has one; it takes the place of one that still waits."""
        if self._outlet.heartbeat and self._beats_refused_in != self._session:
            asked_s = self._beat[1] if self._beat is not None else time.monotonic()
            owed = Owed(
                outlet=self._name, event_id="", kind="heartbeat", topic=self._outlet.heartbeat, payload=payload, made_ms=now_ms
            )
            self._beat = owed, asked_s
            self._woken.set()

    @property
    def unanswered_s(self) -> float:
        """How long the newest heartbeat was not acknowledged although the outlet works."""
        beat = self._beat
        return time.monotonic() - beat[1] if beat is not None and self.health.state == "up" else 0.0

    @property
    def busy_s(self) -> float:
        """How long the message that is on its way has been so."""
        since_s = self._busy_since_s
        return 0.0 if since_s is None else time.monotonic() - since_s

    # ------------------------------------------------------------ the loop

    def _run(self) -> None:
        try:
            while not self._ending.is_set():
                self.pulse.mark()
                pause_s = self._turn()
                self._tell_if_long_down()
                self.pulse.mark(pause_s)
                self._woken.wait(max(0.0, pause_s))
                self._woken.clear()
        finally:
            self.pulse.rest()
            self._close_reader()

    def _turn(self) -> float:
        """Send what is due and return how long to rest."""
        if self._outlet.session != self._session:
            self._session = self._outlet.session
            self._schedule.connected()
            self._sent.clear()
        if self._rests and self._outlet.in_order:
            return self._pause_s(self._schedule.rests_until_s)
        if not self._send_beat():
            return self._pause_s(self._schedule.rests_until_s)
        try:
            due, next_s = self._due()
            self._unread = ""
        except HistoryError as error:
            if str(error) != self._unread:  # a dying card is not filled with its own obituary
                _log.error("outbox cannot be read", outlet=self._name, error=str(error))
            self._unread = str(error)
            self._close_reader()
            due, next_s = [*self._offered(), *([row] for row in self._news([]))], time.monotonic() + self._pace.store_s
        if self._lets_go:
            self._close_reader()
        for number, message in enumerate(due):
            if self._ending.is_set():
                return 0.0
            if not self._attempt(message):
                self._put_back([row for rows in due[number:] for row in rows])
                return self._pause_s(self._schedule.rests_until_s)
        return self._pause_s(next_s)

    @property
    def _rests(self) -> bool:
        return self._schedule.rests_until_s > time.monotonic()

    def _pause_s(self, until_s: float) -> float:
        return max(0.0, min(until_s - time.monotonic(), self._pace.idle_s))

    def _send_beat(self) -> bool:
        """Send the heartbeat that waits; False when the outlet must rest."""
        beat = self._beat
        if beat is None or self._ending.is_set():
            return True
        went = self._attempt([Waiting(_BEAT, beat[0])])
        if self._beat is beat or not went:
            self._beat = None
        return went

    def _close_reader(self) -> None:
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    # ------------------------------------------------------------ what is due

    def _due(self) -> tuple[list[list[Waiting]], float]:
        """Return what to send now, in order: each a message with the rows that it settles; and when more is due."""
        if self._reader is None:
            self._reader = HistoryReader(self._store)
        with self._reader.failures_told():
            states = self._news(retained(self._reader.connection, self._name))
            most = _AT_ONCE if self._outlet.in_order else LIMIT  # an urgent letter may stand behind all others
            rows = waiting(self._reader.connection, self._name, most=most + len(self._done))
            in_all = counts(self._reader.connection).get(self._name, (0, 0, None))[0]
        self._done &= {row.row for row in rows}
        self._recorded_since(rows)
        self.health = replace(self.health, waiting=in_all - len(self._done))
        now_s, now_ms = time.monotonic(), self._wall_ms()
        rows = [row for row in rows if row.row not in self._done and row.owed.not_before_ms <= now_ms]
        if self._outlet.in_order:
            urgent = [row for row in states if row.owed.kind != "state"]  # a hundred chambers' states hold up no alarm
            quiet = [row for row in states if row.owed.kind == "state"]
            return [*self._offered(), *([row] for row in [*urgent, *rows, *quiet])], float("inf")
        ready = _grouped(self._schedule.due(rows, now_s), now_ms)
        return [*self._offered(), *([row] for row in states), *ready], self._schedule.next_s(rows, now_s)

    def _recorded_since(self, rows: Sequence[Waiting]) -> None:
        """What came past the store and stands in it now was told already, or is told from there: never both."""
        here = {(row.owed.event_id, row.owed.recipient): row.row for row in rows}
        for told in self._past & here.keys():
            self._past.discard(told)
            self._done.add(here[told])
            self._receipt(Receipt(here[told], "taken"))
        for owed in [each for each in self._direct if (each.event_id, each.recipient) in here]:
            self._direct.remove(owed)

    def _offered(self) -> list[list[Waiting]]:
        """Return what came past the store and may be tried; the rest stays."""
        offered = [Waiting(_DIRECT, self._direct.popleft()) for _ in range(len(self._direct))]
        due = self._schedule.due(offered, time.monotonic())
        self._put_back([row for row in offered if row not in due])
        return [[row] for row in due]

    def _put_back(self, rows: Sequence[Waiting]) -> None:
        self._direct.extendleft(row.owed for row in reversed(rows) if row.row == _DIRECT)

    def _news(self, stored: Sequence[Waiting]) -> list[Waiting]:
        """Return the retained states that were not sent on this connection, or not lately."""
        states = {row.owed.topic: row for row in stored} | self._shown
        return [row for row in states.values() if self._is_news(row)]

    def _is_news(self, row: Waiting) -> bool:
        revision, sent_s = self._sent.get(row.owed.topic, (-1, 0.0))
        refresh_s = self._outlet.refresh_s
        return revision != row.row or (refresh_s is not None and time.monotonic() - sent_s > refresh_s)

    # ------------------------------------------------------------ one message

    def _attempt(self, rows: list[Waiting]) -> bool:
        """Send one message; False when the outlet must rest."""
        message = rows[0].owed if len(rows) == 1 else folded([row.owed for row in rows])
        self._busy_since_s = time.monotonic()
        self.pulse.mark(self._outlet.longest_s)
        try:
            self._outlet.send(message)
        except OutletBarred as error:
            self._failed(rows, str(error), "barred")
            return False
        except OutletDeferred as error:
            self._failed(rows, str(error), "deferred")
            self._put_back(rows)
        except OutletRefused as error:
            self._refused(rows, str(error))
        except OutletError as error:
            self._failed(rows, str(error), "down")
            return False
        except Exception as error:  # one message that cannot be worded must not stop all others
            _log.exception("message cannot be sent", outlet=self._name, id=rows[0].owed.event_id)
            self._refused(rows, f"a fault in dewlid itself ({type(error).__name__}: {error}); please report it")
        else:
            self._taken(rows)
        finally:
            self._busy_since_s = None
            self.pulse.mark()
        return True

    def _taken(self, rows: Sequence[Waiting]) -> None:
        for row in rows:
            if row.owed.retained:
                self._sent[row.owed.topic] = (row.row, time.monotonic())
            elif row.row == _DIRECT:
                self._past.add((row.owed.event_id, row.owed.recipient))
            elif row.row >= 0:
                self._done.add(row.row)
                self._receipt(Receipt(row.row, "taken"))
        self._schedule.worked(rows)
        delivered = self.health.delivered + sum(row.row != _BEAT for row in rows)
        if self.health.state != "up":
            if self._told_down:
                self._say("outlet-back", "")
                self._told_down = False
            _log.info("outlet works", outlet=self._name)
            self.health = replace(self.health, state="up", since_s=time.monotonic(), detail="")
        self.health = replace(self.health, delivered=delivered)

    def _refused(self, rows: Sequence[Waiting], detail: str) -> None:
        _log.warning("message refused", outlet=self._name, id=rows[0].owed.event_id, detail=detail)
        self._schedule.worked(rows)
        for row in rows:
            if row.owed.retained:
                self._sent[row.owed.topic] = (row.row, time.monotonic())
            elif row.row == _BEAT:
                self._beats_refused_in = self._session  # the broker does not permit it; asked again with the next connection
            elif row.row != _DIRECT:
                self._done.add(row.row)
                self._receipt(Receipt(row.row, "refused", detail))
        if time.monotonic() - self._told_refusal_s > self._pace.refusal_told_s:
            self._told_refusal_s = time.monotonic()
            self._say("outlet-refused", detail, rows[0].owed.recipient)

    def _failed(self, rows: Sequence[Waiting], detail: str, failure: Failure) -> None:
        now_s = time.monotonic()
        self._schedule.failed(rows, now_s, failure)
        state: Health = "barred" if failure == "barred" else "down"
        if self.health.state != state:
            _log.warning("outlet does not work", outlet=self._name, state=state, detail=detail)
            began_s = self.health.since_s if self.health.state in ("down", "barred") else now_s
            self.health = replace(self.health, state=state, since_s=began_s)
        self.health = replace(self.health, detail=detail)

    # ------------------------------------------------------------ telling on itself

    def _tell_if_long_down(self) -> None:
        health = self.health
        if self._told_down or health.state not in ("down", "barred"):
            return
        if health.state == "barred" or time.monotonic() - health.since_s >= self._pace.tell_after_s:
            self._told_down = True
            self._say("outlet-down", health.detail)

    def tell_if_hanging(self) -> None:
        """Have the others tell of an outlet that neither takes a message nor refuses it. From the engine's thread."""
        if not self._told_down and self.busy_s >= self._pace.tell_after_s:
            self._told_down = True
            detail = "it has neither taken nor refused the message that was handed to it"
            self.health = replace(self.health, state="down", since_s=time.monotonic() - self.busy_s, detail=detail)
            self._say("outlet-down", detail)

    def _say(self, what: Literal["outlet-down", "outlet-refused", "outlet-back"], detail: str, refused: str = "") -> None:
        for_s = time.monotonic() - self.health.since_s
        self._notice(Notice(self._name, what, detail.rstrip("."), for_s, self.health.waiting, refused))


def _grouped(rows: Sequence[Waiting], now_ms: int) -> list[list[Waiting]]:
    """Fold the old letters of each recipient into one, where several wait; the rest stays as it is."""
    old: dict[str, list[Waiting]] = {}
    for row in rows:
        if row.owed.kind == "letter" and row.owed.made_ms < now_ms - FOLD_OLDER_MS:
            old.setdefault(row.owed.recipient, []).append(row)
    groups = [sorted(group, key=lambda row: row.row) for group in old.values() if len(group) > FOLD_MORE_THAN]
    gathered = {row.row for group in groups for row in group}
    return [*groups, *([row] for row in rows if row.row not in gathered)]
