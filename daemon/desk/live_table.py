"""The chambers as lines for a terminal: a row each with its trend, then what stands and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from adapters.wording.counting import counted
from adapters.wording.figures import clean, span
from daemon.clock import SystemClock
from daemon.report.groups import Group, alike, grouped
from daemon.report.record import Record, read_record
from daemon.report.verdict import GRADES, WORDS, Verdict, style_of, verdicts, whole
from daemon.screen.terminal import Line, Span, Terminal, padded, width_of
from daemon.store.errors import HistoryError
from rules.care import care
from rules.settings import Settings
from rules.terms.events import DAY_MS, HOUR_MS
from rules.terms.local_time import time_words

BARS = "▁▂▃▄▅▆▇█"
PLAIN_BARS = "_.-=+*%#"
TREND_H = 24
_WIDTHS = (9, 6, 9)
"""Columns of temperature, humidity and the lid's margin over the dew point."""


class Glance:
    """Looks at the store whenever it is asked."""

    def __init__(self, store: Path, settings: Settings) -> None:
        self._store, self._settings = store, settings
        self._clock = SystemClock()

    def lines(self, terminal: Terminal) -> list[Line]:
        """Return the present as lines; a store in trouble is told in a line and looked at again."""
        try:
            record = read_record(self._store, self._settings, self._clock.wall_ms(), DAY_MS, pictures=False)
        except HistoryError as error:
            return [*_wrapped(str(error), "act", terminal.width), [Span("Looking again.")]]
        return table(record, terminal)


def table(record: Record, terminal: Terminal) -> list[Line]:
    """Return the whole screen."""
    settings = record.settings
    told = verdicts(settings, record.state, record.situations, record.now_ms, late=record.late)
    newest = None if record.newest_ms is None else time_words(record.newest_ms, settings.zone)
    state, sentence = whole(told, late=record.late, newest=newest)
    moment = datetime.fromtimestamp(record.now_ms / 1000, settings.zone)
    head = f"{clean(settings.site.name, 60)}  {moment:%a %H:%M:%S} {moment.tzname()}{_age(record)}"
    lines: list[Line] = [[Span(head, "quiet")], *_wrapped(sentence, GRADES[state], terminal.width), []]
    if record.newest_ms is not None:
        groups = grouped(settings, record.situations, told)
        told = [one for group in groups for one in group.verdicts]
        lines += _rows(record, groups, terminal)
        if any(one is not None and one.dew_margin_k is not None for one in record.situations.values()):
            lines += _wrapped("lid: how much warmer it is than the dew point; from 0 down it is wet", "quiet", terminal.width)
        wanting = [one for one in told if _wants(one, record)]
        alone = len(wanting) == 1 and sentence.startswith(wanting[0].headline)  # what it wants stands above already
        lines += [line for some in alike(wanting) for line in _details(some, terminal, named=not alone)]
    due = care.standing(settings, record.state.care)
    if due:
        worst = list(dict.fromkeys(f"{one.title[0].lower()}{one.title[1:]}" for one in due))
        said = f"Care: {counted(len(due), 'task')} due, first: {', '.join(worst[:3])}. More: dewlid care list"
        lines += [[], *_wrapped(said, "", terminal.width)]
    return lines


def _wants(one: Verdict, record: Record) -> bool:
    """Whether a chamber has more to say than its row: where nobody watches, the first line says it for all."""
    return bool(one.alarms) if record.late else one.grade != "well"


def _age(record: Record) -> str:
    if record.newest_ms is None or record.late:
        return ""
    seconds = max(0, record.now_ms - record.newest_ms) // 1000
    return f"  recorded {seconds} s ago" if seconds < 120 else f"  recorded {span(seconds)} ago"


# ---------------------------------------------------------------- the table


