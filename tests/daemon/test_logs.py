"""The log is one event per line in its reader's form, holds nothing that steers a terminal, and never
blocks."""

import io
import json
import logging
import os
import re
import subprocess
import sys
import threading
from collections.abc import Iterator

import pytest
import structlog
from hypothesis import given
from hypothesis import strategies as st

from daemon import logs

ATTACK = 'x\n{"level":"error","event":"forged"}\x1b[2J\u202e\u2028\x85\x00'


@pytest.fixture(autouse=True)
def restored() -> Iterator[None]:
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    yield
    root.handlers[:] = handlers
    root.setLevel(level)
    structlog.reset_defaults()
    structlog.contextvars.clear_contextvars()


def written(form: logs.Form, speak) -> str:  # type: ignore[no-untyped-def]
    sink = io.StringIO()
    logs.set_up(form, "info", sink)
    speak(structlog.get_logger("daemon.test"))
    return sink.getvalue()


def test_json_is_one_object_per_line_whatever_is_said() -> None:
    text = written("json", lambda log: log.warning(ATTACK, probe=ATTACK, nested={"deep": [ATTACK]}))
    lines = text.splitlines()
    assert len(lines) == 1
    record = json.loads(lines[0])
    assert record["level"] == "warning"
    assert record["logger"] == "daemon.test"
    assert record["timestamp"].endswith("Z")
    assert record["probe"] == logs.escaped(ATTACK) == record["nested"]["deep"][0]


@pytest.mark.parametrize("form", ["json", "console", "journal"])
def test_no_form_lets_a_steering_character_through(form: logs.Form) -> None:
    text = written(form, lambda log: log.error(ATTACK, probe=ATTACK))
    assert text.count("\n") == 1
    assert not set("\x1b\u202e\u2028\x85\x00") & set(text)


def test_the_journal_gets_its_priority_on_every_line_and_no_time() -> None:
    def speak(log: structlog.stdlib.BoundLogger) -> None:
        log.info("reading", rh_pct=81.2)
        try:
            raise ValueError("first\nsecond")
        except ValueError:
            log.exception("failed")

    lines = written("journal", speak).splitlines()
    assert lines[0] == "<6>event=reading rh_pct=81.2 level=info logger=daemon.test"
    assert all(line.startswith("<3>") for line in lines[1:])
    assert "202" not in lines[0]


def test_who_watches_it_at_a_terminal_reads_the_time_of_day_first() -> None:
    text = written("console", lambda log: log.info("line is open", port="/dev/ttyX0"))
    assert re.match(r"\d\d:\d\d:\d\d \[info\] +line is open ", text), text


@pytest.mark.parametrize("form", ["json", "console", "journal"])
def test_a_traceback_never_shows_a_local_variable(form: logs.Form) -> None:
    def log_in(log: structlog.stdlib.BoundLogger) -> None:
        password = "canary-" + "secret"
        try:
            assert password
            raise OSError("no route")
        except OSError:
            log.exception("the mail server is not there")

    text = written(form, log_in)
    assert "no route" in text
    assert "canary-secret" not in text


def test_records_of_libraries_come_in_the_same_form_but_only_from_warning_on() -> None:
    def speak(_log: structlog.stdlib.BoundLogger) -> None:
        logging.getLogger("apscheduler.executors.default").info("job ran")
        logging.getLogger("apscheduler.executors.default").warning("job %s", "missed")

    records = [json.loads(line) for line in written("json", speak).splitlines()]
    assert [(record["event"], record["logger"]) for record in records] == [
        ("job missed", "apscheduler.executors.default"),
    ]


def test_levels_below_the_chosen_one_are_silent() -> None:
    assert written("json", lambda log: log.debug("hidden")) == ""


def test_bound_context_is_part_of_every_record() -> None:
    structlog.contextvars.bind_contextvars(probe="tank-air")
    assert json.loads(written("json", lambda log: log.info("read")))["probe"] == "tank-air"


def test_a_pipe_is_written_as_json_and_the_journal_is_recognised_by_its_device() -> None:
    code = (
        "import os, sys, structlog; from daemon import logs\n"
        "status = os.fstat(2)\n"
        "if sys.argv[1] == 'journal': os.environ['JOURNAL_STREAM'] = f'{status.st_dev}:{status.st_ino}'\n"
        "logs.set_up(); structlog.get_logger('x').info('hello')\n"
    )
    def heard(name: str) -> str:
        done = subprocess.run([sys.executable, "-c", code, name], capture_output=True, text=True, check=True)
        return done.stderr

    assert heard("journal") == "<6>event=hello level=info logger=x\n"
    assert json.loads(heard("plain"))["event"] == "hello"


def test_a_stuck_reader_costs_counted_lines_and_never_stops_the_writer() -> None:
    reader, writer = os.pipe()
    with os.fdopen(writer, "w") as stream:
        logs.set_up("json", "info", stream)
        log = structlog.get_logger("daemon.test")
        flood = threading.Thread(target=lambda: [log.info("x" * 200, n=n) for n in range(2_000)], daemon=True)
        flood.start()
        flood.join(30)
        assert not flood.is_alive()
        os.set_blocking(reader, False)
        heard = drained(reader)
        log.info("again")
        heard += drained(reader)
    os.close(reader)
    records = [json.loads(line) for line in heard.decode().splitlines()]
    assert records[-1]["event"] == "again"
    assert records[-2]["event"] == f"the log reader was stuck: {2_000 - len(records) + 2} lines were lost"


def drained(reader: int) -> bytes:
    heard = b""
    while True:
        try:
            heard += os.read(reader, 65_536)
        except BlockingIOError:
            return heard


@given(st.text())
def test_escaped_text_is_printable_and_plain_text_stays_as_it_is(text: str) -> None:
    result = logs.escaped(text)
    assert "\n" not in result
    assert "\x1b" not in result
    assert result.isprintable() or any(letter.isspace() for letter in result)
    if text.isprintable():
        assert result == text


def test_endless_text_is_cut() -> None:
    assert len(logs.escaped("x" * 1_000_000)) < 5_000
