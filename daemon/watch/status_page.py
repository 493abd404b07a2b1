"""Keeps a small page of the present in a folder, for any web server to show; the daemon itself opens no port.

The engine's thread only gathers the words and trends, once a minute; another thread makes the page and writes it, so that a
slow or full disk holds up nobody. When the daemon ends, the page says so.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from html import escape
from pathlib import Path

import structlog

from adapters.wording.figures import clean
from daemon.config.configuration import PageTable
from daemon.report.figures import local_text
from daemon.report.looks import document
from daemon.report.page import cards, care_lines, care_sentence, head
from daemon.report.svg import Scale, points
from daemon.report.verdict import Verdict, verdicts, whole
from daemon.report.writing import NotWritten, write_whole
from daemon.watch.engine import Engine
from daemon.watch.inbox import Inbox
from daemon.watch.timetable import Polling
from rules.care import care
from rules.care.occurrences import Occurrence
from rules.climate.memory import Hour
from rules.settings import Settings
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.terms.local_time import time_words
from rules.turn.advance import EngineState
from rules.turn.present import present

RENEW_MS = MINUTE_MS
"""How often the page is written; it asks to be loaded again as often."""
TREND_H = 48

_log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Trend:
    """One figure of the last two days by whole hours: least and greatest, None where nothing was seen."""

    name: str
    unit: str
    hours: tuple[tuple[float, float] | None, ...]


@dataclass(frozen=True, slots=True)
class Present:
    """All that the page shows, as plain values that no thread changes."""

    site: str
    zone: tzinfo
    at_ms: int
    verdicts: tuple[Verdict, ...]
    trends: Mapping[str, tuple[Trend, ...]]
    due: tuple[Occurrence, ...]
    newest: str | None
    ended: bool = False


def present_of(settings: Settings, state: EngineState, now_ms: int) -> Present:
    """Return what the page shows of a state."""
    situations = present(settings, state)
    heard = [place.heard_ms for place in state.places.values() if place.heard_ms is not None]
    unit = "°F" if settings.site.temperature_unit == "degF" else "°C"
    return Present(
        site=clean(settings.site.name, 60),
        zone=settings.zone,
        at_ms=now_ms,
        verdicts=tuple(verdicts(settings, state, situations, now_ms, late=False)),
        trends={name: _trends(state, name, now_ms, unit) for name in settings.chambers},
        due=tuple(care.standing(settings, state.care)),
        newest=time_words(max(heard), settings.zone) if heard else None,
    )


def _trends(state: EngineState, name: str, now_ms: int, unit: str) -> tuple[Trend, ...]:
    place = state.places.get(name)
    hours = place.hours if place is not None else {}
    last = now_ms // HOUR_MS
    span = range(last - TREND_H + 1, last + 1)
    temperature = _shown(hours.get("temperature_c", {}), span)
    if unit == "°F":
        temperature = tuple(one and (one[0] * 1.8 + 32, one[1] * 1.8 + 32) for one in temperature)
    return Trend("Temperature", unit, temperature), Trend("Humidity", "%", _shown(hours.get("relative_humidity_pct", {}), span))


def _shown(table: Mapping[str, Hour], span: range) -> tuple[tuple[float, float] | None, ...]:
    rows = [table.get(str(hour)) for hour in span]
    return tuple(None if row is None else (row.least / 1000, row.greatest / 1000) for row in rows)


# ---------------------------------------------------------------- the page


def status_page(now: Present) -> str:
    """Return the page as HTML; it loads itself anew every minute, without a script."""
    told = now.verdicts
    worst, sentence = whole(told, late=False, newest=now.newest)
    if now.ended:
        worst, sentence = "not-seen", f"dewlid was ended at {local_text(now.at_ms, now.zone, 'minute')}: nobody is watching."
    as_of = f"As of {time_words(now.at_ms, now.zone)} ({_zone_name(now)})."
    renews = "This page renews itself every minute; if that time is old, nobody is watching: go and look."
    body = [
        head(escape(now.site), worst, sentence, f"{as_of} {renews}", care_sentence(now.due)),
        cards(told, {name: "".join(_trend(trend) for trend in trends) for name, trends in now.trends.items()}),
    ]
    if now.due:
        body.append(f'<section class="sheet"><h2>Care</h2>{care_lines(now.due, now.zone)}</section>')
    return document(escape(now.site), "\n".join(body), f'<meta http-equiv="refresh" content="{RENEW_MS // 1000}">')


def _zone_name(now: Present) -> str:
    return escape(datetime.fromtimestamp(now.at_ms / 1000, now.zone).tzname() or "UTC")


def _trend(trend: Trend) -> str:
    """Return a small picture of two days: a bar from least to greatest for each hour."""
    seen = [pair for pair in trend.hours if pair is not None]
    if not seen:
        return ""
    low, high = min(pair[0] for pair in seen), max(pair[1] for pair in seen)
    half, middle = max((high - low) / 2 + 0.5, 10.0 if trend.unit == "%" else 2.5), (high + low) / 2  # calm looks calm
    scale = Scale(middle - half, middle + half, 36.0, 2.0)
    time = Scale(0, TREND_H, 0.0, 288.0)
    path = "".join(
        points([time(number + 0.5)] * 2, [scale(pair[0]) + 0.8, scale(pair[1]) - 0.8])
        for number, pair in enumerate(trend.hours) if pair is not None
    )  # fmt: skip
    words = f"{trend.name} in the last two days: {low:.1f} to {high:.1f} {trend.unit}"
    return (
        f'<p class="small">{escape(words)}</p><svg viewBox="0 0 288 38" width="288" height="38" role="img"'
        f' aria-label="{escape(words)}"><path class="trend hours" d="{path}"/></svg>'
    )


# ---------------------------------------------------------------- keeping it


class StatusPage:
    """Writes the page in a thread of its own: `show` from the engine's thread, `end` at last."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._waiting: queue.Queue[Present | None] = queue.Queue(maxsize=2)
        self._thread = threading.Thread(target=self._run, name="status page", daemon=True)
        self._trouble = ""
        self._last: Present | None = None
        self._thread.start()

    @property
    def path(self) -> Path:
        """The file that is written."""
        return self._path

    def show(self, now: Present) -> None:
        """Have this written; if the disk is so slow that two still wait, it is passed over."""
        self._last = now
        try:
            self._waiting.put_nowait(now)
        except queue.Full:
            _log.warning("the status page is not written in time", file=str(self._path))

    def end(self, now_ms: int, timeout_s: float = 1.0) -> None:
        """Leave a page that says that nobody watches any more, and stop."""
        try:
            if self._last is not None:
                self._waiting.put(replace(self._last, at_ms=now_ms, ended=True), timeout=timeout_s)
            self._waiting.put(None, timeout=timeout_s)
        except queue.Full:
            return
        self._thread.join(timeout_s)

    def withdraw(self) -> None:
        """Stop, and take the page away: an old one that says that all is well would be worse than none."""
        self._last = None
        self.end(0)
        with suppress(OSError):
            self._path.unlink()

    def _run(self) -> None:
        while (now := self._waiting.get()) is not None:
            try:
                write_whole(self._path, status_page(now))
            except NotWritten as error:
                if str(error) != self._trouble:
                    _log.error("the status page cannot be written", reason=str(error))
                self._trouble = str(error)
            else:
                self._trouble = ""


def keep_page(
    old: StatusPage | None, polling: Polling, engine: Engine, inbox: Inbox, table: PageTable, settings: Settings
) -> StatusPage | None:
    """Have the page written every minute, as the config wants it; again after a reload, with what was returned before."""
    path = Path(table.folder) / table.file if table.folder is not None else None
    if old is not None and old.path != path:
        old.withdraw()
    if path is None:
        engine.chores = {**engine.chores, "status-page": lambda now_ms: None}
        return None
    page = old if old is not None and old.path == path else StatusPage(path)

    def show(now_ms: int) -> None:
        state = engine.state
        if state is not None and state.config_print == settings.fingerprint:
            page.show(present_of(settings, state, now_ms))

    engine.chores = {**engine.chores, "status-page": show}
    polling.every(RENEW_MS / 1000, "status-page")
    inbox.chore("status-page")
    return page
