"""Whether each garden is well and what to do, in one sentence each: the first thing on every page and screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf
from typing import Literal

import numpy as np

from adapters.wording.alarm_sentences import first_step, label, raised, sentence, title_of
from adapters.wording.figures import Style, clean, span
from adapters.wording.harm import harm_sentences
from daemon.report.figures import Floats, edges, humidity_edges
from rules.advice.state import Asked
from rules.alarms.state import AlarmRecord
from rules.alarms.walk import as_event
from rules.checks.bands import RAISED_PCT
from rules.climate.course import Presents
from rules.climate.situation import Situation
from rules.settings import Settings
from rules.terms.events import AlarmEvent
from rules.trade.urgency import rank
from rules.turn.advance import EngineState
from rules.turn.verdict import STATES, State, verdict_of
from rules.turn.verdict import Verdict as Standing

WORDS: dict[State, str] = {
    "act-now": "Act now", "not-seen": "Not seen", "act-today": "Act today", "seen": "Seen by you", "done": "Done",
    "recovering": "Recovering", "watch": "Watch it", "well": "Well",
}  # fmt: skip
Grade = Literal["act", "unseen", "look", "well"]
GRADES: dict[State, Grade] = {
    "act-now": "act", "not-seen": "unseen", "act-today": "look", "seen": "look", "done": "look", "recovering": "look",
    "watch": "look", "well": "well",
}  # fmt: skip
"""Each state's colour and shape."""
_MOST_STEPS = 3


@dataclass(frozen=True, slots=True)
class Verdict:
    """One chamber's: `headline` and `figures` are sentences, `steps` what to do in order, `within` how soon."""

    chamber: str
    title: str
    state: State
    headline: str
    figures: str
    alarms: tuple[str, ...]
    steps: tuple[str, ...]
    within: str
    advisory: str | None
    used: float = 0.0
    """The share that is used up of what its garden bears."""
    silent: bool = False
    """There is no probe that could see it."""
    rank: int = 0
    """How urgent the most urgent alarm is that is not seen."""
    harms: bool = False
    """Whether something harms there, or leads there, also what is seen or being judged."""
    left_s: float = inf
    """How long what its garden bears lasts at this pace; without end where it gets no worse."""

    @property
    def grade(self) -> Grade:
        """Its colour and shape."""
        return GRADES[self.state]


def style_of(settings: Settings) -> Style:
    """Return how this keeper reads numbers and times."""
    return Style(settings.site.temperature_unit, settings.zone)


def verdicts(
    settings: Settings,
    state: EngineState,
    situations: dict[str, Situation],
    now_ms: int,
    *,
    late: bool,
    only: Sequence[str] = (),
) -> list[Verdict]:
    """Return the verdict of each chamber, in the config's order."""
    return [verdict(settings, state, name, situations.get(name), now_ms, late=late) for name in (only or settings.chambers)]


def verdict(
    settings: Settings, state: EngineState, name: str, situation: Situation | None, now_ms: int, *, late: bool
) -> Verdict:
    """Return one chamber's verdict; `late`: what is known is not of now, so nothing is well for sure."""
    style, title = style_of(settings), title_of(settings, name)
    found = verdict_of(settings, state, name, late=late)
    shown = found.alarms
    advice = state.advice.get(name)
    # What is done already is not asked for again, whatever else holds.
    asked = advice.open if advice is not None and advice.open is not None and advice.open.done_ms is None else None
    event = asked.event if asked is not None else Asked()
    presents = Presents(state.places)
    begun = situation is not None or not settings.probes_at(name)
    alarms = tuple(
        style.text(sentence(presents.told(_as_event(one), now_ms), settings, style, now_ms)) for one in shown
    )
    return Verdict(
        chamber=name,
        title=title,
        state=found.state,
        headline=_headline(title, found, late=late, begun=begun, lasting=_lasting(state, found)),
        figures=("When last seen: " if late and situation else "") + figures_sentence(settings, name, situation, style),
        alarms=alarms,
        steps=_steps(event, found, style, late=late, begun=begun),
        within="" if late else _within(event, found, asked.told_ms if asked else now_ms, now_ms),
        advisory=asked.name if asked and not late else None,
        used=max((harm.used for harm in situation.harm), default=0.0) if situation is not None else 0.0,
        silent=not settings.probes_at(name),
        rank=max((rank(one.priority) for one in shown if not one.acknowledged), default=0),
        harms=found.harms,
        left_s=min((harm.left_s for harm in situation.harm if harm.left_s is not None), default=inf) if situation else inf,
    )


