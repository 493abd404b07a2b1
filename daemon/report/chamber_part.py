"""One chamber's part of the page: its picture, shares of time, table, story and model."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

import numpy as np

from adapters.wording.figures import Style
from daemon.report import svg
from daemon.report.chamber_chart import picture
from daemon.report.comparison import comparison
from daemon.report.curves import Curve
from daemon.report.figures import Row, Share, percent, rows, shares
from daemon.report.happenings import Lane, lanes, story
from daemon.report.record import Record, empty, expected
from daemon.report.verdict import Verdict, style_of
from rules.advice.model import COOLING, LIFT, model_from_json
from rules.advice.state import Worth
from rules.settings import Chamber
from rules.terms.local_time import day_words

WIDE, NARROW = 774.0, 328.0
"""Widths of the two drawings in px: a page's column, and a 360 px phone less its margins."""
_MOST_LINES = 60
_DRAWN_ON_PAPER = 6
"""Of many chambers so many, the worst, have their picture on paper too."""


def part(record: Record, verdict: Verdict, place: int = 0) -> str:
    """Return the section of one chamber, which has its place among all, the worst first."""
    name, style = verdict.chamber, style_of(record.settings)
    chamber, curve = record.settings.chambers[name], record.curves.get(name)
    brief = " brief" if place >= _DRAWN_ON_PAPER else ""
    head = f'<section class="sheet chamber{brief}" id="{escape(name)}"><h2>{escape(verdict.title)}</h2>'
    told = story(record, name)
    if curve is None or empty(curve):
        why = "No probe stands in this chamber." if verdict.silent else "Nothing believable was measured here in this time."
        return f"{head}<p>{why}</p>{_story(told)}{_model(record, name)}</section>"
    parts = [head, _picture(record, name, curve, lanes(record, name), style), _shares(curve, chamber, record)]
    parts += [comparison(record, name, style), _table(curve, record, style), _story(told), _model(record, name), "</section>"]
    return "".join(parts)


# ---------------------------------------------------------------- picture


def _picture(record: Record, name: str, curve: Curve, happened: list[Lane], style: Style) -> str:
    title = f"{record.settings.chambers[name].title or name}: temperature, humidity, lid and dew point"
    words = summary(curve, record.settings.chambers[name], record, style) + " The same figures stand in the table below."
    drawn, ahead = "", expected(record, name)
    for kind, width in (("wide", WIDE), ("narrow", NARROW)):
        drawing = picture(record.settings, name, curve, happened, record.since_ms, record.until_ms, style, width, ahead)
        spoken = svg.whole(width, drawing.y, "".join(drawing.parts), (f"{name}-{kind}", title, words))
        drawn += f'<div class="{kind}">{spoken}</div>'
    return f"<figure>{drawn}</figure>"


def summary(curve: Curve, chamber: Chamber, record: Record, style: Style) -> str:
    """Return in sentences what the picture shows."""
    shared = shares(curve, chamber, record.settings.zone, record.until_ms - record.since_ms)
    said = []
    for what, least, mean, most, unit in (
        ("Temperature", curve.temperature_least_c, curve.temperature_c, curve.temperature_most_c, "degC"),
        ("Humidity", curve.humidity_least_pct, curve.humidity_pct, curve.humidity_most_pct, "%"),
    ):
        if not np.isnan(mean).all():
            inside = shared[what.lower()].inside_of_seen
            low, middle, high = (style.quantity(float(v), unit) for v in (np.nanmin(least), np.nanmean(mean), np.nanmax(most)))
            said.append(f"{what} {low} to {high}, mean {middle}, in band {percent(inside)} of the time seen.")
    wet_h = float(curve.credit_ms[curve.margin_k < 0].sum()) / 3_600_000
    if not np.isnan(curve.margin_k).all():
        said.append(f"The lid was wet for {wet_h:.1f} hours." if wet_h >= 0.05 else "The lid stayed dry.")
    else:
        said.append("Whether the lid was wet is not known: neither a lid probe nor a room probe speaks.")
    return " ".join(said)


# ---------------------------------------------------------------- shares of time


def _shares(curve: Curve, chamber: Chamber, record: Record) -> str:
    shared = shares(curve, chamber, record.settings.zone, record.until_ms - record.since_ms)
    cells = [
        _share("Temperature in band", shared["temperature"], ("too cool", "too warm")),
        _share("Humidity in band", shared["humidity"], ("too dry", "above band")),
        _share("Lid dry", shared["lid"], ("wet", "")),
    ]
    return f'<h3>Time in band</h3><div class="shares keep">{"".join(cells)}</div>'


