"""The report as one page that needs nothing else: no script, no network, for screen, phone and paper."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, tzinfo
from html import escape

from adapters.wording.alarm_sentences import title_of
from adapters.wording.counting import counted
from adapters.wording.figures import clean
from daemon.report.chamber_part import part
from daemon.report.figures import local_text
from daemon.report.glance import glance
from daemon.report.groups import FEW, grouped, worst_first
from daemon.report.happenings import story
from daemon.report.health import WORDS as HEALTH_WORDS
from daemon.report.health import Health, health
from daemon.report.looks import document, flag
from daemon.report.outcomes import outcomes
from daemon.report.record import Record
from daemon.report.verdict import GRADES, WORDS, Verdict, style_of, verdicts, whole
from rules.alarms.load import AlarmFigures, Figure, alarm_figures, delays_of
from rules.care import care
from rules.care.occurrences import Occurrence
from rules.settings import Settings
from rules.terms.local_time import time_words
from rules.trade.alarm_kinds import ALARMS
from rules.turn.verdict import State

_CARE_WORDS = {"due": "due", "overdue": "overdue", "harmful-if-missed": "harmful if missed"}
_FIRST_CARE = 5


def page(record: Record) -> str:
    """Return the report of a period as HTML."""
    settings, zone = record.settings, record.settings.zone
    told = verdicts(settings, record.state, record.situations, record.until_ms, late=record.late, only=record.chambers)
    newest = None if record.newest_ms is None else time_words(record.newest_ms, zone)
    worst, sentence = whole(told, late=record.late, newest=newest)
    period = f"{time_words(record.since_ms, zone)} to {time_words(record.until_ms, zone)}"
    due = care.standing(settings, record.state.care)
    site = escape(clean(settings.site.name, 60))
    body = [
        head(site, worst, sentence, f"{period} ({escape(local_zone(record))})", care_sentence(due)),
        glance(grouped(settings, record.situations, told), linked=True),
        _due(due, record),
        _contents(told) if len(told) > 3 else "",
        *(part(record, one, place) for place, one in enumerate(worst_first(told))),
        outcomes(record),
        _alarms(alarm_figures(record.alarm_events, record.begun_ms, record.until_ms, delays_of(settings)), settings),
        _probes(health(settings, record.state, record.newest_ms or record.until_ms, style_of(settings))),
        _others(record),
        f'<p class="small">Made by dewlid on {escape(time_words(record.now_ms, zone))}. Lines are drawn with what is believed'
        " of probes and lid today; what was told then stands under what happened. It only advises.</p>",
    ]
    return document(f"{site}: {period}", "\n".join(body), kind="many" if len(told) > FEW else "")


def local_zone(record: Record) -> str:
    """Return the name of the local time at the period's end."""
    return datetime.fromtimestamp(record.until_ms / 1000, record.settings.zone).tzname() or "UTC"


# ---------------------------------------------------------------- the first screen


def head(site: str, state: State, sentence: str, below: str, care_sentence: str = "") -> str:
    """Return what stands above everything: is all well, in one sentence, and what care waits for."""
    also = f"<p>{escape(care_sentence)}</p>" if care_sentence else ""
    return (
        f'<header class="{GRADES[state]}"><p class="small">{site}</p>'
        f"<h1>{flag(GRADES[state], WORDS[state])} {escape(sentence)}</h1>"
        f'{also}<p class="small">{below}</p></header>'
    )


def care_sentence(due: Sequence[Occurrence]) -> str:
    """Return how much care waits, and the worst of it; empty when nothing does."""
    if not due:
        return ""
    bad = list(dict.fromkeys(one.title for one in due if one.status == "harmful-if-missed"))
    late = f", harmful if missed: {bad[0][0].lower()}{bad[0][1:]}" + (" and more" if len(bad) > 1 else "") if bad else ""
    return f"Care: {counted(len(due), 'task')} due{late}."


def _due(due: Sequence[Occurrence], record: Record) -> str:
    if not due:
        return '<section class="sheet"><h2>Care</h2><p>Nothing is due.</p></section>'
    title = f'Care: {counted(len(due), "task")} due'
    return f'<section class="sheet"><h2>{title}</h2>{care_lines(due, record.settings.zone)}</section>'


def care_lines(due: Sequence[Occurrence], zone: tzinfo) -> str:
    """Return what is due as a list, the worst first."""
    together: dict[tuple[str, str], list[Occurrence]] = {}
    for one in due:
        together.setdefault((one.title, one.status), []).append(one)
    lines = [
        f"<li>{escape(title)}: {escape(', '.join(one.where for one in some))}"
        f' <span class="small">({_CARE_WORDS.get(status, status)}, since {_since(some, zone)})</span></li>'
        for (title, status), some in together.items()
    ]
    first, rest = "".join(lines[:_FIRST_CARE]), "".join(lines[_FIRST_CARE:])
    more = f"<details><summary>{len(lines) - _FIRST_CARE} more</summary><ul class='plain'>{rest}</ul></details>" if rest else ""
    return f'<ul class="plain">{first}</ul>{more}'


