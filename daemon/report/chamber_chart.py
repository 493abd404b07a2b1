"""The picture of one chamber: temperature, humidity, dew point against lid, and what happened, on one time axis.

Drawn by our own small SVG writer: it takes milliseconds, follows the page's light or dark colours, and its words are real
text. It is drawn for the width at which it is shown, so that nothing is scaled down until it cannot be read.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from adapters.wording.figures import Style
from daemon.report import svg
from daemon.report.curves import Curve
from daemon.report.figures import beginnings, edges, local_text
from daemon.report.happenings import Lane
from daemon.report.svg import Columns, Scale, thinned
from rules.settings import Band, Chamber, Settings
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS

Floats = NDArray[np.float64]
GAP_MS = 32 * MINUTE_MS
"""A longer silence breaks the line."""
_LEFT, _RIGHT, _TOP = 38.0, 8.0, 22.0
_LANE = 25.0


@dataclass(frozen=True, slots=True)
class Frame:
    """What is common to all panels of one picture."""

    width: float
    time: Scale
    ticks: tuple[tuple[int, str], ...]
    style: Style

    @property
    def right(self) -> float:
        """Right end of the plots."""
        return self.width - _RIGHT


class Drawing:
    """Panels one below the other."""

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        self.parts: list[str] = []
        self.y = 0.0

    def panel(self, title: str, key: str, height: float, low: float, high: float) -> Scale:
        """Begin a panel with its title, what its lines are, its grid, and return its scale."""
        frame, top = self.frame, self.y + _TOP
        scale = Scale(low, high, top + height, top)
        self.parts.append(svg.text(0, self.y + 14, title, "panel"))
        if key:
            self.parts.append(svg.text(frame.right, self.y + 14, key, "key", "end"))
        for value in svg.steps(low, high, 4):
            y = scale(value)
            self.parts.append(svg.rule(_LEFT, y, frame.right, y, "grid"))
            self.parts.append(svg.text(_LEFT - 5, y + 4, f"{value:g}", "tick", "end"))
        for at_ms, _ in frame.ticks:
            x = frame.time(at_ms)
            self.parts.append(svg.rule(x, top, x, top + height, "grid"))
        self.y = top + height + 8
        return scale

    def axis(self) -> None:
        """Write the times below the last panel."""
        frame, last = self.frame, -1e9
        for at_ms, words in frame.ticks:
            x, width = frame.time(at_ms), 6.4 * len(words)
            if x - last >= 6 and x + width / 2 <= frame.width:
                self.parts.append(svg.text(max(x, width / 2), self.y + 12, words, "tick", "middle"))
                last = x + width
        self.y += 20


def ticks(since_ms: int, until_ms: int, settings: Settings, width: float) -> tuple[tuple[int, str], ...]:
    """Return where the time axis has lines, and their words, by the length of the period."""
    days = (until_ms - since_ms) / DAY_MS
    zone = settings.zone
    if days <= 2.1:
        step_h = next(step for step in (1, 2, 3, 6, 12) if days * 24 / step <= width / 62)
        hours = range(-(-since_ms // HOUR_MS) * HOUR_MS, until_ms, HOUR_MS)
        local = [(at, datetime.fromtimestamp(at / 1000, zone)) for at in hours]
        return tuple((at, f"{moment:%H:%M}") for at, moment in local if moment.hour % step_h == 0 and moment.minute == 0)
    name = "day" if days <= 16 else "week" if days <= 75 else "month"
    found = [(at, words) for at, words in beginnings(since_ms, until_ms, zone, name) if at >= since_ms]
    short: Callable[[str], str] = {"day": lambda w: w[:6].strip(), "week": lambda w: w[5:], "month": lambda w: w[:3]}[name]
    return tuple((at, short(words)) for at, words in found)


def picture(
    settings: Settings, name: str, curve: Curve, lanes: list[Lane], since_ms: int, until_ms: int, style: Style, width: float,
) -> Drawing:
    """Return the picture of one chamber."""
    chamber = settings.chambers[name]
    time = Scale(since_ms, until_ms, _LEFT, width - _RIGHT)
    drawing = Drawing(Frame(width, time, ticks(since_ms, until_ms, settings, width - _LEFT - _RIGHT), style))
    tall = 1.0 if width > 500 else 0.85
    _temperature(drawing, settings, chamber, curve, 128 * tall)
    _humidity(drawing, settings, chamber, curve, 112 * tall)
    _lid(drawing, curve, 112 * tall)
    _lanes(drawing, lanes, until_ms)
    drawing.axis()
    return drawing


# ---------------------------------------------------------------- panels


def _temperature(drawing: Drawing, settings: Settings, chamber: Chamber, curve: Curve, height: float) -> None:
    frame = drawing.frame
    shown = _degrees(frame.style)
    values = [shown(column) for column in (curve.temperature_least_c, curve.temperature_c, curve.temperature_most_c)]
    room = shown(curve.room_c)
    band = chamber.temperature
    limits = [shown(np.array([v]))[0] for v in (band.low, band.high) if v is not None]
    low, high = _range([values[0], values[2], room], limits, 1.0)
    scale = drawing.panel(f"Temperature, {frame.style.sign}", _band_words(band, frame.style, "degC"), height, low, high)
    _band(drawing, settings, band, scale, shown)
    harmful = [shown(np.array([v]))[0] for v in (band.harmful_low, band.harmful_high) if v is not None]
    _harmful(drawing, harmful, scale)
    if not np.isnan(room).all():
        drawing.parts.append(svg.line(_thin(frame, curve, room, room, room), scale, "room"))
    columns = _thin(frame, curve, *values)
    drawing.parts.append(svg.line(columns, scale, "temperature"))
    _name_line(drawing, columns, scale, "chamber", "temperature")
    _name_line(drawing, _thin(frame, curve, room, room, room), scale, "room", "room", below=True)
    _nothing(drawing, curve.temperature_c, scale)


def _humidity(drawing: Drawing, settings: Settings, chamber: Chamber, curve: Curve, height: float) -> None:
    values = (curve.humidity_least_pct, curve.humidity_pct, curve.humidity_most_pct)
    band = chamber.humidity
    low, high = _range([values[0], values[2]], [v for v in (band.low, band.high) if v is not None], 3.0)
    words = _band_words(band, drawing.frame.style, "%RH")
    scale = drawing.panel("Relative humidity, %", words, height, max(low, 0.0), min(high, 102.0))
    _band(drawing, settings, band, scale, lambda column: column)
    _harmful(drawing, [v for v in (band.harmful_low, band.harmful_high) if v is not None], scale)
    drawing.parts.append(svg.line(_thin(drawing.frame, curve, *values), scale, "humidity"))
    _nothing(drawing, curve.humidity_pct, scale)


def _lid(drawing: Drawing, curve: Curve, height: float) -> None:
    frame = drawing.frame
    shown = _degrees(frame.style)
    lid, dew = shown(curve.lid_c), shown(curve.dew_point_c)
    low, high = _range([lid, dew], [], 1.0)
    key = "shaded: lid below dew point, wet" if frame.width > 500 else "shaded: wet"
    scale = drawing.panel(f"Lid and dew point, {frame.style.sign}", key, height, low, high)
    both = _thin(frame, curve, dew, np.where(np.isnan(lid), np.nan, dew), dew)
    of_lid = _thin(frame, curve, lid, np.where(np.isnan(dew), np.nan, lid), lid)
    if len(both.x):
        wet = both.mean > of_lid.mean
        top, bottom = np.full(len(wet), scale.last_px), np.full(len(wet), scale.first_px)
        drawing.parts.append(svg.between(both.x, top, bottom, wet, "damp"))
        drawing.parts.append(svg.between(both.x, scale.of(both.mean), scale.of(of_lid.mean), wet, "wet"))
    dew_columns = _thin(frame, curve, dew, dew, dew)
    lid_columns = _thin(frame, curve, lid, lid, lid)
    drawing.parts.append(svg.line(lid_columns, scale, "lid"))
    drawing.parts.append(svg.line(dew_columns, scale, "dew"))
    lid_above = bool(len(lid_columns.x) and len(dew_columns.x) and lid_columns.mean[-1] >= dew_columns.mean[-1])
    _name_line(drawing, lid_columns, scale, "lid", "lid", below=not lid_above)
    _name_line(drawing, dew_columns, scale, "dew point", "dew", below=lid_above)
    _nothing(drawing, np.where(np.isnan(lid), dew, lid), scale)


def _lanes(drawing: Drawing, lanes: list[Lane], until_ms: int) -> None:
    frame = drawing.frame
    drawing.parts.append(svg.text(0, drawing.y + 14, "What happened", "panel"))
    if any(span.harmful for lane in lanes for span in lane.spans):
        drawing.parts.append(svg.text(frame.right, drawing.y + 14, "red: did harm", "key", "end"))
    drawing.y += 24
    if not lanes:
        drawing.parts.append(svg.text(_LEFT, drawing.y + 12, "Nothing to tell in this time.", "tick"))
        drawing.y += 20
    begin = drawing.y
    for lane in lanes:
        y = drawing.y
        drawing.parts.append(svg.text(_LEFT, y + 10, lane.title, "lane"))
        drawing.parts.append(svg.rule(_LEFT, y + 18.5, frame.right, y + 18.5, "grid"))
        for span in lane.spans:
            x = max(frame.time(span.begin_ms), _LEFT)
            end = frame.time(min(span.end_ms if span.end_ms is not None else until_ms, until_ms))
            told = f"{local_text(span.begin_ms, frame.style.zone, 'minute')}: {span.title}"
            if lane.sort == "done":
                drawing.parts.append(svg.box(x - 2, y + 14.5, 4, 8, "done", told))
            else:
                kind = "harmful" if span.harmful else lane.sort
                drawing.parts.append(svg.box(x, y + 14.5, max(end - x, 2.5), 8, kind, told))
        drawing.y += _LANE
    lines = [svg.rule(frame.time(at_ms), begin, frame.time(at_ms), drawing.y, "grid") for at_ms, _ in frame.ticks]
    drawing.parts[:0] = lines


# ---------------------------------------------------------------- pieces


def _thin(frame: Frame, curve: Curve, least: Floats, mean: Floats, most: Floats) -> Columns:
    return thinned(curve.at_ms, least, mean, most, frame.time, GAP_MS)


def _degrees(style: Style) -> Callable[[Floats], Floats]:
    if style.unit == "degF":
        return lambda column: np.asarray(column, np.float64) * 1.8 + 32.0
    return lambda column: np.asarray(column, np.float64)


def _range(columns: list[Floats], limits: list[float], pad: float) -> tuple[float, float]:
    seen = [column[~np.isnan(column)] for column in columns]
    values = np.concatenate([*seen, np.array(limits, np.float64)])
    if not len(values):
        return 0.0, 1.0
    return float(np.floor(values.min() - pad / 2)), float(np.ceil(values.max() + pad / 2))


def _band(drawing: Drawing, settings: Settings, band: Band, scale: Scale, shown: Callable[[Floats], Floats]) -> None:
    frame = drawing.frame
    at_ms = np.linspace(frame.time.low, frame.time.high, 400).astype(np.int64)
    low, high = (np.clip(shown(edge), scale.low, scale.high) for edge in edges(band, settings.zone, at_ms))
    if (low[0], high[0]) == (low.min(), high.max()) and low.max() == low[0] and high.min() == high[0]:
        at_ms, low, high = at_ms[[0, -1]], low[[0, -1]], high[[0, -1]]  # the same all day: a rectangle
    drawing.parts.append(
        svg.between(frame.time.of(at_ms), scale.of(high), scale.of(low), np.ones(len(at_ms), bool), "band")
    )


def _band_words(band: Band, style: Style, unit: str) -> str:
    def said(value: float) -> str:
        return style.quantity(value, unit).split()[0].removesuffix(".0")

    if band.low is not None and band.high is not None:
        return f"band {said(band.low)} to {said(band.high)}" + (", changes by time of day" if band.by_time else "")
    if band.low is None and band.high is None:
        return ""
    return f"at least {said(band.low)}" if band.low is not None else f"at most {said(band.high or 0.0)}"


def _harmful(drawing: Drawing, limits: list[float], scale: Scale) -> None:
    for limit in limits:
        if scale.low < limit < scale.high:
            y = scale(limit)
            drawing.parts.append(svg.rule(_LEFT, y, drawing.frame.right, y, "harm"))
            drawing.parts.append(svg.text(_LEFT + 3, y - 3, "harmful", "harmword"))


def _name_line(drawing: Drawing, columns: Columns, scale: Scale, name: str, style: str, *, below: bool = False) -> None:
    if len(columns.x):
        at = max(0, len(columns.x) - 1 - len(columns.x) // 12)
        near = slice(max(0, at - 30), None)
        y = scale(float(columns.least[near].min())) + 13 if below else scale(float(columns.most[near].max())) - 5
        y = min(max(y, scale.last_px + 10), scale.first_px - 3)
        drawing.parts.append(svg.text(drawing.frame.right - 3, y, name, f"name {style}", "end"))


def _nothing(drawing: Drawing, values: Floats, scale: Scale) -> None:
    if not len(values) or np.isnan(values).all():
        middle = (scale.first_px + scale.last_px) / 2
        drawing.parts.append(svg.text((_LEFT + drawing.frame.right) / 2, middle + 4, "not measured", "tick", "middle"))
