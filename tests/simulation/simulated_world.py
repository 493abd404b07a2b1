"""One seed drives probes, network, disk, clock, kills and keeper through the daemon's real engine, store, spool and outbox.

Nothing here waits: the clock is turned by hand, the outlets' threads are turned by hand, and a kill is an exception that is
raised at a crash point, after which everything but the store and the spool is dropped. The same seed gives the same run.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from hand_clock import HandClock

from adapters.errors import OutletBarred, OutletRefused, OutletUnreachable
from adapters.outlets.outlet import Owed
from daemon.clock import StreamClock
from daemon.config.configuration import load_text
from daemon.config.settings import settings_of
from daemon.delivery import schedule as delivery_schedule
from daemon.delivery import worker as delivery_worker
from daemon.delivery.delivery import Delivery
from daemon.store.errors import HistoryError
from daemon.store.history import History
from daemon.store.spool import Spool, WordError
from daemon.watch import engine
from daemon.watch.engine import Engine, Setting
from daemon.watch.inbox import Inbox
from daemon.watch.resume import resume
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS

START_MS = 1_750_000_020_000
PERIOD_MS = 10 * MINUTE_MS
LONGEST_SLICE_MS = 120 * MINUTE_MS
PAUSE_MS = LONGEST_SLICE_MS + 2 * PERIOD_MS
"""Turned by hand every few periods, the engine takes longer to call a silence a pause; how the stream is cut is all one."""

CONFIG = """
[site]
time_zone = "Europe/Lisbon"
[room.study]
[chamber.nest-a]
room = "study"
garden = {{ volume_ml = 600 }}
temperature = {{ high = {high}, on_delay = "20min", off_delay = "30min", harmful_on_delay = "20min" }}
devices.heater = {{ watts = 9 }}
devices.mister = {{ ml_per_press = 1 }}
[chamber.nest-b]
room = "study"
garden = {{ volume_ml = 90 }}
devices.heater = {{ watts = 4 }}
[probe.air-a]
kind = "mqtt-topic"
place = "nest-a"
broker = "home"
topics = {{ air_temperature = "a/t", relative_humidity = "a/h" }}
interval = "10min"
[probe.lid-a]
kind = "mqtt-topic"
place = "nest-a"
role = "lid"
broker = "home"
topics = {{ surface_temperature = "a/l" }}
interval = "10min"
[probe.air-b]
kind = "serial-text"
place = "nest-b"
port = "/dev/ttyUSB0"
columns = {{ air_temperature = 1, relative_humidity = 2 }}
delimiter = ","
interval = "10min"
[probe.room]
kind = "mqtt-topic"
place = "study"
broker = "home"
topics = {{ air_temperature = "r/t", relative_humidity = "r/h" }}
interval = "10min"
[broker.home]
host = "localhost"
[outlet.topics]
kind = "mqtt"
broker = "home"
[outlet.post]
kind = "mail"
host = "localhost"
sender = "dewlid@example.org"
to = ["keeper@example.org"]
second = ["second@example.org"]
"""
SERIES: dict[str, tuple[str, ...]] = {
    "room": ("air_temperature", "relative_humidity"),
    "air-a": ("air_temperature", "relative_humidity"),
    "lid-a": ("surface_temperature",),
    "air-b": ("air_temperature", "relative_humidity"),
}
PLACES = {"air-a": "nest-a", "air-b": "nest-b"}


class Killed(BaseException):
    """The process ends here, at once."""


class WorldClock(HandClock):
    """One that also tells the seconds that timetables wait by."""

    def monotonic(self) -> float:
        return self.boot / 1000.0


@dataclass
class Transport:
    """An outlet's other side: up, down, refusing, or so that its answers are lost. It keeps all that it was given."""

    name: str
    in_order: bool
    refresh_s: float | None
    point: Callable[[str], None]
    now: Callable[[], int]
    chance: random.Random
    session: int = 1
    mood: str = "up"
    until_ms: int = 0
    taken: list[tuple[int, Owed]] = field(default_factory=list)
    retry_s: tuple[float, ...] = (60.0, 300.0, 900.0, 1800.0, 3600.0)
    longest_s: float = 30.0
    heartbeat: str = ""

    def send(self, owed: Owed) -> None:
        self.point(f"before {self.name}")
        if self.mood == "down":
            raise OutletUnreachable(f"{self.name} is down")
        if self.mood == "barred":
            raise OutletBarred(f"{self.name} refuses the password: 535")
        if self.mood == "refusing" and self.chance.random() < 0.3:
            raise OutletRefused(f"{self.name} says 550")
        if not owed.retained:
            self.taken.append((self.now(), owed))
        if self.mood == "answers-lost" and self.chance.random() < 0.5:
            raise OutletUnreachable(f"{self.name} did not answer")
        self.point(f"after {self.name}")

    def close(self) -> None:
        """Nothing is held open."""


