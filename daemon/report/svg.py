"""Draws lines, bands and marks as SVG text: a page of them takes milliseconds and its words can be read aloud and searched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from math import ceil, floor, log10

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Scale:
    """A linear map from a figure's range to pixels."""

    low: float
    high: float
    first_px: float
    last_px: float

    def __call__(self, value: float) -> float:
        share = (value - self.low) / ((self.high - self.low) or 1.0)
        return self.first_px + share * (self.last_px - self.first_px)

    def of(self, values: Floats | Instants) -> Floats:
        """Return the pixels of an array."""
        share = (np.asarray(values, np.float64) - self.low) / ((self.high - self.low) or 1.0)
        return self.first_px + share * (self.last_px - self.first_px)


def steps(low: float, high: float, most: int) -> list[float]:
    """Return round values for an axis between two others, at most so many."""
    span = max(high - low, 1e-9)
    power = 10.0 ** floor(log10(span / max(most, 1)))
    step = next(power * factor for factor in (1, 2, 5, 10) if span / (power * factor) <= most)
    return [round(number * step, 6) for number in range(ceil(low / step), floor(high / step) + 1)]


@dataclass(frozen=True, slots=True)
class Columns:
    """A curve thinned to pixel columns: in each the least, mean and most; `piece` numbers the unbroken stretches."""

    x: Floats
    least: Floats
    mean: Floats
    most: Floats
    piece: Instants


def thinned(
    at_ms: Instants, least: Floats, mean: Floats, most: Floats, time: Scale, gap_ms: int
) -> Columns:
    """Return least, mean and most per pixel column, broken where nothing was seen for `gap_ms`.

    No excursion is lost, however long the period: its peak is the `most` of its column.
    """
    seen = ~np.isnan(mean)
    at_ms, least, mean, most = at_ms[seen], least[seen], mean[seen], most[seen]
    if not len(at_ms):
        nothing = np.empty(0)
        return Columns(nothing, nothing, nothing, nothing, np.empty(0, np.int64))
    pixel = np.floor(time.of(at_ms)).astype(np.int64)
    width_ms = (time.high - time.low) / max(abs(time.last_px - time.first_px), 1.0)
    piece = np.cumsum(np.diff(at_ms, prepend=at_ms[0]) > max(gap_ms, 2 * width_ms)).astype(np.int64)
    starts = np.flatnonzero((np.diff(pixel, prepend=pixel[0] - 1) != 0) | (np.diff(piece, prepend=-1) != 0))
    counts = np.diff(starts, append=len(at_ms))
    return Columns(
        time.of(np.add.reduceat(at_ms.astype(np.float64), starts) / counts),
        np.minimum.reduceat(least, starts),
        np.add.reduceat(mean, starts) / counts,
        np.maximum.reduceat(most, starts),
        piece[starts],
    )


def _number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def points(xs: Sequence[float], ys: Sequence[float]) -> str:
    """Return path commands through points."""
    return "".join(f"{'L' if index else 'M'}{_number(x)} {_number(y)}" for index, (x, y) in enumerate(zip(xs, ys, strict=True)))


def line(columns: Columns, scale: Scale, style: str) -> str:
    """Return a curve: through each column's least and most, in the order that keeps the line short."""
    parts: list[str] = []
    for piece in np.unique(columns.piece).tolist():
        mine = columns.piece == piece
        xs: list[float] = []
        ys: list[float] = []
        for x, low, high in zip(
            columns.x[mine].tolist(), scale.of(columns.least[mine]).tolist(), scale.of(columns.most[mine]).tolist(), strict=True
        ):
            if abs(low - high) < 0.8:
                pair = [(low + high) / 2]
            else:
                pair = [low, high] if not ys or abs(ys[-1] - low) <= abs(ys[-1] - high) else [high, low]
            xs += [x] * len(pair)
            ys += pair
        if len(xs) == 1:  # a lone reading is a dot
            xs, ys = [xs[0] - 1.5, xs[0] + 1.5], ys * 2
        parts.append(points(xs, ys))
    return f'<path class="{style}" d="{"".join(parts)}"/>' if parts else ""


def between(columns_x: Floats, upper: Floats, lower: Floats, where: NDArray[np.bool_], style: str) -> str:
    """Return the area between two curves (pixels) wherever `where` holds."""
    parts = []
    edges = np.flatnonzero(np.diff(np.concatenate(([False], where, [False])).astype(np.int8)))
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        xs = columns_x[begin:end]
        if end - begin == 1:
            xs = np.array([xs[0] - 0.75, xs[0] + 0.75])
            top, bottom = np.repeat(upper[begin:end], 2), np.repeat(lower[begin:end], 2)
        else:
            top, bottom = upper[begin:end], lower[begin:end]
        parts.append(points([*xs.tolist(), *xs[::-1].tolist()], [*top.tolist(), *bottom[::-1].tolist()]) + "Z")
    return f'<path class="{style}" d="{"".join(parts)}"/>' if parts else ""


def box(x: float, y: float, width: float, height: float, style: str, title: str = "") -> str:
    """Return a rectangle, with a title that a pointer shows and a reader speaks."""
    inside = f"<title>{escape(title)}</title>" if title else ""
    place = f'x="{_number(x)}" y="{_number(y)}" width="{_number(max(width, 1.5))}" height="{_number(height)}"'
    return f'<rect class="{style}" {place}>{inside}</rect>'


def text(x: float, y: float, words: str, style: str = "", anchor: str = "start") -> str:
    """Return words in the picture."""
    kind = f' class="{style}"' if style else ""
    return f'<text x="{_number(x)}" y="{_number(y)}"{kind} text-anchor="{anchor}">{escape(words)}</text>'


def rule(x1: float, y1: float, x2: float, y2: float, style: str) -> str:
    """Return a straight line."""
    return f'<path class="{style}" d="M{_number(x1)} {_number(y1)}L{_number(x2)} {_number(y2)}"/>'


def group(x: float, y: float, parts: Sequence[str]) -> str:
    """Return parts that are drawn from another corner."""
    return f'<g transform="translate({_number(x)} {_number(y)})">{"".join(parts)}</g>'


def whole(width: float, height: float, inside: str, words: tuple[str, str, str] | None = None) -> str:
    """Return a picture; `words`: an id for its page, title and description for those who cannot see it."""
    spoken = ""
    if words is not None:
        key, title, description = words
        spoken = f' role="img" aria-labelledby="{key}-t {key}-d"'
        inside = f'<title id="{key}-t">{escape(title)}</title><desc id="{key}-d">{escape(description)}</desc>{inside}'
    size = f'viewBox="0 0 {width:g} {height:.0f}" width="{width:g}" height="{height:.0f}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size}{spoken}>{inside}</svg>'