def _as_event(record: AlarmRecord) -> AlarmEvent:
    """Return an alarm in the form of its events, as the wording takes it; how long it has left is not of now."""
    return replace(as_event(record, "standing", record.since_ms or 0, ""), seconds_left=None)


_HEADLINES: dict[State, str] = {
    "act-now": "{title} needs you now: {what}.", "act-today": "{title} wants something done today: {what}.",
    "seen": "{title}: {what}; you have seen it.", "done": "{title}: {what}; what you did is being judged.",
    "recovering": "{title} is recovering: {what}.", "watch": "{title} wants watching: {what}.", "well": "{title} is well.",
}  # fmt: skip


def _headline(title: str, found: Standing, *, late: bool, begun: bool, lasting: str) -> str:
    what = " and ".join(dict.fromkeys(label(one.alarm) for one in found.alarms[:2]))
    if late and found.state != "act-now":
        return f"{title}: nobody is watching."
    if found.state == "not-seen" and not begun and not what:
        return f"{title} is not seen yet: no reading is recorded so far."  # so it is for a minute after every first start
    if found.state == "not-seen":
        return f"{title} cannot be seen{f': {what}' if what else ''}."
    if found.state == "watch" and not what:
        return f"{title} wants watching: {' and '.join(map(label, found.begun))}{lasting}. It is an alarm when it lasts."
    return _HEADLINES[found.state].format(title=title, what=what)


def _lasting(state: EngineState, found: Standing) -> str:
    """Return for how long what has begun in a chamber has lasted; empty where that is only since the newest reading."""
    walks = state.places[found.chamber].walks if found.begun else {}
    longest_ms = max((walks[alarm].bad_for_ms or 0 for alarm in found.begun if alarm in walks), default=0)
    return f" for {span(longest_ms / 1000)}" if longest_ms else ""


def figures_sentence(settings: Settings, name: str, situation: Situation | None, style: Style) -> str:
    """Return temperature, humidity and lid in one sentence, each against its limit."""
    if situation is None:
        return "No probe measures here." if not settings.probes_at(name) else "No reading yet."
    chamber, at_ms = settings.chambers[name], np.array([situation.at_ms])
    band = chamber.humidity_for(chamber.garden.volume_ml if situation.garden_ml is None else situation.garden_ml)
    air, damp = situation.temperature_c, situation.relative_humidity_pct
    heat = edges(chamber.temperature, settings.zone, at_ms)
    humidity = humidity_edges(chamber, band, settings.zone, at_ms, np.array([np.nan if air is None else air]))
    written = float(edges(band, settings.zone, at_ms)[0][0])
    warm = raised(written) if float(humidity[0][0]) > written + RAISED_PCT else ""
    calm = "no harm while the lid is dry" if (situation.dew_margin_k or 0.0) > 0.0 else "its mean is in band"
    judged = {alarm.partition("-")[0] if alarm != "damp" else "humidity" for alarm in situation.outside}
    parts = [
        _against(air, heat, style, "degC", "" if "temperature" in judged else "its mean is in band"),
        _against(damp, humidity, style, "%RH", "" if "humidity" in judged else calm, warm),
        _lid(situation.dew_margin_k, chamber.lid_dew.caution_margin_k, style),
    ]
    said = "; ".join(part for part in parts if part)
    return " ".join([said[0].upper() + said[1:] + ".", *harm_sentences(situation.harm)])