@dataclass
class Climate:
    """A chamber's or the room's weather: a daily swing, a slow wander, and incidents that take hours to come and go."""

    chance: random.Random
    middle_c: float
    middle_pct: float
    swing_k: float
    wander_k: float = 0.0
    wander_pct: float = 0.0
    off_k: float = 0.0
    off_pct: float = 0.0
    want_k: float = 0.0
    want_pct: float = 0.0
    until_ms: int = 0

    def step(self, boot_ms: int) -> None:
        self.wander_k += -0.05 * self.wander_k + self.chance.gauss(0, 0.06)
        self.wander_pct += -0.05 * self.wander_pct + self.chance.gauss(0, 0.4)
        if boot_ms > self.until_ms:
            self.want_k = self.want_pct = 0.0
            if self.chance.random() < PERIOD_MS / (4 * DAY_MS):
                self.want_k, self.want_pct = self.chance.choice(((6, -15), (-7, 5), (0, -25), (2, 15), (9, -30), (-3, 12)))
                self.until_ms = boot_ms + self.chance.randint(1, 20) * HOUR_MS
        self.off_k += 0.12 * (self.want_k - self.off_k)
        self.off_pct += 0.12 * (self.want_pct - self.off_pct)

    def temperature_c(self, boot_ms: int) -> float:
        phase = (boot_ms % DAY_MS) / DAY_MS
        return self.middle_c + self.swing_k * abs(2 * phase - 1) + self.wander_k + self.off_k

    def humidity_pct(self) -> float:
        return min(100.0, max(5.0, self.middle_pct + self.wander_pct + self.off_pct))


@dataclass
class ProbeMood:
    """What is wrong with a probe now, and until when."""

    fault: str = ""
    until_ms: int = 0
    frozen: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Sample:
    """A reading as the world gave it: `clean` says that nothing was wrong with it."""

    boot_ms: int
    probe: str
    quantity: str
    value: float
    clean: bool


@dataclass(frozen=True)
class Mark:
    """Something that oracles must know: when it happened (time since boot), what, and about what."""

    boot_ms: int
    what: str
    about: str = ""


