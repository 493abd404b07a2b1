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

import numpy as np
import structlog

from adapters.wording.figures import Style, clean, span
from daemon.config.configuration import PageTable
from daemon.report import svg
from daemon.report.chamber_chart import small_picture
from daemon.report.chart import Line
from daemon.report.figures import local_text
from daemon.report.glance import glance
from daemon.report.groups import Group, alike, grouped, quiet
from daemon.report.looks import document
from daemon.report.page import care_lines, care_sentence, head
from daemon.report.verdict import Verdict, style_of, verdicts, whole
from daemon.report.writing import NotWritten, write_whole
from daemon.watch.engine import Engine
from daemon.watch.inbox import Inbox
from daemon.watch.timetable import Polling
from rules.care import care
from rules.care.occurrences import Occurrence
from rules.climate.hours import hours_between
from rules.climate.memory import Hour
from rules.keeper.state import sized
from rules.settings import Settings
from rules.terms.advised import Prediction
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.terms.local_time import time_words
from rules.turn.advance import EngineState
from rules.turn.present import ahead, present

RENEW_MS = MINUTE_MS
"""How often the page is written; it asks to be loaded again as often."""
TREND_H = 48
WIDTH_PX = 288
MOST_DRAWN = 40
"""So many chambers that want something have their picture; each takes some milliseconds of the engine's thread."""

_log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Trend:
    """The last two days of a chamber by whole hours, and its next hours."""

    temperature: Line
    humidity: Line
    ahead: tuple[Prediction, ...]


@dataclass(frozen=True, slots=True)
class Present:
    """All that the page shows, as plain values that no thread changes."""

    settings: Settings
    at_ms: int
    verdicts: tuple[Verdict, ...]
    groups: tuple[Group, ...]
    trends: Mapping[str, Trend]
    due: tuple[Occurrence, ...]
    newest: str | None
    ended: bool = False

    @property
    def site(self) -> str:
        """The site's name."""
        return clean(self.settings.site.name, 60)

    @property
    def zone(self) -> tzinfo:
        """The site's time zone."""
        return self.settings.zone


def present_of(settings: Settings, state: EngineState, now_ms: int) -> Present:
    """Return what the page shows of a state."""
    situations = present(settings, state)
    heard = [place.heard_ms for place in state.places.values() if place.heard_ms is not None]
    told = verdicts(settings, state, situations, now_ms, late=False)
    groups = grouped(settings, situations, told)
    loud = [some[0].chamber for group in groups for some in alike([one for one in group.verdicts if not quiet(one, len(told))])]
    return Present(
        settings=sized(settings, state.keeper),
        at_ms=now_ms,
        verdicts=tuple(told),
        groups=tuple(groups),
        trends={name: _trend(settings, state, name, now_ms) for name in loud[:MOST_DRAWN]},
        due=tuple(care.standing(settings, state.care)),
        newest=time_words(max(heard), settings.zone) if heard else None,
    )


def _trend(settings: Settings, state: EngineState, name: str, now_ms: int) -> Trend:
    place = state.places.get(name)
    hours = place.hours if place is not None else {}
    hourly = range(now_ms // HOUR_MS - TREND_H + 1, now_ms // HOUR_MS + 1)
    temperature, humidity = (
        _hourly(style, hours.get(key, {}), hourly, now_ms)
        for style, key in (("temperature", "temperature_c"), ("humidity", "relative_humidity_pct"))
    )
    return Trend(temperature, humidity, ahead(settings, state, name))


def _hourly(style: str, table: Mapping[str, Hour], hourly: range, now_ms: int) -> Line:
    hours = hours_between(table, hourly.start, hourly.stop)
    at_ms = np.minimum(np.array(hourly, np.int64) * HOUR_MS + HOUR_MS // 2, now_ms)
    return Line(style, at_ms, hours.lowest, hours.mean, hours.highest, spread=True, gap_ms=HOUR_MS + HOUR_MS // 2)


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
        glance(now.groups, {name: _drawn(now, name, trend) for name, trend in now.trends.items()}),
    ]
    if now.due:
        body.append(f'<section class="sheet"><h2>Care</h2>{care_lines(now.due, now.zone)}</section>')
    refresh = f'<meta http-equiv="refresh" content="{RENEW_MS // 1000}">'
    return document(escape(now.site), "\n".join(body), refresh, kind="columns")


def _zone_name(now: Present) -> str:
    return escape(datetime.fromtimestamp(now.at_ms / 1000, now.zone).tzname() or "UTC")


def _drawn(now: Present, name: str, trend: Trend) -> str:
    """Return the picture of a chamber's two last days and next hours, with its figures in words."""
    style = style_of(now.settings)
    picture = small_picture(
        now.settings, name, trend.temperature, trend.humidity, now.at_ms - TREND_H * HOUR_MS, now.at_ms, style, WIDTH_PX,
        trend.ahead,
    )  # fmt: skip
    words = " ".join(
        f"{what}: {_range(line, style, unit)} in the last two days." for what, line, unit in
        (("Temperature", trend.temperature, "degC"), ("Humidity", trend.humidity, "%")) if line.seen
    )  # fmt: skip
    if trend.ahead:
        last = trend.ahead[-1]
        low, high = (style.quantity(last.temperature_c + 2 * sign * last.temperature_u_k, "degC") for sign in (-1, 1))
        words += f" In {span(last.after_ms / 1000)} {low} to {high}, if nothing changes."
    title = f"{now.settings.chambers[name].title or name}: temperature and humidity"
    return (
        svg.whole(WIDTH_PX, picture.y, "".join(picture.parts), (f"{name}-trend", title, words))
        + f'<p class="small">{escape(words)}</p>'
    )


def _range(line: Line, style: Style, unit: str) -> str:
    low, high = float(np.nanmin(line.least)), float(np.nanmax(line.most))
    said = [style.quantity(value, unit) for value in (low, high)]
    return said[0] if said[0] == said[1] else " to ".join(said)


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
