"""Has the digest's figures and chart made by a short-lived process, so that the daemon stays small and nothing waits for it.

Whatever happens to that process, the letter goes out: without the picture, at worst without the figures.
"""

from __future__ import annotations

import base64
import json
import os
import subprocess
import sys
import threading
from contextlib import suppress
from datetime import time
from typing import Any

import structlog

from adapters.outlets.illustration import Illustration
from adapters.outlets.letter import MailOutlet
from daemon.config.configuration import Configuration
from rules.terms.events import DAY_MS, LetterEvent

LONGEST_S = 120.0
"""On a slow machine the figures of a week take a while."""
_LARGEST_PNG = 2_000_000

_log = structlog.get_logger(__name__)


class DigestChart:
    """Illustrates digests. One for all outlets: the last one made is kept, since a letter goes to several addresses."""

    longest_s = LONGEST_S

    def __init__(self, configuration: Configuration) -> None:
        self._task = _task(configuration)
        self._lock = threading.Lock()
        self._made: tuple[str, Illustration | None] | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._over = False

    def illustrate(self, event: LetterEvent) -> Illustration | None:
        """Return figures and chart of the time before a digest, or before now for who asks how it is; None for another letter,
        or when it failed."""
        if event.sort != "digest" and not event.thread.startswith("how."):
            return None
        with self._lock:
            if self._made is None or self._made[0] != event.id:
                self._made = event.id, self._drawn(event)
            return self._made[1]

    def break_off(self) -> None:
        """End the process, if one is at work: the daemon ends."""
        self._over = True
        process = self._process
        if process is not None:
            with suppress(OSError):
                process.kill()

    def _drawn(self, event: LetterEvent) -> Illustration | None:
        for_ms = 7 * DAY_MS if event.thread.startswith("weekly") else DAY_MS
        task = {**self._task, "until_ms": event.at_ms, "for_ms": for_ms}
        try:
            answer = self._asked(json.dumps(task, default=_plain).encode())
            png = base64.b64decode(answer["png"]) if answer["png"] else None
            return Illustration(tuple(answer["lines"]), png if png is None or len(png) <= _LARGEST_PNG else None)
        except (OSError, subprocess.SubprocessError, ValueError, KeyError, TypeError) as error:
            _log.warning("the digest goes without its chart", reason=f"{type(error).__name__}: {error}")
            return None

    def _asked(self, task: bytes) -> dict[str, Any]:
        command = [sys.executable, "-P", "-m", "daemon.report.digest_process", str(os.getpid())]
        pipes: dict[str, Any] = dict.fromkeys(("stdin", "stdout", "stderr"), subprocess.PIPE)
        with subprocess.Popen(command, **pipes) as process:  # noqa: S603 - our own interpreter and module
            self._process = process
            try:
                if self._over:
                    process.kill()
                told, errors = process.communicate(task, timeout=LONGEST_S)
            except subprocess.TimeoutExpired:
                process.kill()
                raise
            finally:
                self._process = None
        if process.returncode != 0:
            lines = errors.decode(errors="replace").strip().splitlines() or [f"status {process.returncode}"]
            raise ValueError(lines[-1])
        answer: dict[str, Any] = json.loads(told)
        return answer


def _task(configuration: Configuration) -> dict[str, Any]:
    """Return what the process needs: the config as it is in force, which its file may no longer be."""
    return {"configuration": configuration.model_dump(exclude={"outlet", "broker"}), "store": str(configuration.store)}


def _plain(value: object) -> str:
    return f"{value:%H:%M}" if isinstance(value, time) else str(value)


def mails(configuration: Configuration) -> bool:
    """Whether any outlet mails."""
    return any(isinstance(outlet, MailOutlet) for outlet in configuration.outlet.values())
