"""`dewlid watch` on a real pseudo-terminal: every size, resized while it runs, without colour or UTF-8, and into a pipe."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable
from datetime import UTC
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shelf_store import fill, write_config

from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.desk.live_table import table
from daemon.report.record import Record, read_record
from daemon.report.verdict import verdicts
from daemon.screen.terminal import Terminal, clipped, drawn, padded, plain, width_of
from daemon.store.history import History
from rules.settings import Settings
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, Batch
from rules.turn.advance import advance
from rules.turn.present import present

_ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
_COLOURS = re.compile(r"\x1b\[[0-9;]+m")
DAYS = 2 + 3 / 24


@pytest.fixture(name="config", scope="module")
def _config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shelf whose big nest has lost its heat just now."""
    config = write_config(tmp_path_factory.mktemp("shelf"))
    fill(config, time.time_ns() // 1_000_000 - round(DAYS * DAY_MS), DAYS)
    return config


@pytest.fixture(name="record", scope="module")
def _record(config: Path) -> Record:
    configuration = load(config)
    settings = settings_of(configuration)
    newest_ms = read_record(configuration.store, settings, 0, DAY_MS, pictures=False).newest_ms
    assert newest_ms is not None
    return read_record(configuration.store, settings, newest_ms + 20_000, DAY_MS, pictures=False)


class Session:
    """The command in a pseudo-terminal."""

    def __init__(self, config: Path, columns: int, rows: int, **environment: str) -> None:
        self.ours, theirs = pty.openpty()
        self._size(theirs, columns, rows)
        plain_environment = {key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "COLUMNS", "LINES")}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "daemon.cli", "watch", str(config), "--every", "60s"],
            stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True,
            env={**plain_environment, "TERM": "xterm", "PYTHONUTF8": "1", **environment},
            # A suite that runs in the background hands down an ignored Ctrl-C; a terminal does not.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )  # fmt: skip
        os.close(theirs)
        self.told = ""

    @staticmethod
    def _size(terminal: int, columns: int, rows: int) -> None:
        fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def resize(self, columns: int, rows: int) -> None:
        """As a window does: the size is set, and the kernel or the window tells the foreground process."""
        self._size(self.ours, columns, rows)
        os.kill(self.process.pid, signal.SIGWINCH)

    def until(self, seen: Callable[[str], bool], timeout_s: float = 20.0) -> str:
        """Read until what was told satisfies, and return the screen drawn last."""
        deadline_s = time.monotonic() + timeout_s
        while time.monotonic() < deadline_s:
            ready, _, _ = select.select([self.ours], [], [], 0.1)
            if ready:
                try:
                    self.told += os.read(self.ours, 65_536).decode(errors="replace")
                except OSError:  # the other side has closed
                    break
            if seen(self.told):
                return self.screen
        if seen(self.told):
            return self.screen
        raise AssertionError(f"not told within {timeout_s:g} s: {self.told[-2000:]!r}")

    @property
    def screen(self) -> str:
        """What was drawn last, whole."""
        whole = re.findall(r"\x1b\[H(.*?)\x1b\[J", self.told, re.DOTALL)
        return str(whole[-1]) if whole else ""

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self.ours)


@pytest.fixture(name="session")
def _session(config: Path) -> Any:
    open_: list[Session] = []

    def start(columns: int, rows: int, **environment: str) -> Session:
        open_.append(Session(config, columns, rows, **environment))
        return open_[-1]

    yield start
    for one in open_:
        one.close()


def rows_of(screen: str) -> list[str]:
    return [_ESCAPES.sub("", row).rstrip("\r") for row in screen.split("\n")]


def drawings(number: int) -> Callable[[str], bool]:
    return lambda told: told.count("\x1b[J") >= number


# ---------------------------------------------------------------- live


def test_it_shows_the_shelf_follows_a_resize_and_leaves_the_terminal_as_it_was(session: Any) -> None:
    one = session(100, 40)
    screen = one.until(drawings(1))
    rows = rows_of(screen)
    assert max(width_of(row) for row in rows) <= 100
    assert any(re.match(r"Big nest +Act now +\d\d\.\d °C +\d\d %", row) for row in rows)
    assert any("1. Check the heat" in row for row in rows)
    assert re.search("[▁▂▃▄▅▆▇█]{12}", screen)
    assert _COLOURS.search(screen)
    for number, (columns, height) in enumerate([(48, 12), (20, 6), (160, 50)], 2):
        one.resize(columns, height)
        rows = rows_of(one.until(drawings(number)))
        assert max(width_of(row) for row in rows) <= columns
        assert len(rows) <= height
        assert any("Big nest" in row for row in rows)
    os.kill(one.process.pid, signal.SIGINT)
    one.until(lambda told: told.endswith("\x1b[?1049l"))
    assert one.process.wait(10) == 0
    assert one.told.startswith("\x1b[?1049h\x1b[?25l")
    assert one.told.endswith("\x1b[0m\x1b[?25h\x1b[?1049l")


def test_no_color_is_heeded(session: Any) -> None:
    screen = session(90, 30, NO_COLOR="1").until(drawings(1))
    assert not _COLOURS.search(screen)
    assert "Act now" in screen


def test_a_terminal_without_utf8_gets_plain_signs(session: Any) -> None:
    screen = session(90, 30, PYTHONUTF8="0", PYTHONIOENCODING="ascii", LC_ALL="C").until(drawings(1))
    assert screen.isascii()
    assert re.search(r"Big nest +Act now +\d\d\.\d C", _ESCAPES.sub("", screen))


