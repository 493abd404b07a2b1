"""A period against the one before it, as long: week against week, month against month."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

import numpy as np

from adapters.wording.figures import Style, span
from daemon.report.curves import Curve
from daemon.report.figures import percent, shares
from daemon.report.record import Record, empty
from rules.alarms.load import occurrences
from rules.terms.events import DAY_MS, HOUR_MS


def comparison(record: Record, name: str, style: Style) -> str:
    """Return the table of one chamber; empty where nothing was seen in the time before."""
    before, now = record.before.get(name), record.curves.get(name)
    if before is None or now is None or empty(before) or empty(now):
        return ""
    this, last, title = names_of(record.until_ms - record.since_ms)
    rows = "".join(
        f'<tr><td>{escape(what)}</td><td class="n">{escape(made(now))}</td><td class="n">{escape(made(before))}</td></tr>'
        for what, made in _rows(record, name, style)
    )
    told = "".join(f'<td class="n">{_told(record, name, ago)}</td>' for ago in (0, 1))
    rows += f"<tr><td>Alarms told</td>{told}</tr>"
    return (
        f"<h3>{title}</h3><div class='scroll'><table class='keep'><thead><tr><th></th><th class='n'>{this}</th>"
        f"<th class='n'>{last}</th></tr></thead><tbody>{rows}</tbody></table></div>"
    )


def names_of(for_ms: int) -> tuple[str, str, str]:
    """Return what this period and the one before it are called, and the title of both."""
    days = for_ms / DAY_MS
    if 6.5 <= days <= 7.5:
        return "These 7 days", "7 days before", "Week against week"
    if 27.5 <= days <= 31.5:
        return f"These {days:.0f} days", f"{days:.0f} days before", "Month against month"
    long = span(for_ms / 1000)
    return "This time", f"{long} before", f"Against the {long} before"


def _rows(record: Record, name: str, style: Style) -> list[tuple[str, Callable[[Curve], str]]]:
    chamber, zone, for_ms = record.settings.chambers[name], record.settings.zone, record.until_ms - record.since_ms

    def mean(values: np.typing.NDArray[np.float64], unit: str) -> str:
        return "–" if np.isnan(values).all() else style.quantity(float(np.nanmean(values)), unit)

    def wet(curve: Curve) -> str:
        return "–" if np.isnan(curve.margin_k).all() else f"{curve.credit_ms[curve.margin_k < 0].sum() / HOUR_MS:.1f} h"

    def inside(curve: Curve, what: str) -> str:
        return percent(shares(curve, chamber, zone, for_ms)[what].inside_of_seen)

    return [
        ("Temperature, mean", lambda curve: mean(curve.temperature_c, "degC")),
        ("Temperature in band", lambda curve: inside(curve, "temperature")),
        ("Humidity, mean", lambda curve: mean(curve.humidity_pct, "%")),
        ("Humidity in band", lambda curve: inside(curve, "humidity")),
        ("Lid wet", wet),
        ("Seen", lambda curve: percent(1.0 - shares(curve, chamber, zone, for_ms)["temperature"].unseen)),
    ]


def _told(record: Record, name: str, periods_ago: int) -> int:
    for_ms = record.until_ms - record.since_ms
    begin_ms = record.since_ms - periods_ago * for_ms
    return sum(
        one.shown_ms is not None and begin_ms <= one.shown_ms < begin_ms + for_ms
        for one in occurrences(event for event in record.alarm_events if event.chamber == name)
    )
