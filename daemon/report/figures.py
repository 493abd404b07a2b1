"""Shares of time and figures by day (hour, week, month) of one chamber."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from daemon.report.curves import Curve
from rules.checks.bands import dry_edge_pct, edge_at
from rules.settings import Chamber
from rules.settings.bands import Band, HumidityBand
from rules.terms.events import DAY_MS, HOUR_MS
from rules.terms.local_time import instant_ms

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True, slots=True)
class Share:
    """How the period was divided for one figure: shares of the whole period, 0 to 1, that add up to 1 with `unseen`."""

    below: float
    inside: float
    above: float
    unseen: float

    @property
    def inside_of_seen(self) -> float | None:
        """The share in band of the time that was seen; None: nothing was."""
        seen = self.below + self.inside + self.above
        return self.inside / seen if seen > 0 else None


def percent(value: float | None) -> str:
    """Return a share as a keeper reads it, – where it is not known."""
    if value is None:
        return "–"
    if 0 < value < 0.005 or 0.995 < value < 1:  # never told as nothing or all
        return "<1 %" if value < 0.5 else ">99 %"
    return f"{value * 100:.0f} %"


def edges(band: Band, zone: tzinfo, at_ms: Instants) -> tuple[Floats, Floats]:
    """Return low and high edge of a band at these instants; -inf and inf where it has none."""
    low, high = edge_at(band, "low", zone, at_ms), edge_at(band, "high", zone, at_ms)
    count = len(at_ms)
    return (
        np.broadcast_to(np.float64(-np.inf) if low is None else low, count),
        np.broadcast_to(np.float64(np.inf) if high is None else high, count),
    )


def humidity_edges(
    chamber: Chamber, band: HumidityBand, zone: tzinfo, at_ms: Instants, air_c: Floats
) -> tuple[Floats, Floats]:
    """Return low and high edge of a chamber's humidity in air that is so warm (NaN: not known), as `edges` does; the low one
    stands where it is told to be too dry."""
    low, high = edges(band, zone, at_ms)
    dry = dry_edge_pct(chamber, band, zone, at_ms, air_c)
    return (low if dry is None else dry), high


def share(curve: Curve, value: Floats, low: Floats | float, high: Floats | float, period_ms: int) -> Share:
    """Return how long a figure was below, inside and above two limits, and how long it was not seen."""
    credit = curve.credit_ms / max(period_ms, 1)
    below = float(credit[value < low].sum())
    above = float(credit[value > high].sum())
    seen = float(credit[~np.isnan(value)].sum())
    return Share(below, seen - below - above, above, max(0.0, 1.0 - seen))


def shares(curve: Curve, chamber: Chamber, zone: tzinfo, period_ms: int) -> dict[str, Share]:
    """Return the shares of temperature and humidity in their bands, and of a dry lid."""
    temperature = edges(chamber.temperature, zone, curve.at_ms)
    humidity = humidity_edges(chamber, chamber.humidity, zone, curve.at_ms, curve.temperature_c)
    return {
        "temperature": share(curve, curve.temperature_c, *temperature, period_ms),
        "humidity": share(curve, curve.humidity_pct, *humidity, period_ms),
        "lid": share(curve, curve.margin_k, 0.0, np.inf, period_ms),
    }


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: least, mean and greatest of a stretch of time; NaN where nothing was seen."""

    label: str
    temperature_c: tuple[float, float, float]
    humidity_pct: tuple[float, float, float]
    least_margin_k: float
    wet_h: float
    seen: float


def rows(curve: Curve, since_ms: int, until_ms: int, zone: tzinfo) -> tuple[str, list[Row]]:
    """Return what the lines stand for (`hour`, `day`, `week`, `month`) and the lines, in order of time."""
    name, borders = _borders(since_ms, until_ms, zone)
    found = []
    for (begin_ms, label), (end_ms, _) in pairwise(borders):
        first, last = np.searchsorted(curve.at_ms, (begin_ms, end_ms))
        part = slice(int(first), int(last))
        credit = curve.credit_ms[part]
        margin = curve.margin_k[part]
        seen_ms = float(credit[~np.isnan(curve.temperature_c[part])].sum())
        whole_ms = min(end_ms, until_ms) - max(begin_ms, since_ms)
        found.append(
            Row(
                label,
                _three(curve.temperature_least_c[part], curve.temperature_c[part], curve.temperature_most_c[part], credit),
                _three(curve.humidity_least_pct[part], curve.humidity_pct[part], curve.humidity_most_pct[part], credit),
                _of(np.min, margin),
                float(credit[margin < 0].sum()) / HOUR_MS,
                min(1.0, seen_ms / max(whole_ms, 1)),
            )
        )
    return name, found


def _three(least: Floats, mean: Floats, most: Floats, credit: Instants) -> tuple[float, float, float]:
    seen = ~np.isnan(mean)
    if not seen.any():
        return (float("nan"),) * 3
    weight = credit[seen].astype(np.float64)
    middle = np.average(mean[seen], weights=weight) if weight.sum() > 0 else mean[seen].mean()
    return float(least[seen].min()), float(middle), float(most[seen].max())


def _of(pick: Callable[[Floats], np.float64], values: Floats) -> float:
    seen = values[~np.isnan(values)]
    return float(pick(seen)) if len(seen) else float("nan")


# ---------------------------------------------------------------- local time


def _borders(since_ms: int, until_ms: int, zone: tzinfo) -> tuple[str, list[tuple[int, str]]]:
    """Return the stretches' beginnings with their labels, and the end."""
    days = (until_ms - since_ms) / DAY_MS
    if days <= 2.1:
        whole = range(since_ms // HOUR_MS * HOUR_MS, until_ms, HOUR_MS)
        return "hour", [*((at, local_text(at, zone, "hour")) for at in whole), (until_ms, "")]
    name = "day" if days <= 45 else "week" if days <= 200 else "month"
    return name, [*beginnings(since_ms, until_ms, zone, name), (until_ms, "")]


def beginnings(since_ms: int, until_ms: int, zone: tzinfo, name: str) -> list[tuple[int, str]]:
    """Return the local beginnings of days, weeks or months that touch the period, with their labels."""
    day = datetime.fromtimestamp(since_ms / 1000, zone).date()
    day = day - timedelta(day.weekday()) if name == "week" else day.replace(day=1) if name == "month" else day
    found: list[tuple[int, str]] = []
    while (at_ms := midnight_ms(day, zone)) < until_ms:
        found.append((at_ms, local_text(at_ms, zone, name)))
        day = _next(day, name)
    return found


def midnight_ms(day: date, zone: tzinfo) -> int:
    """Return the instant at which a local day begins."""
    return instant_ms(day, datetime.min.time(), zone)


def _next(day: date, name: str) -> date:
    if name == "month":
        return (day.replace(day=28) + timedelta(4)).replace(day=1)
    return day + timedelta(7 if name == "week" else 1)


def local_text(at_ms: int, zone: tzinfo, name: str) -> str:
    """Return an instant as `hour` (Mon 25, 14:00), `day` (Mon 25 May), `week` (from 25 May) or `month` (May 2026)."""
    moment = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
    month, weekday = _MONTHS[moment.month - 1], _DAYS[moment.weekday()]
    return {
        "hour": f"{weekday} {moment.day}, {moment:%H:%M}",
        "day": f"{weekday} {moment.day} {month}",
        "week": f"from {moment.day} {month}",
        "month": f"{month} {moment.year}",
        "minute": f"{weekday} {moment.day} {month}, {moment:%H:%M}",
    }[name]