@pytest.mark.parametrize("terminal", ["dumb", ""])
def test_a_terminal_that_cannot_be_drawn_over_gets_it_once(session: Any, terminal: str) -> None:
    one = session(80, 24, TERM=terminal)
    one.until(lambda told: "dewlid care list" in told.replace("\r\n", " "))
    assert one.process.wait(10) == 0
    assert "\x1b" not in one.told


def test_a_terminal_that_goes_away_ends_it(session: Any) -> None:
    one = session(80, 24)
    one.until(drawings(1))
    os.kill(one.process.pid, signal.SIGHUP)
    assert one.process.wait(10) == 0


def test_a_pipe_gets_it_once_without_escapes(config: Path) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "daemon.cli", "watch", str(config)], capture_output=True, text=True, timeout=60,
        env={**os.environ, "PYTHONUTF8": "1", "COLUMNS": "72"},
    )  # fmt: skip
    assert (ran.returncode, ran.stderr) == (0, "")
    assert "\x1b" not in ran.stdout
    assert max(width_of(row) for row in ran.stdout.splitlines()) <= 72


def test_it_shows_what_a_daemon_records_meanwhile(tmp_path: Path, session: Any, config: Path) -> None:
    """It reads beside the one who writes: the lock of the store is held all the time."""
    history = History.open(load(config).store, now_ms=time.time_ns() // 1_000_000)
    try:
        assert "Big nest" in session(90, 30).until(drawings(1))
    finally:
        history.close()


def test_no_store_yet_is_told_on_the_screen(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "daemon.cli", "watch", str(write_config(tmp_path)), "--once"]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert ran.returncode == 0
    assert "Nothing has been recorded yet. It begins with: dewlid run." in ran.stdout


# ---------------------------------------------------------------- the table


@pytest.mark.parametrize("width", range(16, 140, 3))
@pytest.mark.parametrize("utf8", [True, False])
def test_no_line_is_wider_than_the_terminal_and_every_chamber_is_there(record: Record, width: int, utf8: bool) -> None:
    terminal = Terminal(width, 60, colour=False, unicode=utf8, live=False)
    lines = [drawn(line, terminal) for line in table(record, terminal)]
    assert max(width_of(line) for line in lines) <= width
    text = "\n".join(lines)
    assert utf8 or text.isascii()
    for state in ("Act", "Well"):
        assert state in text
    assert width < 40 or re.search(r"Big nest +Act now +\d\d\.\d ", text)


def test_the_trend_is_of_the_last_hours_and_a_calm_one_stays_in_the_middle(record: Record) -> None:
    terminal = Terminal(120, 60, colour=False, unicode=True, live=False)
    rows = [drawn(line, terminal) for line in table(record, terminal)]
    fallen, calm = (
        next(found[0] for row in rows if row.startswith(name) and (found := re.findall("[▁▂▃▄▅▆▇█]{20,}", row)))
        for name in ("Big nest", "Small nest")
    )
    assert fallen[0] == "█"
    assert fallen[-1] == "▁"
    assert set(calm) <= set("▃▄▅▆")


@pytest.mark.parametrize(("minutes", "said"), [
    (4, "cold wants watching: too cool for 4 minutes. It is an alarm when it lasts."),
    (20, "cold wants watching: too cool."),
])  # fmt: skip
def test_a_value_outside_its_band_is_told_before_it_is_an_alarm(minutes: int, said: str) -> None:
    settings = Settings.model_validate({
        "site": {}, "zone": UTC, "rooms": {}, "chambers": {"cold": {}}, "telling": {},
        "probes": {"air": {"place": "cold", "interval": "30s"}},
    })  # fmt: skip
    at_ms = 30_000 * np.arange(2 * (minutes + 10), dtype=np.int64)
    air = np.where(at_ms < 10 * MINUTE_MS, 25.0, 23.2) + 0.02 * (np.arange(len(at_ms)) % 3)
    batch = Batch((("air", "air_temperature"),), np.zeros(len(at_ms), np.int32), at_ms, at_ms, air)
    state = advance(settings, None, batch, int(at_ms[-1]) + 1).state
    [told] = verdicts(settings, state, present(settings, state), int(at_ms[-1]) + 1, late=False)
    assert told.headline == said


def test_a_record_that_ended_is_told_in_the_first_lines(record: Record, config: Path) -> None:
    configuration = load(config)
    late = read_record(configuration.store, record.settings, record.now_ms + 5 * HOUR_MS, DAY_MS, pictures=False)
    terminal = Terminal(100, 60, colour=False, unicode=True, live=False)
    lines = [drawn(line, terminal) for line in table(late, terminal)]
    assert lines[1].startswith("Nobody has watched since ")


@pytest.mark.parametrize(
    ("text", "width", "said"),
    [
        ("abc", 3, "abc"), ("abcd", 3, "ab…"), ("蟻の巣", 6, "蟻の巣"), ("蟻の巣", 5, "蟻の…"), ("蟻の巣", 4, "蟻…"),
        ("e\u0301a", 2, "e\u0301a"),
    ],
)  # fmt: skip
def test_a_text_is_cut_by_the_columns_that_it_takes(text: str, width: int, said: str) -> None:
    assert clipped(text, width) == said
    assert width_of(padded(text, width)) == width


def test_what_ascii_has_not_becomes_something_that_it_has() -> None:
    assert plain("25.3 °C – “Gärten” ±1…") == '25.3 C - "Garten" +1.'
