"""One chart for page, report and mail: curves with their spread, band, harmful lines and forecast on a time axis, as SVG.

It knows no config and no record: what it draws is handed over as arrays in the unit that is shown.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from daemon.report import svg
from daemon.report.svg import Columns, Scale, thinned
from rules.terms.events import MINUTE_MS

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]
GAP_MS = 32 * MINUTE_MS
"""A longer silence breaks the line."""
LEFT, RIGHT, TOP = 38.0, 8.0, 22.0
LINE, TITLE_PX, KEY_PX = 14.0, 7.6, 6.2
"""How high a line of words is, and how wide a letter of a panel's title and of the words beside it, at most on average."""


@dataclass(frozen=True, slots=True)
class Line:
    """A curve: least and most of each instant, drawn as the line itself or, with `spread`, as an area around its mean."""

    style: str
    at_ms: Instants
    least: Floats
    mean: Floats
    most: Floats
    name: str = ""
    below: bool = False
    """Its name stands below it."""
    spread: bool = False
    gap_ms: int = GAP_MS

    def shown(self, as_shown: Callable[[Floats], Floats]) -> Line:
        """Return the same in another unit."""
        return replace(self, least=as_shown(self.least), mean=as_shown(self.mean), most=as_shown(self.most))

    @property
    def seen(self) -> bool:
        """Whether it has any value."""
        return bool((~np.isnan(self.mean)).any())


@dataclass(frozen=True, slots=True)
class Edges:
    """A band at instants, -inf and inf where it has no edge."""

    at_ms: Instants
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True)
class Plot:
    """One panel: its title, what its lines are, and all that is drawn in it."""

    title: str
    key: str
    height: float
    lines: Sequence[Line]
    low: float
    high: float
    band: Edges | None = None
    harmful: Sequence[float] = ()


def bounds(lines: Sequence[Line], limits: Sequence[float], pad: float) -> tuple[float, float]:
    """Return the range that shows these lines and limits, in whole figures."""
    columns = [column[~np.isnan(line.mean)] for line in lines for column in (line.least, line.most)]
    values = np.concatenate([*columns, np.array(limits, np.float64)])
    if not len(values):
        return 0.0, 1.0
    return float(np.floor(values.min() - pad / 2)), float(np.ceil(values.max() + pad / 2))


