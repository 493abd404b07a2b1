"""Sets up the log: one event per line on stderr, in the form that its reader needs, and never a secret or
a hang.

Received text may hold anything, so control characters (also escape sequences and direction marks of
Unicode) are escaped before they reach a terminal or a log reader. Tracebacks never show local variables:
they may hold passwords. A stuck log reader costs log lines, which are counted, and never stops the daemon.
"""

from __future__ import annotations

import logging
import os
import select
import sys
import threading
import unicodedata
from collections.abc import MutableMapping
from typing import Any, Literal, TextIO

import structlog

Form = Literal["auto", "journal", "console", "json"]
_CHUNK = 4_096
"""Bytes that a pipe takes without blocking once it is writable at all (PIPE_BUF of Linux)."""
_LONGEST_TEXT = 4_000
_PRIORITY = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}
_UNSAFE = ("Cc", "Cf", "Zl", "Zp", "Cs", "Co", "Cn")
_Fields = MutableMapping[str, Any]


def set_up(form: Form = "auto", level: str = "info", stream: TextIO | None = None) -> None:
    """Send every log record of the process, foreign ones too, to stderr in this form."""
    stream = sys.stderr if stream is None else stream
    chosen = _form_for(stream) if form == "auto" else form
    before: list[Any] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.stdlib.ExtraAdder(),
        structlog.processors.StackInfoRenderer(),
        _with_traceback,
    ]
    if chosen == "console":
        before.append(structlog.processors.TimeStamper(fmt="%H:%M:%S", utc=False))
    elif chosen == "json":
        before.append(structlog.processors.TimeStamper(fmt="iso", utc=True))
    handler = _PatientHandler(stream)
    handler.setFormatter(_formatter(chosen, before, stream))
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level.upper())
    for chatty in ("apscheduler", "asyncio", "paho"):
        logging.getLogger(chatty).setLevel(max(logging.WARNING, root.level))
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level, *before, structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=False,
    )


def escaped(text: str) -> str:
    """Return the text on one line with every character that could steer a terminal or forge a line
    escaped."""
    if len(text) > _LONGEST_TEXT:
        text = f"{text[:_LONGEST_TEXT]}... ({len(text)} characters)"
    if text.isascii() and text.isprintable():
        return text
    return "".join(_escaped(letter) for letter in text)


def _escaped(letter: str) -> str:
    if unicodedata.category(letter) not in _UNSAFE:
        return letter
    return {"\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(letter, f"\\u{ord(letter):04x}")


def _form_for(stream: TextIO) -> Literal["journal", "console", "json"]:
    try:
        status = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return "json"
    if os.environ.get("JOURNAL_STREAM") == f"{status.st_dev}:{status.st_ino}":
        return "journal"
    return "console" if stream.isatty() else "json"


def _formatter(form: str, before: list[Any], stream: TextIO) -> logging.Formatter:
    renderer: Any
    if form == "json":
        renderer = structlog.processors.JSONRenderer(ensure_ascii=False)
    elif form == "journal":
        renderer = structlog.processors.LogfmtRenderer(key_order=["event"], drop_missing=True)
    else:
        renderer = structlog.dev.ConsoleRenderer(
            colors=stream.isatty() and "NO_COLOR" not in os.environ, pad_event_to=0, pad_level=False,
            exception_formatter=structlog.dev.plain_traceback,
        )
    last = [structlog.stdlib.ProcessorFormatter.remove_processors_meta, _clean_fields, renderer]
    kind = _JournalFormatter if form == "journal" else structlog.stdlib.ProcessorFormatter
    return kind(foreign_pre_chain=before, processors=last)


def _with_traceback(_logger: Any, _method: str, fields: _Fields) -> _Fields:
    """Turn `exc_info` into the lines of a traceback without local variables."""
    fields = structlog.processors.format_exc_info(_logger, _method, fields)
    if isinstance(text := fields.pop("exception", None), str):
        fields["traceback"] = text.splitlines()
    return fields


def _clean_fields(_logger: Any, _method: str, fields: _Fields) -> _Fields:
    return {escaped(str(key)): _clean(value) for key, value in fields.items()}


def _clean(value: Any) -> Any:
    if isinstance(value, str):
        return escaped(value)
    if isinstance(value, dict):
        return {escaped(str(key)): _clean(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_clean(inner) for inner in value]
    if value is None or isinstance(value, bool | int | float):
        return value
    return escaped(str(value))


class _JournalFormatter(structlog.stdlib.ProcessorFormatter):
    """Prefixes each line with its syslog priority (sd-daemon(3)); the journal adds the time itself."""

    def format(self, record: logging.LogRecord) -> str:
        prefix = f"<{_PRIORITY.get(record.levelno, 6)}>"
        return "\n".join(prefix + line for line in super().format(record).splitlines())


class _PatientHandler(logging.Handler):
    """Writes whole lines, but only while the reader takes them; what it does not take is counted and told
    later."""

    def __init__(self, stream: TextIO) -> None:
        super().__init__()
        self._stream = stream
        self._lost = 0
        self._writing = threading.Lock()
        self._poll: select.poll | None = None
        try:
            self._poll = select.poll()
            self._poll.register(stream.fileno(), select.POLLOUT)
        except (OSError, ValueError):
            self._poll = None  # a stream without a descriptor, such as a test's

    def emit(self, record: logging.LogRecord) -> None:
        try:
            line = self.format(record) + "\n"
        except Exception:
            self.handleError(record)
            return
        with self._writing:
            if self._lost and self._takes():
                self._write(self._apology())
                self._lost = 0
            if not self._write(line):
                self._lost += 1

    def _apology(self) -> str:
        record = logging.LogRecord(
            "daemon.logs", logging.WARNING, __file__, 0,
            "the log reader was stuck: %d lines were lost", (self._lost,), None,
        )
        return self.format(record) + "\n"

    def _takes(self) -> bool:
        return self._poll is None or any(flags & select.POLLOUT for _, flags in self._poll.poll(0))

    def _write(self, line: str) -> bool:
        if self._poll is None:
            self._stream.write(line)
            return True
        octets = line.encode("utf-8", "backslashreplace")
        try:
            for start in range(0, len(octets), _CHUNK):
                if not self._takes():
                    return False
                os.write(self._stream.fileno(), octets[start : start + _CHUNK])
        except OSError:
            return False
        return True