def _since(some: Sequence[Occurrence], zone: tzinfo) -> str:
    return local_text(min(one.due_ms for one in some), zone, "day")


def _contents(told: Sequence[Verdict]) -> str:
    links = " · ".join(f'<a href="#{escape(one.chamber)}">{escape(one.title)}</a>' for one in told)
    return f"<nav class='small' aria-label='Chambers'>{links}</nav>"


# ---------------------------------------------------------------- alarms, probes, the rest


def _alarms(figures: AlarmFigures, settings: Settings) -> str:
    rows = "".join(
        f'<tr><td>{escape(one.name.capitalize())}</td><td class="n">{_figure(one)}</td><td>{escape(one.target)}</td>'
        f"<td>{'as it should be' if one.met else '<b>too many</b>'}</td></tr>"
        for one in figures.figures
    )
    worst = [one for one in figures.offenders if one.raises > 1][:3]
    lines = [f"{_named(one.key, settings)} came {one.raises} times ({one.share * 100:.0f} % of all)" for one in worst]
    if figures.median_to_acknowledge_s is not None:
        lines.append(f"half of the answered ones were answered within {figures.median_to_acknowledge_s / 60:.0f} minutes")
    told = f"<p>{escape('; '.join(lines))}.</p>" if lines else ""
    bad = sum(not one.met for one in figures.figures)
    verdict = "all as it should be" if not bad else f"{counted(bad, 'figure')} outside the target"
    return (
        f'<section class="sheet keep"><h2>Alarms: {verdict}</h2>{told}<div class="scroll"><table><caption>How good the alarms'
        " are; too many of them make a keeper deaf</caption><thead><tr><th>Measure</th><th class='n'>Now</th><th>Target</th>"
        f"<th></th></tr></thead><tbody>{rows}</tbody></table></div></section>"
    )


def _figure(one: Figure) -> str:
    if one.name.startswith("share"):
        return f"{one.value * 100:.1f} %"
    return f"{one.value:.1f}" if one.value != round(one.value) else f"{one.value:.0f}"


def _named(key: str, settings: Settings) -> str:
    place, _, alarm = key.partition("/")
    name, _, probe = alarm.partition("/")
    where = title_of(settings, None if place == "site" else place)
    said = f"{where}, {ALARMS[name].label if name in ALARMS else name}"
    return f"{said} ({probe})" if probe else said


def _probes(found: Sequence[Health]) -> str:
    bad = [one for one in found if one.ne107 != "ok"]
    rows = "".join(
        f"<tr class='{one.ne107}'><td>{escape(one.probe)}<br><span class='small'>{escape(one.place)}</span></td>"
        f"<td>{escape(one.quantity)}</td>"
        f"<td>{escape(HEALTH_WORDS[one.ne107])}{_why(one)}</td><td class='n'>{escape(one.value)}</td><td>{escape(one.age)}</td>"
        f"<td class='n'>{_share(one.not_good)}</td><td>{escape(one.checked)}</td></tr>"
        for one in found
    )
    title = "all work" if not bad else f"{len(bad)} of {len(found)} readings not to be relied on"
    return (
        f'<section class="sheet"><h2>Probes: {title}</h2><div class="scroll"><table><caption>State by NAMUR NE 107</caption>'
        "<thead><tr><th>Probe</th><th>Measures</th><th>State</th><th class='n'>Last</th><th>Age</th><th class='n'>Doubted</th>"
        f"<th>Check</th></tr></thead><tbody>{rows}</tbody></table></div></section>"
    )


def _why(one: Health) -> str:
    plain = f" ({one.ne107.replace('-', ' ')})" if one.ne107 != "ok" else ""
    return f"<br><span class='small'>{escape(one.why + plain)}</span>" if one.why or plain else ""


def _share(value: float | None) -> str:
    return "–" if value is None else f"{value * 100:.1f} %"


def _others(record: Record) -> str:
    told = story(record, None)[:40]
    if not told:
        return ""
    lines = "".join(f"<li>{escape(line)}</li>" for line in told)
    return (
        '<section class="sheet"><details><summary>About the watching itself, rooms, and chambers that are no longer in the'
        f' config, line by line ({len(told)})</summary><ul class="plain small">{lines}</ul></details></section>'
    )
