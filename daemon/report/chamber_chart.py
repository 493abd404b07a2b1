"""The pictures of one chamber: the report's with all that happened, and the small one that a page shows beside a verdict.

They are drawn for the width at which they are shown, so that nothing is scaled down until it cannot be read.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from adapters.wording.figures import Style
from daemon.report import svg
from daemon.report.chart import LEFT, RIGHT, Drawing, Edges, Instants, Line, Plot, bounds
from daemon.report.curves import Curve
from daemon.report.figures import beginnings, edges, humidity_edges, local_text
from daemon.report.happenings import Lane
from rules.checks.bands import RAISED_PCT
from rules.settings import Chamber, Settings
from rules.settings.bands import Band
from rules.terms.advised import Prediction
from rules.terms.events import DAY_MS, HOUR_MS

Floats = NDArray[np.float64]
_LANE = 25.0
_LONGEST_WITH_FORECAST_MS = 16 * DAY_MS
"""In a longer period the next hours are too few pixels to be seen."""


def ticks(since_ms: int, until_ms: int, settings: Settings, width: float) -> tuple[tuple[int, str], ...]:
    """Return where the time axis has lines, and their words, by the length of the period."""
    days = (until_ms - since_ms) / DAY_MS
    zone = settings.zone
    step_h = next((step for step in (1, 2, 3, 6, 12) if days * 24 / step <= width / 62), None)
    if days <= 2.1 and step_h is not None:
        hours = range(-(-since_ms // HOUR_MS) * HOUR_MS, until_ms, HOUR_MS)
        local = [(at, datetime.fromtimestamp(at / 1000, zone)) for at in hours]
        return tuple((at, f"{moment:%H:%M}") for at, moment in local if moment.hour % step_h == 0 and moment.minute == 0)
    name = "day" if days <= 16.5 else "week" if days <= 75 else "month"
    found = [(at, words) for at, words in beginnings(since_ms, until_ms, zone, name) if at >= since_ms]
    short: Callable[[str], str] = {"day": lambda w: w[:6].strip(), "week": lambda w: w[5:], "month": lambda w: w[:3]}[name]
    return tuple((at, short(words)) for at, words in found)


def picture(
    settings: Settings, name: str, curve: Curve, lanes: list[Lane], since_ms: int, until_ms: int, style: Style, width: float,
    ahead: Sequence[Prediction] = (),
) -> Drawing:
    """Return the picture of one chamber over a period, with what comes after its end."""
    chamber, shown = settings.chambers[name], _degrees(style)
    ahead = ahead if until_ms - since_ms <= _LONGEST_WITH_FORECAST_MS else ()
    end_ms, now_ms = until_ms + (ahead[-1].after_ms if ahead else 0), until_ms if ahead else None
    drawing = Drawing(width, since_ms, end_ms, ticks(since_ms, end_ms, settings, width - LEFT - RIGHT))
    tall = 1.0 if width > 500 else 0.85
    room = _same("room", curve, shown(curve.room_c), name="room", below=True)
    room = room if room.seen else replace(room, name="")
    heat = Line("temperature", curve.at_ms, curve.temperature_least_c, curve.temperature_c, curve.temperature_most_c, "chamber")
    damp = Line("humidity", curve.at_ms, curve.humidity_least_pct, curve.humidity_pct, curve.humidity_most_pct)
    lines = [room, heat.shown(shown), *_ahead("temperature", ahead, until_ms, style)]
    drawing.plot(temperature_plot(settings, chamber, lines, drawing, style, 128 * tall), now_ms)
    lines = [damp, *_ahead("humidity", ahead, until_ms, style)]
    air_c = _air_c(heat, ahead, until_ms, drawing.instants)
    drawing.plot(humidity_plot(settings, chamber, lines, drawing, style, 112 * tall, air_c), now_ms)
    _lid(drawing, curve, 112 * tall, style)
    _lanes(drawing, lanes, until_ms, style)
    drawing.axis()
    if ahead:
        drawing.parts.append(svg.text(0, drawing.y + 12, "Dashed: the next hours if nothing changes; 95 % range", "key"))
        drawing.y += 18
    return drawing


def small_picture(
    settings: Settings, name: str, temperature: Line, humidity: Line, since_ms: int, until_ms: int, style: Style, width: float,
    ahead: Sequence[Prediction],
) -> Drawing:
    """Return the picture of a chamber's last days and next hours, as small as its words can be read; lines in °C and %."""
    chamber, shown = settings.chambers[name], _degrees(style)
    end_ms = until_ms + (ahead[-1].after_ms if ahead else 0)
    drawing = Drawing(width, since_ms, end_ms, ticks(since_ms, end_ms, settings, width - LEFT - RIGHT))
    lines = [temperature.shown(shown), *_ahead("temperature", ahead, until_ms, style)]
    drawing.plot(temperature_plot(settings, chamber, lines, drawing, style, 56, with_harm=True), until_ms)
    lines = [humidity, *_ahead("humidity", ahead, until_ms, style)]
    air_c = _air_c(temperature, ahead, until_ms, drawing.instants)
    drawing.plot(humidity_plot(settings, chamber, lines, drawing, style, 56, air_c, with_harm=True), until_ms)
    drawing.axis()
    return drawing