def _share(title: str, one: Share, words: tuple[str, str]) -> str:
    if one.inside_of_seen is None:
        return f"<div><b>{title}</b>: not known</div>"
    widths = "".join(
        f'<i class="{kind}" style="width:{value * 100:.2f}%"></i>'
        for kind, value in (("lo", one.below), ("in", one.inside), ("hi", one.above)) if value > 0
    )  # fmt: skip
    seen = one.below + one.inside + one.above
    rest = [f"{percent(value / seen)} {word}" for value, word in ((one.below, words[0]), (one.above, words[1])) if value > 0]
    rest += [f"not seen for {percent(one.unseen)}"] if one.unseen > 0.01 else []
    return (
        f'<div><b>{title} {percent(one.inside_of_seen)}</b><div class="bar" aria-hidden="true">{widths}</div>'
        f'<span class="small">{", ".join(rest) or "all the time"}</span></div>'
    )


# ---------------------------------------------------------------- table


def _table(curve: Curve, record: Record, style: Style) -> str:
    name, lines = rows(curve, record.since_ms, record.until_ms, record.settings.zone)
    body = "".join(_row(line, style) for line in lines)
    return (
        f"<details class='paper'><summary>Figures by {name}</summary><div class='scroll'><table>"
        "<caption>Least, mean and greatest; water on the lid where the margin is below 0</caption>"
        f"<thead><tr><th>{name.capitalize()}</th>"
        f'<th class="n">Temperature, {style.sign}</th><th class="n">Humidity, %</th><th class="n">Least lid margin</th>'
        f'<th class="n">Lid wet, h</th><th class="n">Seen</th></tr></thead><tbody>{body}</tbody></table></div></details>'
    )


def _row(line: Row, style: Style) -> str:
    margin = "–" if np.isnan(line.least_margin_k) else style.margin(round(line.least_margin_k, 1) + 0.0)
    wet = "–" if np.isnan(line.least_margin_k) else f"{line.wet_h:.1f}"
    cells = [_three(line.temperature_c, style, "degC"), _three(line.humidity_pct, style, "%"), margin, wet, percent(line.seen)]
    figures = "".join(f'<td class="n">{cell}</td>' for cell in cells)
    return f"<tr><td>{escape(line.label)}</td>{figures}</tr>"


def _three(values: tuple[float, float, float], style: Style, unit: str) -> str:
    if np.isnan(values[1]):
        return "–"
    return " · ".join(style.quantity(value, unit).rpartition(" ")[0] for value in values)


# ---------------------------------------------------------------- story and model


def _story(told: list[str]) -> str:
    if not told:
        return "<h3>What happened</h3><p>Nothing to tell in this time.</p>"
    lines = "".join(f"<li>{escape(line)}</li>" for line in told[:_MOST_LINES])
    more = f"<p class='small'>{len(told) - _MOST_LINES} earlier lines are left out.</p>" if len(told) > _MOST_LINES else ""
    return (
        f"<details><summary>What happened, line by line ({len(told)})</summary>"
        f"<ul class='plain small'>{lines}</ul>{more}</details>"
    )


def predictions_held(worth: Mapping[str, Worth]) -> list[str]:
    """Return how many of the chamber's predictions came within what was stated, by hours ahead."""
    lines = []
    for hours in sorted({name.partition(" ")[2] for name in worth}, key=float):
        rows = [one for name, one in worth.items() if name.endswith(f" {hours}")]
        told, held = sum(one.told for one in rows), sum(one.held for one in rows)
        ahead = "1 hour" if hours == "1" else f"{hours} hours"
        lines.append(f"Of {told} figures predicted for {ahead} ahead, {held} came within what was stated; 19 of 20 are wanted.")
    return lines


def _model(record: Record, name: str) -> str:
    """Return how well the chamber is known: its lid's factor and the fit of its heat and moisture balance."""
    lines = []
    place, adviser = record.state.places.get(name), record.state.advice.get(name)
    if place is not None and place.belief is not None:
        belief = place.belief
        low, high = belief.interval()
        source = f"{belief.measurements} measurements and {belief.sightings} sights" if belief.learned else "its build alone"
        lines.append(f"Lid temperature factor {belief.mean:.2f} (95 %: {low:.2f} to {high:.2f}), from {source}.")
    model = None
    if adviser is not None and adviser.model is not None:
        try:
            model = model_from_json(adviser.model)
        except ValueError:
            lines.append("The stored fit of its heat and moisture balance cannot be read; the next daily fit replaces it.")
    if model is None:
        lines.append("No fit of its heat and moisture balance yet: advice goes by size and build (a factor of 2 or 3).")
    else:
        hours, lift = 1 / model.value(COOLING), model.value(LIFT)
        when = f"of {day_words(model.fitted_ms, record.settings.zone)}, " if model.fitted_ms is not None else ""
        off = f", typical error {model.residual_pct:.1f} points of humidity" if model.residual_pct is not None else ""
        said = f"cools with a time constant of {hours:.1f} h; full heat lifts it {lift:.1f} K above the room"
        lines.append(f"Fit {when}{model.samples} samples{off}: {said}.")
        lines += model.notes[:4]
    lines += [] if adviser is None else predictions_held(adviser.worth)
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    title = "How well this chamber is known"
    return f"<details class='paper'><summary>{title}</summary><ul class='plain small'>{items}</ul></details>"
