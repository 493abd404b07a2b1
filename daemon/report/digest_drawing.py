"""The digest's chart for a mail, which shows no SVG: temperature and humidity of each chamber, wet lid shaded.

Needs matplotlib (the extra `report`), so only the process that draws imports this.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from daemon.report.chamber_chart import ticks
from daemon.report.curves import Curve
from daemon.report.figures import edges
from daemon.report.record import Record
from daemon.report.svg import Scale, thinned
from rules.settings import Band
from rules.terms.events import MINUTE_MS

_COLOURS = {"temperature": "#b0482a", "humidity": "#0f7076", "band": "#2c6e49", "wet": "#1f5fb0", "ink": "#1b241f"}
_COLUMNS = 600
_AXIS_PX = 300


def drawn(record: Record, names: Sequence[str]) -> Figure:
    """Return the figure: two panels side by side for each chamber."""
    fahrenheit = record.settings.site.temperature_unit == "degF"
    figure = Figure(figsize=(6.6, 0.55 + 1.65 * len(names)), layout="constrained", facecolor="white")
    axes = figure.subplots(len(names), 2, squeeze=False, sharex=True)
    for (left, right), name in zip(axes, names, strict=True):
        chamber, curve = record.settings.chambers[name], record.curves[name]
        title = chamber.title or name
        degrees = (lambda v: np.asarray(v) * 1.8 + 32) if fahrenheit else np.asarray
        columns = (curve.temperature_least_c, curve.temperature_c, curve.temperature_most_c)
        _panel(left, record, curve, [degrees(column) for column in columns], chamber.temperature, "temperature", degrees)
        humid = [curve.humidity_least_pct, curve.humidity_pct, curve.humidity_most_pct]
        _panel(right, record, curve, humid, chamber.humidity, "humidity", np.asarray)
        _wet(right, record, curve)
        left.set_title(f"{title}: temperature, {'°F' if fahrenheit else '°C'}", **_TITLE)
        right.set_title("humidity, %  (shaded blue: lid wet)", **_TITLE)
    return figure


_TITLE: dict[str, Any] = {"loc": "left", "fontsize": 9, "fontweight": "bold", "color": _COLOURS["ink"]}


def _panel(axis: Any, record: Record, curve: Curve, values: list[Any], band: Band, name: str, degrees: Any) -> None:
    begin, end = record.since_ms, record.until_ms
    at_ms = np.linspace(begin, end, 200).astype(np.int64)
    low, high = (degrees(edge) for edge in edges(band, record.settings.zone, at_ms))
    scale = Scale(begin, end, 0, _COLUMNS)
    least, mean, most = values
    thin = thinned(curve.at_ms, least, mean, most, scale, 32 * MINUTE_MS)
    x = begin + thin.x / _COLUMNS * (end - begin)
    for piece in np.unique(thin.piece):
        mine = thin.piece == piece
        axis.fill_between(x[mine], thin.least[mine], thin.most[mine], color=_COLOURS[name], alpha=0.35, linewidth=0)
        axis.plot(x[mine], thin.mean[mine], color=_COLOURS[name], linewidth=1.2, marker="." if mine.sum() < 3 else "")
    edge = [value for value in (*low[[0, -1]], *high[[0, -1]]) if np.isfinite(value)]
    shown = np.concatenate([thin.least, thin.most, np.array(edge, np.float64)])
    if len(shown):
        axis.set_ylim(shown.min() - 1, shown.max() + 1)
    bottom, top = axis.get_ylim()
    low, high = np.clip(low, bottom, top), np.clip(high, bottom, top)
    axis.fill_between(at_ms, low, high, color=_COLOURS["band"], alpha=0.12, linewidth=0)
    axis.set_xlim(begin, end)
    axis.tick_params(labelsize=8, colors=_COLOURS["ink"], length=3)
    axis.grid(color="#e3e8e3", linewidth=0.6)
    for side in ("top", "right"):
        axis.spines[side].set_visible(False)
    marks = ticks(begin, end, record.settings, _AXIS_PX)
    marks = marks[:: -(-len(marks) // 5)] if marks else marks
    axis.set_xticks([at for at, _ in marks], [words for _, words in marks])


def _wet(axis: Any, record: Record, curve: Curve) -> None:
    wet = curve.margin_k < 0
    bounds = np.flatnonzero(np.diff(np.concatenate(([False], wet, [False])).astype(np.int8)))
    last = len(curve.at_ms) - 1
    for begin, end in zip(bounds[::2].tolist(), bounds[1::2].tolist(), strict=True):
        axis.axvspan(curve.at_ms[begin], curve.at_ms[min(end, last)], color=_COLOURS["wet"], alpha=0.22, linewidth=0)