# ---------------------------------------------------------------- panels


def temperature_plot(
    settings: Settings, chamber: Chamber, lines: Sequence[Line], drawing: Drawing, style: Style, height: float, *,
    with_harm: bool = False,
) -> Plot:
    """Return the panel of a temperature; `with_harm`: its range holds the harmful limits."""
    band, shown = chamber.temperature, _degrees(style)
    limits, harmful = _limits(band, shown)
    low, high = bounds(lines, [*limits, *(harmful if with_harm else ())], 1.0)
    held = Edges(drawing.instants, *(shown(edge) for edge in edges(band, settings.zone, drawing.instants)))
    return Plot(f"Temperature, {style.sign}", _band_words(band, style, "degC"), height, lines, low, high, held, harmful)


def humidity_plot(
    settings: Settings, chamber: Chamber, lines: Sequence[Line], drawing: Drawing, style: Style, height: float, air_c: Floats,
    *, with_harm: bool = False,
) -> Plot:
    """Return the panel of a humidity in air that is so warm at the drawing's instants; `with_harm` as above."""
    band = chamber.humidity
    limits, harmful = _limits(band, np.asarray)
    low, high = bounds(lines, [*limits, *(harmful if with_harm else ())], 3.0)
    held = Edges(drawing.instants, *humidity_edges(chamber, band, settings.zone, drawing.instants, air_c))
    warm = bool((held.low > edges(band, settings.zone, drawing.instants)[0] + RAISED_PCT).any())
    words = _band_words(band, style, "%RH", ", rises with warmth" if warm else "")
    return Plot("Relative humidity, %", words, height, lines, max(low, 0.0), min(high, 102.0), held, harmful)


def _air_c(heat: Line, ahead: Sequence[Prediction], now_ms: int, at_ms: Instants) -> Floats:
    """Return how warm the air was and is expected to be at these instants, straight between what is known; NaN: nothing is."""
    seen = ~np.isnan(heat.mean)
    known_ms = np.array([*heat.at_ms[seen], *(now_ms + one.after_ms for one in ahead)])
    known_c = np.array([*heat.mean[seen], *(one.temperature_c for one in ahead)])
    return np.interp(at_ms, known_ms, known_c) if len(known_c) else np.full(len(at_ms), np.nan)


def _lid(drawing: Drawing, curve: Curve, height: float, style: Style) -> None:
    shown = _degrees(style)
    dew, lid = _same("dew", curve, shown(curve.dew_point_c)), _same("lid", curve, shown(curve.lid_c))
    key = "shaded: lid below dew point, wet" if drawing.width > 500 else "shaded: wet"
    plot = Plot(f"Lid and dew point, {style.sign}", key, height, (), *bounds([lid, dew], (), 1.0))
    scale = drawing.panel(plot)
    both = drawing.thin(replace(dew, mean=np.where(np.isnan(lid.mean), np.nan, dew.mean)))
    of_lid = drawing.thin(replace(lid, mean=np.where(np.isnan(dew.mean), np.nan, lid.mean)))
    if len(both.x):
        wet = both.mean > of_lid.mean
        top, bottom = np.full(len(wet), scale.last_px), np.full(len(wet), scale.first_px)
        drawing.parts.append(svg.between(both.x, top, bottom, wet, "damp"))
        drawing.parts.append(svg.between(both.x, scale.of(both.mean), scale.of(of_lid.mean), wet, "wet"))
    above = bool(lid.seen and dew.seen and lid.mean[~np.isnan(lid.mean)][-1] >= dew.mean[~np.isnan(dew.mean)][-1])
    named = [replace(lid, name="lid", below=not above), replace(dew, name="dew point", below=above)]
    drawing.lines(named, scale)


