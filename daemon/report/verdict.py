"""Whether each garden is well and what to do, in one sentence each: the first thing on every page and screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from adapters.wording.alarm_sentences import first_step, label, sentence, title_of
from adapters.wording.figures import Style, clean, span
from rules.advice.state import Asked
from rules.alarms.alarms import standing
from rules.alarms.state import AlarmRecord
from rules.alarms.walk import as_event
from rules.climate.course import Presents
from rules.climate.situation import Situation
from rules.settings import Settings
from rules.terms.events import AlarmEvent
from rules.trade.alarm_kinds import ALARMS
from rules.trade.urgency import rank
from rules.turn.advance import EngineState

Grade = Literal["act", "unseen", "look", "well"]
GRADES: tuple[Grade, ...] = ("act", "unseen", "look", "well")
"""The worst first."""
WORDS: dict[Grade, str] = {"act": "Act now", "unseen": "Not seen", "look": "Have a look", "well": "Well"}
_MOST_STEPS = 3


@dataclass(frozen=True, slots=True)
class Verdict:
    """One chamber's: `headline` and `figures` are sentences, `steps` what to do in order, `within` how soon."""

    chamber: str
    title: str
    grade: Grade
    headline: str
    figures: str
    alarms: tuple[str, ...]
    steps: tuple[str, ...]
    within: str
    advisory: str | None
    silent: bool = False
    """There is no probe that could see it."""


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
    open_ = [record for record in standing(state.alarms, name).values() if record.open]
    shown = sorted((one for one in open_ if one.suppression in ("none", "shelved")), key=_urgency)
    seen = situation is not None and situation.temperature_c is not None and not late
    grade = _grade(shown, seen)
    advice = state.advice.get(name)
    open_advice = advice.open if advice is not None else None
    event = open_advice.event if open_advice is not None else Asked()
    presents = Presents(state.places)
    alarms = tuple(
        style.text(sentence(presents.told(_as_event(one), now_ms), settings, style, now_ms)) for one in shown
    )
    return Verdict(
        chamber=name,
        title=title,
        grade=grade,
        headline=_headline(title, grade, shown, late=late) or _well(title, state, name),
        figures=("When last seen: " if late and situation else "") + figures_sentence(settings, name, situation, style),
        alarms=alarms,
        steps=_steps(event, shown, grade, style, late=late),
        within="" if late else _within(event, open_advice.given_ms if open_advice else now_ms, now_ms),
        advisory=open_advice.name if open_advice and not late else None,
        silent=not settings.probes_at(name),
    )


def _as_event(record: AlarmRecord) -> AlarmEvent:
    """Return an alarm in the form of its events, as the wording takes it; how long it has left is not of now."""
    return replace(as_event(record, "standing", record.since_ms or 0, ""), seconds_left=None)


def _urgency(record: AlarmRecord) -> tuple[bool, int, int]:
    consequence = ALARMS[record.alarm].consequence if record.alarm in ALARMS else "minor"
    return record.level != "harmful", -rank(record.priority), ("severe", "serious", "minor").index(consequence)


def _grade(shown: Sequence[AlarmRecord], seen: bool) -> Grade:
    if any(_harms(one) for one in shown if not _about_probes(one)):
        return "act"
    if not seen:
        return "unseen"
    return "look" if any(rank(one.priority) > 0 or not _about_probes(one) for one in shown) else "well"


def _harms(record: AlarmRecord) -> bool:
    """Whether it harms already, or is on its way there."""
    leads_there = record.harm is not None and record.harm.going_away
    return record.priority == "wake" or record.level == "harmful" or leads_there


def _about_probes(record: AlarmRecord) -> bool:
    return ALARMS[record.alarm].subject in ("probe", "medium") if record.alarm in ALARMS else False


def _headline(title: str, grade: Grade, shown: Sequence[AlarmRecord], *, late: bool) -> str:
    what = " and ".join(dict.fromkeys(label(one.alarm) for one in shown[:2]))
    if late and grade != "act":
        return f"{title}: nobody is watching."
    if grade == "act":
        return f"{title} needs you now: {what}."
    if grade == "unseen":
        return f"{title} cannot be seen{f': {what}' if what else ''}."
    return f"{title} wants a look: {what}." if grade == "look" else ""


