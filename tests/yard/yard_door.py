"""The program behind its own door: `dewlid replay CONFIG - --json --learn`, a line in, events out."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent.parent
Event = dict[str, Any]


class Door:
    """One running program and the clock of its world."""

    def __init__(self, config: Path, begin: datetime, *, learn: bool = True) -> None:
        self.begin = begin
        self.events: list[Event] = []
        command = [sys.executable, "-m", "daemon.cli", "replay", str(config), "-", "--json", *(["--learn"] if learn else [])]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT
        )
        self._lines: list[str] = []

    def time(self, minute: float) -> str:
        """Return an instant of the world as RFC 3339."""
        return (self.begin + timedelta(minutes=minute)).astimezone(UTC).isoformat().replace("+00:00", "Z")

    def ms(self, minute: float) -> int:
        """Return an instant of the world in milliseconds since 1970."""
        return round((self.begin + timedelta(minutes=minute)).timestamp() * 1000)

    def reads(self, minute: float, probe: str, quantity: str, value: float, unit: str) -> None:
        """Hand over a reading."""
        self._lines.append(
            json.dumps({"time": self.time(minute), "probe": probe, "quantity": quantity, "value": value, "unit": unit})
        )

    def says(self, minute: float, word: dict[str, Any]) -> None:
        """Hand over a keeper's word."""
        self._lines.append(json.dumps({"time": self.time(minute), "word": word}))

    def now(self, minute: float) -> list[Event]:
        """Have everything judged up to now and return what is told."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._lines.append(json.dumps({"now": self.time(minute)}))
        try:
            self._process.stdin.write("\n".join(self._lines) + "\n")
            self._process.stdin.flush()
        except BrokenPipeError:
            raise RuntimeError(self._said_at_its_end()) from None
        self._lines, told = [], []
        while True:
            line = self._process.stdout.readline()
            if not line:
                raise RuntimeError(self._said_at_its_end())
            event = json.loads(line)
            if "closed" in event:
                self.events += told
                return told
            told.append(event)

    def close(self) -> int:
        """Shut the door and return the program's status."""
        assert self._process.stdin is not None and self._process.stderr is not None and self._process.stdout is not None
        self._process.stdin.close()
        status = self._process.wait(60)
        self._process.stdout.close()
        self._process.stderr.close()
        return status

    def _said_at_its_end(self) -> str:
        assert self._process.stderr is not None
        return f"the program ended with {self._process.wait(60)}: {self._process.stderr.read()}"
