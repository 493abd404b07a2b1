"""All the running parts together: how they start, go on with another config, prove that they work, and end."""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable, Iterable
from datetime import tzinfo
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import structlog

from adapters.errors import SecretUnreadable
from adapters.outlets import MailOutlet
from adapters.probes.source import Source
from adapters.wording.counting import counted
from daemon.clock import StreamClock, SystemClock
from daemon.config.configuration import Configuration, SiteTable
from daemon.config.file import ConfigFault, ConfigurationError
from daemon.config.settings import settings_of
from daemon.delivery.delivery import Delivery
from daemon.store.doubt import doubt
from daemon.store.errors import HistoryError
from daemon.store.examination import examine
from daemon.store.history import History
from daemon.store.spool import Spool, SpoolError
from daemon.watch.assembly import Feed, Line, feeds_of, lines_of, outlets_of
from daemon.watch.daily_jobs import keep_learning
from daemon.watch.digest_chart import DigestChart, mails
from daemon.watch.engine import Engine, Setting
from daemon.watch.housekeeping import keep_house
from daemon.watch.inbox import Inbox
from daemon.watch.remote_words import RemoteWords
from daemon.watch.resume import resume, resume_unwritten
from daemon.watch.timetable import Polling
from rules.settings import Settings

if TYPE_CHECKING:
    from adapters.outlets.letter import Answers
    from daemon.watch.mail_words import MailWords
    from daemon.watch.status_page import StatusPage

_log = structlog.get_logger(__name__)
_OPEN_S = 50.0
_SOURCES_S = 0.8
_DELIVERY_S = 1.2
_ENGINE_S = 5.0