def _rows(record: Record, groups: Sequence[Group], terminal: Terminal) -> list[Line]:
    """Return a row for each chamber; trends go first where the terminal is narrow, then the row becomes two lines."""
    state_w = max(len(word) for word in WORDS.values())
    told = [one for group in groups for one in group.verdicts]
    if terminal.width < 40:
        return [line for one in told for line in ([*_name(one, terminal.width - state_w - 1, state_w)], _figures(record, one))]
    name_w = max(8, min(max(width_of(one.title) for one in told), 24, terminal.width - state_w - 26))
    left = terminal.width - (name_w + 1 + state_w + sum(_WIDTHS) + 3)
    both = left >= 26  # two trends of twelve hours
    trends = max(0, min(TREND_H, (left - 2) // 2 if both else left)) if left >= 6 else 0
    head = padded("", name_w + 1 + state_w) + _cells(("temp", "humid", "lid"))
    if trends:
        head += "   " + padded(f"temp {trends} h" if trends > 8 else "temp", trends) + (f"  humid {trends} h" if both else "")
    lines: list[Line] = [[Span(head, "quiet")]]
    titles = {group.verdicts[0].chamber: group.title for group in groups if group.title}
    for one in told:
        if one.chamber in titles:
            lines += _wrapped(titles[one.chamber], "strong", terminal.width)
        drawn = _trends(record, one, trends, both, BARS if terminal.unicode else PLAIN_BARS)
        lines.append([*_name(one, name_w, state_w), *_figures(record, one), *drawn])
    return lines


def _name(one: Verdict, name_w: int, state_w: int) -> Line:
    return Span(padded(one.title, name_w) + " ", "strong"), Span(padded(WORDS[one.state], state_w), one.grade)


def _figures(record: Record, one: Verdict) -> Line:
    situation, style = record.situations.get(one.chamber), style_of(record.settings)
    temperature = humidity = margin = "-"
    if situation is not None and situation.temperature_c is not None:
        temperature = style.quantity(situation.temperature_c, "degC")
    if situation is not None and situation.relative_humidity_pct is not None:
        humidity = f"{situation.relative_humidity_pct:.0f} %"
    if situation is not None and situation.dew_margin_k is not None:
        margin = style.margin(situation.dew_margin_k)
    return (Span(_cells((temperature, humidity, margin))),)


def _cells(texts: tuple[str, str, str]) -> str:
    return "".join(padded(text, width, right=True) for text, width in zip(texts, _WIDTHS, strict=True))


def _trends(record: Record, one: Verdict, hours: int, both: bool, bars: str) -> Line:
    if not hours:
        return ()
    temperature = Span("   " + trend(record, one.chamber, "temperature_c", hours, 2.0, bars), one.grade)
    humidity = Span("  " + trend(record, one.chamber, "relative_humidity_pct", hours, 10.0, bars), "quiet")
    return (temperature, humidity) if both else (temperature,)


def trend(record: Record, chamber: str, name: str, hours: int, least_range: float, bars: str) -> str:
    """Return the last hours of a figure as bars of eight heights, a space where nothing was seen.

    A figure that hardly moves stays in the middle: below `least_range` the bars are not stretched.
    """
    place = record.state.places.get(chamber)
    table_ = place.hours.get(name, {}) if place is not None else {}
    last = (record.newest_ms or record.now_ms) // HOUR_MS
    rows = [table_.get(str(hour)) for hour in range(last - hours + 1, last + 1)]
    means = [None if row is None else row.total / row.count / 1000 for row in rows]
    seen = [value for value in means if value is not None]
    if not seen:
        return " " * hours
    middle, half = (min(seen) + max(seen)) / 2, max(max(seen) - min(seen), least_range) / 2
    step = 2 * half / len(bars)
    return "".join(
        " " if value is None else bars[min(len(bars) - 1, int((value - middle + half) / step))] for value in means
    )


# ---------------------------------------------------------------- what stands


def _details(some: Sequence[Verdict], terminal: Terminal, *, named: bool) -> list[Line]:
    """Return what a chamber wants, or several that want the same."""
    one, lines = some[0], list[Line]([[]])
    if len(some) > 1:
        lines += _wrapped(f"{WORDS[one.state]}, alike: {', '.join(each.title for each in some)}.", one.grade, terminal.width)
    elif named:
        lines += _wrapped(one.headline, one.grade, terminal.width)
    for number, step in enumerate(one.steps, 1):
        lines += _wrapped(f"{number}. {step}", "", terminal.width, "   ", "   ")
    if one.within and one.steps:
        lines += _wrapped(f"Do it {one.within}.", "strong", terminal.width, "   ")
    for alarm in (alarm for each in some for alarm in each.alarms):
        lines += _wrapped(f"- {alarm}", "quiet", terminal.width, "   ", "  ")
    for advisory in (each.advisory for each in some if each.advisory is not None):
        lines += _wrapped(f"When it is done: dewlid done {advisory}", "quiet", terminal.width, "   ")
    return lines


def _wrapped(text: str, tone: str, width: int, indent: str = "", hang: str = "") -> list[Line]:
    """Return a text on as many lines as it needs, all but the first further in; a word too long is cut by the drawing."""
    lines, row = [], ""
    for word in text.split():
        longer = f"{row} {word}" if row else word
        if row and len(indent) + len(longer) > width:
            lines.append(row)
            row = hang + word
        else:
            row = longer
    return [[Span(indent + line, tone)] for line in [*lines, row]]  # type: ignore[arg-type]