def _against(value: float | None, band: tuple[Floats, Floats], style: Style, unit: str, why: str, warm: str = "") -> str:
    """Return a value against its band; `why`: why it is nothing above it, where the checks do not hold it to be outside;
    `warm`: why the low edge is not the written one."""
    if value is None:
        return "temperature not known" if unit == "degC" else "humidity not known"
    said, (low, high) = style.quantity(value, unit), (float(edge[0]) for edge in band)
    if value < low:
        return f"{said}, below {style.quantity(low, unit).removesuffix(' humidity')}{warm}"
    if value > high:
        return f"{said}, above {style.quantity(high, unit).removesuffix(' humidity')}{f' ({why})' if why else ''}"
    return f"{said}, in band"


def _lid(margin_k: float | None, caution_k: float, style: Style) -> str:
    if margin_k is None:
        return ""
    size = style.quantity(abs(margin_k), "K")
    if margin_k < 0:
        return f"lid {size} below the dew point: wet"
    return f"lid {size} above the dew point" + (": close" if margin_k < caution_k else ": dry")


def _steps(event: Asked, found: Standing, style: Style, *, late: bool, begun: bool) -> tuple[str, ...]:
    """Return what to do in order; nothing while what was done is being judged, and before the first reading can have come."""
    if late:
        told = ["Go and look at the chamber yourself.", "See why nothing is recorded: dewlid check."]
    elif found.state == "done":
        told = []
    else:
        told = [action.text for action in event.actions]
        told = told or list(dict.fromkeys(first_step(_as_event(one)) for one in found.alarms))
        if not told and found.state == "not-seen" and begun:
            told = ["Go and look at the chamber yourself: no believable reading comes from it."]
    lines = (style.text(clean(line)) for line in told[:_MOST_STEPS])
    return tuple(line if line.endswith(("?", "!", ".")) else f"{line}." for line in lines)


def _within(event: Asked, found: Standing, told_ms: int, now_ms: int) -> str:
    if found.state == "act-now":
        return "now"
    if event.act_within_s is None or found.state in ("seen", "done", "recovering"):
        return ""
    left = event.act_within_s - (now_ms - told_ms) / 1000
    return f"within {span(left)}" if left >= 60 else "today" if found.state == "act-today" else ""


def pressing(one: Verdict) -> tuple[bool, float, int, int, float]:
    """Return what puts the worst first: what harms, by the time that is left, also where it is seen or being judged; then the
    state, what cannot wait, how much of what the garden bears is used up."""
    return not one.harms, one.left_s if one.harms else inf, STATES.index(one.state), -one.rank, -one.used


def whole(all_: Sequence[Verdict], *, late: bool, newest: str | None) -> tuple[State, str]:
    """Return the worst state and the one sentence that stands above everything."""
    if newest is None:
        return "not-seen", "Nothing has been recorded yet. It begins with: dewlid run."
    if late:
        return "not-seen", f"Nobody has watched since {newest}."
    worst: State = min((one.state for one in all_), key=STATES.index)
    bad = [one for one in all_ if one.state != "well"]
    if not bad:
        return "well", "All is well." if len(all_) != 1 else all_[0].headline
    if len(bad) == 1:
        return worst, bad[0].headline + (" All others are well." if len(all_) > 2 else _other(all_, bad[0]))
    first = sorted((one for one in bad if one.state == worst), key=pressing)
    said = " ".join(one.headline for one in first[:2])
    rest = len(bad) - len(first[:2])
    return worst, said + (f" {rest} more {'is' if rest == 1 else 'are'} not well." if rest else "")


def _other(all_: Sequence[Verdict], bad: Verdict) -> str:
    return "".join(f" {one.headline}" for one in all_ if one is not bad)