class Running:
    """The daemon but for its main thread. `wake` is called when the main thread should look around."""

    def __init__(self, configuration: Configuration, wake: Callable[[], None]) -> None:
        self._configuration = configuration
        self._wake = wake
        self._clock = SystemClock()
        self._spool = Spool(configuration.spool_folder)
        self._opened = threading.Event()
        self._stopping = threading.Event()
        self._delivered = threading.Event()
        self._failure: Exception | None = None
        self._unheard = ""
        self._patience_s = time.monotonic() + _OPEN_S
        self._thread = threading.Thread(target=self._own_store, name="engine", daemon=True)
        self._lines: dict[str, Line] = {}
        self._feeds: dict[str, Feed] = {}
        self._delivery: Delivery | None = None
        self._remote: RemoteWords | None = None
        self._mail: MailWords | None = None
        self._polling: Polling | None = None
        self._inbox: Inbox
        self._engine: Engine
        self._keep_house: Callable[[tzinfo, SiteTable], None]
        self._beats = 0
        self._lost: dict[str, int] = {}
        self._page: StatusPage | None = None
        self.bell: int | None = None
        """Becomes readable when a word was left in the spool."""
        self.stage = "starting"
        """What is being waited for, for the log."""

    # ------------------------------------------------------------ starting

    def start(self, report: Callable[[str], None] = lambda stage: None) -> None:
        """Open the store, then let in what comes; raises what stands against it. `report` hears each second how far it is."""
        threading.excepthook = self._thread_died
        try:
            self._spool.prepare()
            self.bell = self._spool.bell()
        except SpoolError as error:  # it watches and tells all the same
            self._unheard = str(error)
            _log.error("no words can be taken", reason=self._unheard)
        self.stage = "opening the store"
        self._thread.start()
        self._await_store(report)
        self.check_alive()
        self.stage = "starting probes and outlets"
        self._connect(self._configuration)
        self._hear_words(self._configuration)
        self._read_answers(self._configuration)
        if self._polling is not None:
            self._polling.start()
        self.stage = "watching"

    def _await_store(self, report: Callable[[str], None]) -> None:
        """Wait while the store is opened: as long as its recovery goes on, however long that takes."""
        while not self._opened.wait(1.0):
            if time.monotonic() > self._patience_s:
                raise TimeoutError(f"the store {self._configuration.store} could not be opened in time: {self.stage}")
            report(self.stage)

    def _recovering(self, doing: str, within_s: float) -> None:
        if doing != self.stage:
            _log.warning("recovering the store", doing=doing)
        self.stage, self._patience_s = doing, time.monotonic() + within_s

    def _examine_doubted(self, history: History) -> None:
        if history.in_doubt:
            threading.Thread(target=self._examine, args=(history.path,), name="examination", daemon=True).start()

    def _examine(self, path: Path) -> None:
        """Look through the whole store beside the watching; where it is damaged, the next start goes on from a backup."""
        try:
            found = examine(path, lambda: not self._stopping.is_set())
        except HistoryError as error:
            _log.warning("the store could not be examined", reason=str(error))
            return
        if found is None:
            _log.info("the store was examined after an unclean end", found="whole")
            return
        doubt(path, found)
        text = f"{path}: the store is damaged ({found}); dewlid starts again on the newest good backup"
        self._inbox.fail(HistoryError(text, stops=True))

    def _own_store(self) -> None:
        """The engine's thread: it alone writes the store, from its opening to its end."""
        try:
            setting = _setting(self._configuration)
            path = self._configuration.store
            history = History.open_or_later(path, now_ms=self._clock.wall_ms(), progress=self._recovering)
            with contextlib.closing(history):
                written = history.absent is None
                begin = resume(setting.settings, history) if written else resume_unwritten(setting.settings, path)
                self._inbox = Inbox(StreamClock(self._clock, begin.newest_ms))
                self._engine = Engine(setting, history, self._inbox, self._spool, begin)
                self._polling = Polling(self._inbox)
                self._keep_house = partial(keep_house, self._polling, self._engine, history, self._inbox)
                self._engine.stepped = lambda step_ms: self._polling.resume() if self._polling else None
                self._keep_house(setting.settings.zone, self._configuration.site)
                keep_learning(self._polling, self._engine, self._inbox, self._configuration, setting.settings)
                self._keep_page(self._configuration, setting.settings)
                if history.absent is not None:
                    self._engine.go_on_without_store(history.absent, self._clock.wall_ms())
                if self._unheard:
                    self._engine.tell("words-unheard", f"Your words cannot be taken: {self._unheard}")
                self._engine.opened = partial(self._examine_doubted, history)
                self._engine.opened()
                self._opened.set()
                self._engine.run(self._stopping, self._delivered)
        except Exception as failure:
            self._failure = failure
        finally:
            self._opened.set()
            self._wake()

    def _thread_died(self, args: threading.ExceptHookArgs) -> None:
        _log.critical("a thread died", thread=args.thread.name if args.thread else "?", exc_info=args.exc_value)
        self._inbox.fail(args.exc_value or RuntimeError("a thread died"))

    # ------------------------------------------------------------ going on with another config

    def reconfigure(self, configuration: Configuration) -> None:
        """Go on with another config: what stayed the same in it goes on untouched. Raises ConfigurationError."""
        if configuration.state_folder != self._configuration.state_folder:
            text = "a running daemon keeps its state folder; restart it to move the store"
            raise ConfigurationError("config", [ConfigFault(None, ("site", "state_folder"), text)])
        setting = _setting(configuration)
        self._connect(configuration)
        self._hear_words(configuration)
        self._read_answers(configuration)
        self._engine.reconfigure(setting)
        self._keep_house(setting.settings.zone, configuration.site)
        if self._polling is not None:
            keep_learning(self._polling, self._engine, self._inbox, configuration, setting.settings)
        self._keep_page(configuration, setting.settings)
        self._configuration = configuration

    def _keep_page(self, configuration: Configuration, settings: Settings) -> None:
        if self._polling is not None and (configuration.page.folder is not None or self._page is not None):
            from daemon.watch.status_page import keep_page  # only where a page is wanted: it needs the report's parts

            self._page = keep_page(self._page, self._polling, self._engine, self._inbox, configuration.page, settings)

    def _connect(self, configuration: Configuration) -> None:
        lines = lines_of(configuration, self._lines)
        feeds = feeds_of(configuration, lines, self._feeds, self._clock.wall_ms)
        fresh = [feed.source for name, feed in feeds.items() if self._feeds.get(name) is not feed]
        gone = [feed.source for name, feed in self._feeds.items() if feeds.get(name) is not feed]
        chart = DigestChart(configuration) if mails(configuration) else None
        outlets = outlets_of(configuration, lines, chart, _answers_of(configuration))
        delivery = Delivery(outlets, configuration.store, self._clock.wall_ms)
        _stop_all(gone)
        for source in fresh:
            source.start(self._inbox)
        self._end_delivery()
        for line in self._lines.values():
            line.session.unwatch(self._line_changed)
        self._lines, self._feeds, self._delivery = lines, feeds, delivery
        delivery.show(self._engine.kept.newest.values())
        self._engine.delivery = delivery
        delivery.start()
        for line in lines.values():
            line.session.watch(self._line_changed)  # after the outlets, which note first that the connection is a new one

    def _line_changed(self, state: str, _detail: str) -> None:
        """Have the outlets look at once what they owe on a connection that was made anew."""
        if state == "up" and self._delivery is not None:
            self._delivery.wake()

    def _hear_words(self, configuration: Configuration) -> None:
        """Take the keeper's words from MQTT where the config has [commands]; what stayed the same goes on untouched."""
        settings = configuration.commands
        session = self._lines[settings.broker].session if settings is not None else None
        if self._remote is not None and (self._remote.settings, self._remote.session) == (settings, session):
            return
        if self._remote is not None:
            self._remote.stop()
            self._remote = None
        if settings is None or session is None:
            return
        try:
            ids = configuration.state_folder / "command-ids.json"
            self._remote = RemoteWords(settings, session, self._spool, ids, self._clock.wall_ms)
            self._remote.start()
        except SecretUnreadable as error:
            _log.error("no words are taken by MQTT", reason=str(error))
            self._engine.tell("commands-off", f"No words are taken by MQTT: {error}")

    def _read_answers(self, configuration: Configuration) -> None:
        """Take the keeper's answers by mail where the config has [mailbox]; what stayed the same goes on untouched."""
        wanted = (configuration.mailbox, configuration.mailbox and configuration.outlet[configuration.mailbox.outlet])
        if self._mail is not None:
            if (self._mail.settings, self._mail.outlet) == wanted:
                return
            self._mail.stop()
            self._mail = None
        answers = _answers_of(configuration)
        box, outlet = wanted
        if box is not None and isinstance(outlet, MailOutlet) and box.outlet in answers:
            from daemon.watch.mail_words import MailWords  # only where answers are read: it needs IMAP and readers of mail

            self._mail = MailWords(
                box, outlet, answers[box.outlet].tokens, self._spool, configuration.store,
                configuration.state_folder / "mail-answers.json", self._engine.reply, self._clock.wall_ms,
            )  # fmt: skip
            self._mail.start()

    def _end_delivery(self) -> None:
        if self._delivery is not None:
            self._delivery.stop(_DELIVERY_S)
            self._engine.settle(self._delivery.receipts())

    # ------------------------------------------------------------ what the main thread asks

    def answer_bell(self) -> None:
        """Let the engine look into the spool."""
        if self.bell is not None:
            with contextlib.suppress(BlockingIOError):
                os.read(self.bell, 4096)
            self._inbox.ring()

    def tell(self, what: str, text: str) -> None:
        """Tell the keeper something about the watching itself."""
        self._engine.tell(what, text)

    def beat(self) -> bool:
        """Send a heartbeat through inbox, rules and store; say whether the one before came through and all threads turn."""
        answered = self._engine.beat >= self._beats
        self.stage = "watching" if answered else "waiting for the engine"
        for name, overdue_s in self._overdue_s().items():
            if overdue_s > 0:
                answered, self.stage = False, f"waiting for {name}"
        if self._polling is not None and not self._polling.alive:
            answered, self.stage = False, "waiting for the scheduler"
        self._report_lost()
        self._beats += 1
        self._inbox.chore(f"beat {self._beats}")
        return answered

    def _overdue_s(self) -> dict[str, float]:
        """How long every thread that reads or tells should have turned already."""
        found = {f"outlet {name}": late_s for name, late_s in (self._delivery.overdue_s() if self._delivery else {}).items()}
        found |= {line.session.name: line.session.pulse.overdue_s for line in self._lines.values()}
        return found | {feed.source.name: feed.source.pulse.overdue_s for feed in self._feeds.values()}

    def _report_lost(self) -> None:
        lost = dict(self._inbox.lost)
        for name, count in lost.items():
            if count > self._lost.get(name, 0):
                _log.error("readings were lost: the engine does not keep up", probe=name, in_all=count)
        self._lost = lost

    def check_alive(self) -> None:
        """Raise what ended the engine, if it has ended."""
        if self._failure is not None:
            raise self._failure

    @property
    def size(self) -> dict[str, int]:
        """How much is watched, for the log."""
        config = self._configuration
        return {"chambers": len(config.chamber), "probes": len(config.probe), "outlets": len(config.outlet)}

    @property
    def status(self) -> str:
        """One line for `systemctl status`."""
        told = [counted(count, name.removesuffix("s")) for name, count in self.size.items()]
        if self._engine.trouble:
            told.append("the store cannot be written")
        if self._mail is not None and self._mail.trouble:
            told.append("the mailbox cannot be looked into")
        health = self._delivery.health() if self._delivery else {}
        told += [f"outlet {name} is {state.state}" for name, state in health.items() if state.state in ("down", "barred")]
        lost = sum(self._inbox.lost.values())
        return ", ".join([*told, *([f"{lost} readings were lost"] if lost else [])])

    # ------------------------------------------------------------ ending

    def stop(self) -> None:
        """End every part in order: nothing comes in, all is recorded, what is recorded is told as far as time allows."""
        threading.excepthook = threading.__excepthook__
        self.stage = "stopping the probes"
        if self._polling is not None:
            self._polling.stop()
        _stop_all(feed.source for feed in self._feeds.values())
        if self._remote is not None:
            self._remote.stop(_SOURCES_S / 2)
        if self._mail is not None:
            self._mail.stop(_SOURCES_S / 2)
        self.stage = "recording what is left"
        self._stopping.set()
        if self._delivery is not None:
            self._inbox.ring()
            self.stage = "stopping the outlets"
            self._delivery.stop(_DELIVERY_S)
        self._delivered.set()
        if self._page is not None:
            self._page.end(self._clock.wall_ms())
        self.stage = "closing the store"
        if self._thread.is_alive():
            self._thread.join(_ENGINE_S)
        if self.bell is not None:
            os.close(self.bell)
            self.bell = None


def _setting(configuration: Configuration) -> Setting:
    return Setting(settings_of(configuration), dict(configuration.outlet))


def _answers_of(configuration: Configuration) -> dict[str, Answers]:
    """Return, by id, what makes the tokens of the outlet whose letters may be answered by mail."""
    if configuration.mailbox is None:
        return {}
    from daemon.watch.mail_words import answers_of  # only here, as above

    return answers_of(configuration)


def _stop_all(sources: Iterable[Source]) -> None:
    """Stop sources side by side: one that hangs must not eat up the time of the others."""
    threads = [threading.Thread(target=source.stop, args=(_SOURCES_S,), daemon=True) for source in sources]
    deadline_s = time.monotonic() + _SOURCES_S
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(max(0.0, deadline_s - time.monotonic()))