def _well(title: str, state: EngineState, name: str) -> str:
    """Say that a chamber is well, or what has begun there and is told as an alarm when it lasts."""
    place = state.places.get(name)
    begun = [alarm for alarm, kind in ALARMS.items() if kind.continuous and place is not None and alarm in place.walks]
    walks = {alarm: place.walks[alarm] for alarm in begun} if place is not None else {}
    lasting = {alarm: walk.bad_for_ms for alarm, walk in walks.items() if walk.phase == "normal" and walk.bad_for_ms}
    if not lasting:
        return f"{title} is well."
    what = " and ".join(label(alarm) for alarm in lasting)
    return f"{title}: no alarm yet, but {what} for {span(max(lasting.values()) / 1000)}; it is one when it lasts."


def figures_sentence(settings: Settings, name: str, situation: Situation | None, style: Style) -> str:
    """Return temperature, humidity and lid in one sentence, each against its limit."""
    if situation is None:
        return "No probe measures here." if not settings.probes_at(name) else "No reading yet."
    chamber = settings.chambers[name]
    parts = [
        _against(situation.temperature_c, chamber.temperature.low, chamber.temperature.high, style, "degC"),
        _against(situation.relative_humidity_pct, chamber.humidity.low, chamber.humidity.high, style, "%RH"),
        _lid(situation.dew_margin_k, chamber.lid_dew.caution_margin_k, style),
    ]
    return "; ".join(part for part in parts if part) + "."


def _against(value: float | None, low: float | None, high: float | None, style: Style, unit: str) -> str:
    if value is None:
        return "temperature not known" if unit == "degC" else "humidity not known"
    said = style.quantity(value, unit)
    if low is not None and value < low:
        return f"{said}, below {style.quantity(low, unit).removesuffix(' humidity')}"
    if high is not None and value > high:
        return f"{said}, above {style.quantity(high, unit).removesuffix(' humidity')}"
    return f"{said}, in band"


def _lid(margin_k: float | None, caution_k: float, style: Style) -> str:
    if margin_k is None:
        return ""
    size = style.quantity(abs(margin_k), "K")
    if margin_k < 0:
        return f"lid {size} below the dew point: wet"
    return f"lid {size} above the dew point" + (": close" if margin_k < caution_k else ": dry")


def _steps(
    event: Asked, shown: Sequence[AlarmRecord], grade: Grade, style: Style, *, late: bool
) -> tuple[str, ...]:
    actions = [] if late else event.actions
    shown = () if late else shown
    told = [action.text for action in actions]
    if not told:
        told = list(dict.fromkeys(first_step(_as_event(one)) for one in shown))
    if not told and grade == "unseen":
        told = ["Go and look at the chamber yourself: no believable reading comes from it."]
    if late:
        told = ["Go and look at the chamber yourself.", "See why nothing is recorded: dewlid check."]
    return tuple(style.text(clean(line)).rstrip(".") + "." for line in told[:_MOST_STEPS])


def _within(event: Asked, given_ms: int, now_ms: int) -> str:
    seconds = event.act_within_s
    if seconds is None:
        return ""
    left = seconds - (now_ms - given_ms) / 1000
    return f"within {span(left)}" if left >= 60 else "now"


def whole(all_: Sequence[Verdict], *, late: bool, newest: str | None) -> tuple[Grade, str]:
    """Return the worst grade and the one sentence that stands above everything."""
    if newest is None:
        return "unseen", "Nothing has been recorded yet. It begins with: dewlid run."
    if late:
        return "unseen", f"Nobody has watched since {newest}."
    worst: Grade = min((one.grade for one in all_), key=GRADES.index)
    bad = [one for one in all_ if one.grade != "well"]
    if not bad:
        return "well", "All is well." if len(all_) != 1 else all_[0].headline
    if len(bad) == 1:
        return worst, bad[0].headline + (" All others are well." if len(all_) > 2 else _other(all_, bad[0]))
    first = [one for one in bad if one.grade == worst]
    said = " ".join(one.headline for one in first[:2])
    rest = len(bad) - len(first[:2])
    return worst, said + (f" {rest} more {'wants' if rest == 1 else 'want'} a look." if rest else "")


def _other(all_: Sequence[Verdict], bad: Verdict) -> str:
    return "".join(f" {one.headline}" for one in all_ if one is not bad)