def _lanes(drawing: Drawing, lanes: list[Lane], until_ms: int, style: Style) -> None:
    drawing.parts.append(svg.text(0, drawing.y + 14, "What happened", "panel"))
    if any(span.harmful for lane in lanes for span in lane.spans):
        drawing.parts.append(svg.text(drawing.right, drawing.y + 14, "red: did harm", "key", "end"))
    drawing.y += 24
    if not lanes:
        drawing.parts.append(svg.text(LEFT, drawing.y + 12, "Nothing to tell in this time.", "tick"))
        drawing.y += 20
    begin = drawing.y
    for lane in lanes:
        y = drawing.y
        drawing.parts.append(svg.text(LEFT, y + 10, lane.title, "lane"))
        drawing.parts.append(svg.rule(LEFT, y + 18.5, drawing.right, y + 18.5, "grid"))
        for span in lane.spans:
            x = max(drawing.time(span.begin_ms), LEFT)
            end = drawing.time(min(span.end_ms if span.end_ms is not None else until_ms, until_ms))
            told = f"{local_text(span.begin_ms, style.zone, 'minute')}: {span.title}"
            if lane.sort == "done":
                drawing.parts.append(svg.box(x - 2, y + 14.5, 4, 8, "done", told))
            else:
                kind = "harmful" if span.harmful else lane.sort
                drawing.parts.append(svg.box(x, y + 14.5, max(end - x, 2.5), 8, kind, told))
        drawing.y += _LANE
    lines = [svg.rule(drawing.time(at_ms), begin, drawing.time(at_ms), drawing.y, "grid") for at_ms, _ in drawing.ticks]
    drawing.parts[:0] = lines


# ---------------------------------------------------------------- pieces


def _same(style: str, curve: Curve, values: Floats, name: str = "", *, below: bool = False) -> Line:
    return Line(style, curve.at_ms, values, values, values, name, below)


def _ahead(name: str, ahead: Sequence[Prediction], now_ms: int, style: Style) -> list[Line]:
    """Return the forecast as a line with twice its standard uncertainty on each side."""
    if not ahead:
        return []
    at_ms = np.array([now_ms + one.after_ms for one in ahead], np.int64)
    if name == "temperature":
        value, u = (np.array([getattr(one, key) for one in ahead]) for key in ("temperature_c", "temperature_u_k"))
        low, value, high = (_degrees(style)(column) for column in (value - 2 * u, value, value + 2 * u))
    else:
        value, u = (np.array([getattr(one, f"relative_humidity_{key}pct") for one in ahead]) for key in ("", "u_"))
        low, high = np.maximum(value - 2 * u, 0.0), np.minimum(value + 2 * u, 100.0)
    return [Line(f"{name} ahead", at_ms, low, value, high, spread=True, gap_ms=DAY_MS)]


def _degrees(style: Style) -> Callable[[Floats], Floats]:
    if style.unit == "degF":
        return lambda column: np.asarray(column, np.float64) * 1.8 + 32.0
    return lambda column: np.asarray(column, np.float64)


def _limits(band: Band, shown: Callable[[Floats], Floats]) -> tuple[list[float], list[float]]:
    pairs = ((band.low, band.high), (band.harmful_low, band.harmful_high))
    first, second = ([float(shown(np.array([v]))[0]) for v in pair if v is not None] for pair in pairs)
    return first, second


def _band_words(band: Band, style: Style, unit: str, moved: str = "") -> str:
    def said(value: float) -> str:
        return style.quantity(value, unit).split()[0].removesuffix(".0")

    if band.low is not None and band.high is not None:
        return f"band {said(band.low)} to {said(band.high)}" + (moved or (", changes by time of day" if band.by_time else ""))
    if band.low is None and band.high is None:
        return ""
    return f"at least {said(band.low)}{moved}" if band.low is not None else f"at most {said(band.high or 0.0)}"
