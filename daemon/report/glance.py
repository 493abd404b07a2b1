"""The chambers on a page: by room, a card for each that wants something, a line for each quiet one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from adapters.wording import commands
from adapters.wording.counting import counted
from daemon.report.groups import Group, alike, quiet
from daemon.report.looks import flag
from daemon.report.verdict import WORDS, Verdict


def glance(groups: Sequence[Group], pictures: Mapping[str, str] | None = None, *, linked: bool = False) -> str:
    """Return all groups; `pictures`: what stands at the end of a card; `linked`: more of each stands further down."""
    among = sum(len(group.verdicts) for group in groups)
    return "".join(_group(group, pictures or {}, among, linked=linked) for group in groups)


def _group(group: Group, pictures: Mapping[str, str], among: int, *, linked: bool) -> str:
    head = f"<h2>{escape(group.title)}</h2>" if group.title else ""
    loud = alike([one for one in group.verdicts if not quiet(one, among)])
    calm = [one for one in group.verdicts if quiet(one, among)]
    cards = "".join(_card(some, pictures.get(some[0].chamber, "")) for some in loud)
    lines = "".join(_line(one, linked=linked) for one in calm)
    return (
        f'<section class="group">{head}' + (f'<div class="cards">{cards}</div>' if cards else "")
        + (f'<ul class="lines">{lines}</ul>' if lines else "") + "</section>"
    )  # fmt: skip


def _line(one: Verdict, *, linked: bool) -> str:
    title = f'<a href="#{escape(one.chamber)}">{escape(one.title)}</a>' if linked else escape(one.title)
    return f'<li class="line {one.grade}">{flag(one.grade, WORDS[one.state])} <b>{title}</b> {escape(one.figures)}</li>'


def _card(some: Sequence[Verdict], picture: str) -> str:
    """Return the card of one chamber, or of several that want the same; with the picture of the worst."""
    first = some[0]
    alarms = "".join(f"<li>{escape(line)}</li>" for one in some for line in one.alarms)
    who = "".join(f'<p class="headline">{escape(one.title)}</p><p>{escape(one.figures)}</p>' for one in some)
    if len(some) > 1:
        who = "".join(f"<li><b>{escape(one.title)}</b> {escape(one.figures)}</li>" for one in some)
        head = f'<p class="headline">{counted(len(some), "chamber")} alike, the worst first</p>'
        who = f'{head}<ul class="plain small">{who}</ul>'
        alarms = ""
        picture = picture and f'<p class="headline">{escape(first.title)}</p>{picture}'
    return (
        f'<article class="card {first.grade}">{flag(first.grade, WORDS[first.state])}{who}{_do(some)}'
        + (f'<ul class="plain small">{alarms}</ul>' if alarms else "")
        + f"{picture}</article>"
    )


def _do(some: Sequence[Verdict]) -> str:
    one = some[0]
    if not one.steps:
        return '<p class="do">Nothing to do.</p>' if one.grade == "well" else ""
    head = f"Do this {one.within}" if one.within else "Do this"
    lines = "".join(f"<li>{escape(line)}</li>" for line in one.steps)
    typed = " ".join(f"<code>{escape(commands.done(each.advisory))}</code>" for each in some if each.advisory is not None)
    done = f'<p class="small">When it is done: {typed}</p>' if typed else ""
    return f'<div class="do"><b>{escape(head)}</b><ol>{lines}</ol>{done}</div>'