class World:
    """The simulation. `run` it for some days, then ask `daemon` and the ledgers."""

    def __init__(self, folder: Path, seed: int, faults: tuple[str, ...] | None = None) -> None:
        self.chance = random.Random(seed)
        self.seed, self.folder = seed, folder
        # A part of the faults per seed, so that each is also seen without the others ("swarm testing").
        every = ("kill", "suspend", "step", "disk", "probe", "medium", "mqtt", "mail", "keeper", "edit")
        self.faults = faults if faults is not None else tuple(one for one in every if self.chance.random() < 0.7)
        self.clock = WorldClock(START_MS, 1_000_000)
        self.climates = {
            "study": Climate(self.chance, 20.0, 47.0, 1.5),
            "nest-a": Climate(self.chance, 25.2, 80.0, 0.8),
            "nest-b": Climate(self.chance, 25.0, 83.0, 0.8),
        }
        self.moods = {probe: ProbeMood() for probe in SERIES}
        self.media_down: dict[str, int] = {}
        self.mqtt = Transport("topics", True, 1800.0, self.point, self.clock.boot_ms, self.chance)
        self.post = Transport("post", False, None, self.point, self.clock.boot_ms, self.chance)
        self.samples: list[Sample] = []
        self.marks: list[Mark] = []
        self.high = 28.0
        self.spool = Spool(folder / "spool")
        self.spool.prepare()
        self.words_left = 0
        self.out_until_ms = 0
        """So long readings of air-b may be out of service: they prove nothing."""
        self.kills = self.starts = self.turns = 0
        self.full_until_ms: int | None = None
        self.aiming = False
        """Whether a kill may strike at the next crash points."""
        self.judge: Callable[[int], None] = lambda base_ms: None
        """Called after each turn with stream time less time since boot, as it was in that turn."""

    # ------------------------------------------------------------ the process

    def point(self, name: str) -> None:
        """A crash point."""
        if self.aiming and self.chance.random() < 0.05:
            self.aiming = False
            self.mark("killed", name)
            raise Killed(name)

    def mark(self, what: str, about: str = "") -> None:
        self.marks.append(Mark(self.clock.boot, what, about))

    def setting(self) -> Setting:
        configuration = load_text(CONFIG.format(high=self.high))
        return Setting(settings_of(configuration), dict(configuration.outlet))

    def start(self) -> None:
        """Start the daemon: open the store, go on with the record."""
        self.starts += 1
        self._setting = self.setting()
        self.history = History.open(self.folder / "store.sqlite3", now_ms=self.clock.wall)
        self.history._connection.execute("PRAGMA synchronous = OFF")  # the disk of the test is not what is tested here
        transaction = self.history._transaction

        def striking(doing: str, write: Callable[[], None]) -> None:
            self.point(f"before {doing}")
            transaction(doing, write)
            self.point(f"after {doing}")

        self.history._transaction = striking  # type: ignore[method-assign]
        begin = resume(self._setting.settings, self.history)
        self.inbox = Inbox(StreamClock(self.clock, begin.newest_ms))
        self.engine = Engine(self._setting, self.history, self.inbox, self.spool, begin)
        self.engine.stepped = self._stepped
        self.delivery = Delivery({"topics": self.mqtt, "post": self.post}, self.history.path, self.clock.wall_ms)
        self.engine.delivery = self.delivery
        self.mqtt.session += 1
        self.history.keep_outlets(self._setting.outlets)
        self.history.reopen_refused(0)
        self.turned_ms = self.clock.boot
        self.mark("started")

    def _stepped(self, step_ms: int) -> None:
        self.mark("stepped", str(step_ms))

    def die(self) -> None:
        """Drop all that is only in memory."""
        for worker in self.delivery._workers.values():
            worker._close_reader()
        self.history.close()
        self.kills += 1

    def turn(self) -> None:
        """Let the engine and then the outlets' workers turn once."""
        self.turns += 1
        self.turned_ms = self.clock.boot
        base_ms = self.inbox._clock._offset_ms
        self.engine.turn()
        self.judge(base_ms)
        for worker in self.delivery._workers.values():
            worker._turn()
            worker._tell_if_long_down()
        self.engine._settle()

    # ------------------------------------------------------------ time

    def run(self, days: float, each_day: Callable[[World, int], None] = lambda world, day: None) -> None:
        """Live for some days of the time since boot; `each_day` looks at the world after each."""
        with self._hand_turned():
            end_ms, day = self.clock.boot + int(days * DAY_MS), 0
            alive = False
            while self.clock.boot < end_ms:
                try:
                    if not alive:
                        self.start()
                        alive = True
                    self.period()
                except Killed:
                    self.die()
                    alive = False
                    self._sleep(self._down_ms())
                if self.clock.boot - 1_000_000 >= (day + 1) * DAY_MS and alive:
                    day += 1
                    each_day(self, day)
            self.aiming = False
            if not alive:
                self.start()
            for _ in range(2):  # what was taken in by the first turn is judged by the second
                self.turn()
                self.clock.pass_ms(1_000)

    def end(self) -> None:
        """Close what is open."""
        self.die()

    @contextmanager
    def _hand_turned(self) -> Iterator[None]:
        before = delivery_worker.time, delivery_schedule.random, engine.PAUSE_MS
        delivery_worker.time = SimpleNamespace(monotonic=self.clock.monotonic)  # type: ignore[assignment]
        delivery_schedule.random = random.Random(self.seed)  # type: ignore[assignment]
        engine.PAUSE_MS = PAUSE_MS  # type: ignore[misc]
        try:
            yield
        finally:
            delivery_worker.time, delivery_schedule.random, engine.PAUSE_MS = before  # type: ignore[misc]

    def _down_ms(self) -> int:
        return self.chance.choice((2, 5, 30, 120, 600, 600, 3 * 3600, 9 * 3600)) * SECOND_MS

    def _sleep(self, duration_ms: int) -> None:
        self.clock.pass_ms(duration_ms)

    def period(self) -> None:
        """One round of readings, with whatever befalls it."""
        self._befall()
        begin_ms = self.clock.boot
        for climate in self.climates.values():
            climate.step(begin_ms)
        for number, (probe, quantities) in enumerate(SERIES.items()):
            self.clock.pass_ms(begin_ms + (number + 1) * 20_000 - self.clock.boot)
            self._read(probe, quantities)
            if self.chance.random() < 0.02:
                self.turn()
        self.clock.pass_ms(max(0, begin_ms + PERIOD_MS - self.clock.boot))
        if self.chance.random() < 0.1 or self.clock.boot - self.turned_ms >= LONGEST_SLICE_MS - PERIOD_MS:
            self.turn()

    # ------------------------------------------------------------ readings

    def _read(self, probe: str, quantities: tuple[str, ...]) -> None:
        mood, medium = self.moods[probe], "line /dev/ttyUSB0" if probe == "air-b" else "broker home"
        if mood.fault and self.clock.boot > mood.until_ms:
            mood.fault, mood.frozen = "", {}
        if medium in self.media_down or mood.fault == "silent":
            return
        if mood.fault == "garbled":
            self.inbox.fault(probe, "garbled", "noise")
            return
        for quantity in quantities:
            value, clean = self._shown(probe, quantity, mood)
            clean = clean and not (probe == "air-b" and self.clock.boot < self.out_until_ms)
            self.samples.append(Sample(self.clock.boot, probe, quantity, value, clean))
            self.inbox.reading(probe, quantity, value, None)  # type: ignore[arg-type]

    def _shown(self, probe: str, quantity: str, mood: ProbeMood) -> tuple[float, bool]:
        climate = self.climates[{"room": "study", "air-a": "nest-a", "lid-a": "nest-a", "air-b": "nest-b"}[probe]]
        if quantity == "relative_humidity":
            true = climate.humidity_pct() + self.chance.gauss(0, 0.2)
        else:
            true = climate.temperature_c(self.clock.boot) + self.chance.gauss(0, 0.03)
            if quantity == "surface_temperature":
                true = 0.6 * true + 0.4 * self.climates["study"].temperature_c(self.clock.boot)
        value = round(true, 2 if quantity != "relative_humidity" else 1)
        if mood.fault == "frozen":
            value = mood.frozen.setdefault(quantity, value)
        elif mood.fault == "sentinel":
            value = 85.0 if quantity != "relative_humidity" else 255.0
        elif mood.fault == "spikes" and self.chance.random() < 0.3:
            value = round(value + self.chance.choice((-40.0, 25.0, 60.0)), 2)
        elif mood.fault == "no-number":
            value = float("nan")
        return value, not mood.fault

    # ------------------------------------------------------------ what may befall

    def _befall(self) -> None:
        per_day = PERIOD_MS / DAY_MS
        rates: dict[str, tuple[float, Callable[[], None]]] = {
            "kill": (0.5, self._aim),
            "suspend": (0.1, self._suspend),
            "step": (0.07, self._set_clock),
            "disk": (0.05, self._fill_disk),
            "probe": (0.4, self._spoil_probe),
            "medium": (0.15, self._cut_medium),
            "mqtt": (0.2, lambda: self._spoil(self.mqtt, ("down", "down", "answers-lost"))),
            "mail": (0.2, lambda: self._spoil(self.post, ("down", "barred", "answers-lost", "refusing"))),
            "keeper": (2.0, self._speak),
            "edit": (0.05, self._edit),
        }
        for name, (rate, happen) in rates.items():
            if name in self.faults and self.chance.random() < rate * per_day:
                happen()
        self._mend()

    def _mend(self) -> None:
        for transport in (self.mqtt, self.post):
            if transport.mood != "up" and self.clock.boot > transport.until_ms:
                transport.mood = "up"
                transport.session += 1 if transport is self.mqtt else 0
        for medium, until_ms in list(self.media_down.items()):
            if self.clock.boot > until_ms:
                del self.media_down[medium]
                self.inbox.medium(medium, False, "there again")
        if self.full_until_ms is not None and self.clock.boot > self.full_until_ms:
            self.full_until_ms = None
            self._disk_pages("1000000000")

    def _aim(self) -> None:
        self.aiming = True

    def _suspend(self) -> None:
        duration_ms = self.chance.choice((150, 180, 300, 480)) * MINUTE_MS
        self.turn()  # a real engine has taken in what came before; only here it turns so seldom
        self.mark("suspended", str(duration_ms))
        self._sleep(duration_ms)

    def _set_clock(self) -> None:
        if self.full_until_ms is not None:
            return  # what is recorded late could not be told apart
        step_ms = self.chance.choice((-HOUR_MS, HOUR_MS, -5 * MINUTE_MS, 5 * MINUTE_MS, -3 * DAY_MS, 365 * DAY_MS))
        self.clock.wall += step_ms

    def _disk_pages(self, most: str) -> None:
        self.history._connection.execute(f"PRAGMA max_page_count = {most}")

    def _fill_disk(self) -> None:
        pages = self.history._connection.execute("PRAGMA page_count").fetchone()[0]
        self._disk_pages(str(pages))
        self.full_until_ms = self.clock.boot + self.chance.randint(1, 30) * HOUR_MS
        self.mark("disk-full")

    def _spoil_probe(self) -> None:
        mood = self.moods[self.chance.choice(list(self.moods))]
        mood.fault = self.chance.choice(("silent", "garbled", "frozen", "sentinel", "spikes", "no-number"))
        mood.until_ms = self.clock.boot + self.chance.choice((20, 70, 200, 600, 2000)) * MINUTE_MS
        mood.frozen = {}

    def _cut_medium(self) -> None:
        medium = self.chance.choice(("broker home", "line /dev/ttyUSB0"))
        if medium not in self.media_down:
            self.media_down[medium] = self.clock.boot + self.chance.choice((3, 20, 90, 600)) * MINUTE_MS
            self.inbox.medium(medium, True, "gone")

    def _spoil(self, transport: Transport, moods: tuple[str, ...]) -> None:
        transport.mood = self.chance.choice(moods)
        transport.until_ms = self.clock.boot + self.chance.choice((10, 60, 400, 2000, 14 * 1440)) * MINUTE_MS

    def _speak(self) -> None:
        chamber = self.chance.choice(("nest-a", "nest-b"))
        alarm = self.chance.choice(("temperature-high", "temperature-low", "humidity-low", "lid-dew"))
        at_ms = self.clock.wall
        word: dict[str, Any] = self.chance.choice((
            {"word": "acknowledge", "chamber": chamber, "alarm": alarm},
            {"word": "acknowledge", "chamber": chamber, "alarm": alarm},
            {"word": "acknowledge", "chamber": chamber, "alarm": alarm, "occurrence": self.chance.randint(0, 9)},
            {"word": "shelve", "chamber": chamber, "alarm": alarm, "for_ms": self.chance.randint(1, 48) * HOUR_MS},
            {"word": "unshelve", "chamber": chamber, "alarm": alarm},
            {"word": "out-of-service", "probe": "air-b", "for_ms": self.chance.choice((0, HOUR_MS, 5 * HOUR_MS))},
            {"word": "visit", "chamber": chamber},
            {"word": "lid-seen", "chamber": chamber, "at_ms": at_ms, "seen": self.chance.choice(("dry", "droplets"))},
            {"word": "garden", "chamber": chamber, "at_ms": at_ms, "garden_ml": self.chance.randint(50, 900)},
            {"word": "care-done", "chamber": chamber, "task": "leaves", "at_ms": at_ms},
        ))  # fmt: skip
        try:
            self.spool.leave(word)
        except WordError:
            return
        self.words_left += 1
        if word["word"] == "out-of-service":
            self.out_until_ms = max(self.out_until_ms, self.clock.boot + word["for_ms"] + 2 * LONGEST_SLICE_MS)
            self.mark("out-of-service", str(self.out_until_ms))
        self.inbox.ring()

    def _edit(self) -> None:
        self.turn()
        self.high = self.chance.choice((27.0, 28.0, 28.5))
        self._setting = self.setting()
        self.engine.reconfigure(self._setting)
        self.mark("edited", str(self.high))


__all__ = ["HistoryError", "Killed", "Mark", "Sample", "World"]