class Drawing:
    """Panels one below the other on one time axis."""

    def __init__(self, width: float, since_ms: int, until_ms: int, ticks: Sequence[tuple[int, str]]) -> None:
        self.width = width
        self.right = width - RIGHT
        self.time = Scale(since_ms, until_ms, LEFT, self.right)
        self.ticks = ticks
        self.instants = np.linspace(since_ms, until_ms, 400).astype(np.int64)
        """At which a band is drawn."""
        self.parts: list[str] = []
        self.y = 0.0

    def plot(self, plot: Plot, now_ms: int | None = None) -> Scale:
        """Draw a panel with all that is in it; `now_ms`: where what was ends and what is expected begins."""
        scale = self.panel(plot)
        if plot.band is not None:
            self._band(plot.band, scale)
        for limit in plot.harmful:
            if scale.low < limit < scale.high:
                self._harmful(limit, scale, lower=limit < max(plot.harmful))
        if now_ms is not None:
            x = self.time(now_ms)
            self.parts.append(svg.rule(x, scale.last_px, x, scale.first_px, "now"))
        self.lines(plot.lines, scale)
        return scale

    def lines(self, lines: Sequence[Line], scale: Scale) -> None:
        """Draw lines and their names, or that nothing was measured."""
        for line in lines:
            self._line(line, scale)
        for line in lines:
            if line.name:
                self._name(line, scale)
        if not any(line.seen for line in lines):
            x, y = (LEFT + self.right) / 2, (scale.first_px + scale.last_px) / 2 + 4
            self.parts.append(svg.text(x, y, "not measured", "tick", "middle"))

    def panel(self, plot: Plot) -> Scale:
        """Begin a panel with its title, what its lines are, its grid, and return its scale; words that find no room beside the
        title stand below it."""
        below = LINE if TITLE_PX * len(plot.title) + KEY_PX * len(plot.key) > self.right else 0.0
        top = self.y + TOP + below
        scale = Scale(plot.low, plot.high, top + plot.height, top)
        self.parts.append(svg.text(0, self.y + 14, plot.title, "panel"))
        if plot.key:
            self.parts.append(svg.text(self.right, self.y + 14 + below, plot.key, "key", "end"))
        for value in svg.steps(plot.low, plot.high, max(2, round(plot.height / 28))):
            y = scale(value)
            self.parts.append(svg.rule(LEFT, y, self.right, y, "grid"))
            self.parts.append(svg.text(LEFT - 5, y + 4, f"{value:g}", "tick", "end"))
        for at_ms, _ in self.ticks:
            x = self.time(at_ms)
            self.parts.append(svg.rule(x, top, x, top + plot.height, "grid"))
        self.y = top + plot.height + 8
        return scale

    def axis(self) -> None:
        """Write the times below the last panel."""
        last = -1e9
        for at_ms, words in self.ticks:
            x, width = self.time(at_ms), 6.4 * len(words)
            if x - last >= 6 and x + width / 2 <= self.width:
                self.parts.append(svg.text(max(x, width / 2), self.y + 12, words, "tick", "middle"))
                last = x + width
        self.y += 20

    def thin(self, line: Line) -> Columns:
        """Return a line by pixel columns."""
        return thinned(line.at_ms, line.least, line.mean, line.most, self.time, line.gap_ms)

    def _line(self, line: Line, scale: Scale) -> None:
        columns = self.thin(line)
        if line.spread:
            for piece in np.unique(columns.piece).tolist():
                mine = columns.piece == piece
                upper, lower = scale.of(columns.most[mine]), scale.of(columns.least[mine])
                upper, lower = (np.clip(edge, scale.last_px, scale.first_px) for edge in (upper, lower))
                style = f"area {line.style}"
                self.parts.append(svg.between(columns.x[mine], upper, lower, np.ones(int(mine.sum()), bool), style))
            columns = Columns(columns.x, columns.mean, columns.mean, columns.mean, columns.piece)
        self.parts.append(svg.line(columns, scale, line.style))

    def _harmful(self, limit: float, scale: Scale, *, lower: bool) -> None:
        y = scale(limit)
        below = y - scale.last_px < 12 or (lower and scale.first_px - y >= 14)
        self.parts.append(svg.rule(LEFT, y, self.right, y, "harm"))
        self.parts.append(svg.text(LEFT + 3, y + (11 if below else -3), "harmful", "harmword"))

    def _band(self, band: Edges, scale: Scale) -> None:
        at_ms = band.at_ms
        low, high = (np.clip(edge, scale.low, scale.high) for edge in (band.low, band.high))
        if np.ptp(low) == np.ptp(high) == 0:
            at_ms, low, high = at_ms[[0, -1]], low[[0, -1]], high[[0, -1]]  # the same all day: a rectangle
        whole = np.ones(len(at_ms), bool)
        self.parts.append(svg.between(self.time.of(at_ms), scale.of(high), scale.of(low), whole, "band"))

    def _name(self, line: Line, scale: Scale) -> None:
        """Write a line's name at its end."""
        columns = self.thin(line)
        if len(columns.x):
            at = max(0, len(columns.x) - 1 - len(columns.x) // 12)
            near = slice(max(0, at - 30), None)
            y = scale(float(columns.least[near].min())) + 13 if line.below else scale(float(columns.most[near].max())) - 5
            y = min(max(y, scale.last_px + 10), scale.first_px - 3)
            self.parts.append(svg.text(self.right - 3, y, line.name, f"name {line.style}", "end"))
