"""The reasoning about a chamber in plain text: first what to do and why, then the numbers behind it, step by step."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from adapters.wording.alarm_sentences import label
from adapters.wording.figures import Style
from adapters.wording.harm import harm_lines
from adapters.wording.mat import mat_day_told, mat_found, mat_means, mat_remedy
from adapters.wording.priority_words import PRIORITY_WORDS
from rules.advice.reasoning import Figure, ModelFigure, Reasoning, Weighed
from rules.physics.mat_ends import MatEnds
from rules.trade.practice import CELLS


@dataclass(frozen=True, slots=True)
class SeriesSeen:
    """The newest value of a probe's series and what the quality tests say of it."""

    probe: str
    quantity: str
    value: float | None
    unit: str
    at_ms: int | None
    flag: str
    test: str
    correction: str


def reasoning_text(told: Reasoning, probes: Sequence[SeriesSeen], style: Style, width: int = 100) -> str:
    """Return the reasoning for a terminal of so many columns."""
    advice = "Advice" if told.asked else "Advice if it lasts; nothing is asked of you yet"
    blocks = [
        ("What stands", [_stands(row) for row in told.standing] or ["no alarm"]),
        (advice, [style.text(line) for line in told.advice]),
        ("Do not", [style.text(line) for line in told.never]),
        ("Why", [style.text(told.reason)]),
        ("How much of what such a garden bears is used up (an own estimate, no measured dose)", harm_lines(told.harm)),
        ("What is lacking", list(told.lacking)),
        ("Probes", [_probe(row, style) for row in probes]),
        ("Readings", [_figure(row, style) for row in told.readings]),
        ("What follows from them", [_figure(row, style) for row in told.derived]),
        ("What is made of it", _meaning(told)),
        ("Settings as last told", _joined(told.settings)),
        ("How the devices answered so far (1: as the model says)", _joined(told.gains)),
        (f"Model of the chamber ({_source(told.model_source)})", [_parameter(row) for row in told.model]),
        ("", list(told.model_notes)),
        ("The heat mat in the last day, by its own probe", mat_day_told(told.mat_day, told.mat, style)),
        ("The heat mat, if its thermostat sticks or it dies", _mat(told.mat, style)),
        ("What was weighed, as if all might be changed now", _weighed(told, style)),
        ("Sources", list(told.sources)),
    ]
    head = f"{told.chamber}: why, at {style.clock(told.at_ms)}"
    return "\n".join([head, *(line for title, rows in blocks for line in _block(title, rows, width))])


def _block(title: str, rows: Sequence[str], width: int) -> Iterable[str]:
    if rows and title:
        yield title
    for row in rows:
        yield from textwrap.wrap(
            row, width, initial_indent="  ", subsequent_indent="    ", break_long_words=False, break_on_hyphens=False
        ) if len(row) > width - 2 else [f"  {row}"]


def _stands(row: str) -> str:
    """Return `lid is wet (lid-dew): active, can wait until the morning` of `lid-dew: active, morning`."""
    alarm, _, rest = row.partition(": ")
    condition, _, priority = rest.partition(", ")
    priority, semicolon, cause = priority.partition("; ")
    return f"{label(alarm)} ({alarm}): {condition}, {PRIORITY_WORDS.get(priority, priority)}{semicolon}{cause}"


def _figure(row: Figure, style: Style) -> str:
    if row.value is None:
        return f"{row.name:30} not known"
    value = _in_unit(row.value, row.unit, style)
    doubt = "" if row.uncertainty is None else f" ± {_span(row.uncertainty, row.unit, style)}"
    return f"{row.name:30} {value}{doubt}" + (f"  ({style.text(row.note)})" if row.note else "")


def _in_unit(value: float, unit: str, style: Style) -> str:
    if unit == "%RH":
        return f"{value:.1f} %RH"
    if unit == "K":
        return style.margin(value)
    return style.quantity(value, unit) if unit in ("°C", "K/h") else f"{value:.3g} {unit}"


def _span(value: float, unit: str, style: Style) -> str:
    return style.quantity(value, "K").partition(" ")[0] if unit in ("°C", "K", "K/h") else f"{value:.2g}"


def _probe(row: SeriesSeen, style: Style) -> str:
    unit = "°C" if row.unit == "degC" else row.unit
    value = "nothing yet" if row.value is None else _in_unit(row.value, unit, style)
    age = "" if row.at_ms is None else f" at {style.clock(row.at_ms)}"
    trouble = f", {row.test} test not passed" if row.test else ""
    corrected = f", corrected by {row.correction}" if row.correction else ""
    return f"{row.probe} {row.quantity.replace('_', ' ')}: {value}{age}, {row.flag}{trouble}{corrected}"


def _meaning(told: Reasoning) -> list[str]:
    which = f"of the {len(CELLS)} ways in which temperature, humidity and lid can stand together"
    number = f" (number {told.cell} {which})" if told.cell is not None and told.cell <= len(CELLS) else ""
    cell = [] if told.cell is None else [f"{told.meaning}{number}"]
    case = [] if told.case is None else [f"case {told.case}"]
    return [*cell, *case, f"known of it: {', '.join(told.facts)}"] if cell or case or told.facts else []


def _mat(ends: MatEnds | None, style: Style) -> list[str]:
    if ends is None:
        return []
    remedy = mat_remedy(ends, style)
    return [mat_found(ends, style), mat_means(ends, style), *([f"do: {remedy}"] if remedy else [])]


def _joined(values: Mapping[str, float]) -> list[str]:
    return [", ".join(f"{name} {value:g}" for name, value in values.items())] if values else []


def _source(source: str) -> str:
    return {"prior": "from its build alone; nothing fitted yet", "fitted": "fitted to its own history"}.get(source, source)


def _parameter(row: ModelFigure) -> str:
    known = "from data" if row.from_data else "by the build, not by data"
    unit = f" {row.unit}" if row.unit else ""
    return f"{row.name:12} {row.value:.3g} ({row.low:.3g} to {row.high:.3g}){unit}, {known}"


def _weighed(told: Reasoning, style: Style) -> list[str]:
    if told.winner is None:
        return []
    lines = [
        f"{told.searched} combinations of steps, {told.refused} of them refused by rules of practice; effort counts"
        " how much work a combination is for the keeper"
    ]
    lines += [
        f"{name}: {_candidate(row, style)}"
        for name, row in (("winner", told.winner), ("runner-up", told.runner_up), ("doing nothing", told.nothing_done))
        if row is not None
    ]
    if told.feasible is False:
        lines.append(f"no combination brings all into band; cannot be met: {', '.join(told.unmet) or 'not known'}")
    return lines


def _candidate(row: Weighed, style: Style) -> str:
    changes = "; ".join(row.changes) or "no change"
    temperature, margin = style.quantity(row.temperature_c, "°C"), style.margin(row.margin_k)
    rest = f"at rest {temperature}, {row.humidity_pct:.0f} %RH, margin {margin}"
    return f"{style.text(changes)} -> {rest}; {row.in_band_share:.0%} sure to be in band; effort {row.effort:g}"
