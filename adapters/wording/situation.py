"""The letter about what stands in one place now: raise, escalation, reminder and all-clear.

The order is the keeper's at 3 a.m.: what to do first, what is happening since when, how sure, why with
numbers, what not to do, when to look again, how to silence it, what to be careful with; law and safety stand
in the first letter of all.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from adapters.wording import commands
from adapters.wording.alarm_sentences import first_step, label, over, sentence, subject_of, title_of
from adapters.wording.figures import Style, clean, seconds_between, span
from adapters.wording.sections import Block, Section, command, points, section, steps, text
from rules.settings import Settings

_TESTS = {
    "gross-range": "such a value cannot be", "sentinel": "it is what a probe sends when it has nothing to tell",
    "domain": "no fungus shelf is like that", "spike": "it jumped and came back",
    "rate": "it changes faster than air can", "flat-line": "it has not moved at all for too long",
    "saturated": "it has stuck at its upper end", "wetted": "there is probably water on it",
}  # fmt: skip
"""The tests of quality, in words."""
_OPENING = {
    "escalation": "This has become worse since my last letter.",
    "reminder": "This still stands.",
}


def of_kind(about: Sequence[dict[str, Any]], kind: str) -> list[dict[str, Any]]:
    """Return the events of one kind, in their order."""
    return [event for event in about if event.get("kind") == kind]


def situation(letter: dict[str, Any], settings: Settings, style: Style) -> list[Section]:
    """Return the body of a letter about what stands."""
    about = letter["about"]
    alarms, advice = of_kind(about, "alarm"), next(iter(of_kind(about, "advice")), None)
    now = letter["time"]
    parts = [
        section("", [_opening(letter)]),
        section("Do this first", _to_do(alarms, advice, style, now)),
        section("What is happening", [text(sentence(alarm, settings, style, now)) for alarm in alarms]),
        section("How sure", _how_sure(about, alarms, advice, style)),
        section("Why", [text(style.text(clean(line, 1500))) for line in _why(alarms, advice)]),
        section("Do not", points([style.text(clean(line)) for line in (advice or {}).get("never", ())])),
        section("Look again", _look_again(advice, style, now)),
        section("Your answer", _quiet(letter, alarms, advice)),
        section("Take care", points([style.text(clean(line)) for line in (advice or {}).get("cautions", ())])),
    ]
    return [part for part in parts if part is not None]


def shown(alarms: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the alarms that no other one explains; all of them when each is explained."""
    return [alarm for alarm in alarms if alarm.get("suppression") in (None, "none")] or list(alarms)


def _opening(letter: dict[str, Any]) -> Block | None:
    to = {
        "second": "You get this letter because this still stands and the keeper has not acknowledged it.",
        "stand-in": "You look after the shelf while the keeper is away.",
    }.get(letter.get("to", ""), "")
    lost = any(alarm.get("condition") in ("held", "unknown") for alarm in of_kind(letter["about"], "alarm")[:1])
    opening = "I can no longer see what I told you about." if lost else _OPENING.get(letter["sort"], "")
    said = to or opening
    return text(said) if said else None


def _to_do(alarms: list[dict[str, Any]], advice: dict[str, Any] | None, style: Style, now: str) -> list[Block]:
    actions = list((advice or {}).get("actions", ()))
    lines = [style.text(_ended(clean(action["text"]))) for action in actions]
    if not lines:
        lines = list(dict.fromkeys(first_step(alarm) for alarm in alarms))[:3]
    blocks = steps(lines)
    if advice is not None and advice.get("act_within_s"):
        left = advice["act_within_s"] - seconds_between(advice["time"], now)
        blocks.append(text(f"Do it within {span(left)}." if left >= 60 else "Do it now."))
    return blocks


def _ended(line: str) -> str:
    return line if line.endswith((".", "!", "?")) else f"{line}."


def _how_sure(
    about: Sequence[dict[str, Any]], alarms: list[dict[str, Any]], advice: dict[str, Any] | None, style: Style
) -> list[Block]:
    doubts = [doubt(event, style) for event in of_kind(about, "quality") if event.get("flag") != "good"]
    doubts += [_ended(style.text(clean(line)).capitalize()) for line in (advice or {}).get("lacking", ())]
    if doubts:
        return points(doubts)
    climate = [alarm for alarm in alarms if subject_of(alarm) in ("climate", "lid")]
    if any(alarm.get("condition") in ("held", "unknown") for alarm in climate):
        return [text("Not sure at all: what you read is what was last seen. Believe your own eyes and another thermometer.")]
    if any(alarm.get("value") is not None for alarm in climate):
        return [text("The readings passed all their tests, and it has been so for longer than a short disturbance.")]
    return []


def doubt(event: dict[str, Any], style: Style) -> str:
    """Return what is wrong with a probe's readings."""
    quantity = (event.get("quantity") or "reading").replace("_", " ")
    believed = {"suspect": "is doubtful", "fail": "is not believed", "missing": "is missing", "good": "is good again"}
    said = f"The {quantity} of the probe {clean(event['probe'], 64)} {believed[event['flag']]}"
    if event["flag"] == "good":
        return f"{said}."
    if event["test"] in _TESTS:
        return f"{said}: {_TESTS[event['test']]}."
    detail = clean(event.get("detail") or "").removeprefix(f"{event['probe']} {event.get('quantity')}: ")
    detail = style.text(detail.replace("_", " "))
    return f"{said}: {_ended(detail)}" if detail else f"{said} (test: {clean(event['test'], 40).replace('-', ' ')})."


def _why(alarms: list[dict[str, Any]], advice: dict[str, Any] | None) -> list[str]:
    if advice is not None and advice.get("reason"):
        return [advice["reason"]]
    return [_ended(f"{label(alarm['alarm']).capitalize()}: {alarm['reason']}") for alarm in alarms if alarm.get("reason")]


def _look_again(advice: dict[str, Any] | None, style: Style, now: str) -> list[Block]:
    if advice is None:
        return []
    when = []
    if advice.get("look_again_s"):
        left = advice["look_again_s"] - seconds_between(advice["time"], now)
        said = f"In {span(left)}, at about {style.later(now, left)}." if left >= 60 else "It is time to look again now."
        when = [text(said)]
    return when + [Block("point", _prediction(row, style)) for row in list(advice.get("predictions", ()))[:3]]


def _prediction(row: dict[str, Any], style: Style) -> str:
    temperature = style.quantity(row["temperature_c"], "degC")
    off = style.quantity(2 * row["temperature_u_k"], "K").split()[0]
    humidity = f"{row['relative_humidity_pct']:.0f} % humidity (± {2 * row['relative_humidity_u_pct']:.0f})"
    return f"After {span(row['after_ms'] / 1000)} I expect {temperature} (± {off}) and {humidity}."


def _quiet(letter: dict[str, Any], alarms: list[dict[str, Any]], advice: dict[str, Any] | None) -> list[Block]:
    standing = [alarm for alarm in shown(alarms) if alarm.get("condition") in ("active", "held")]
    blocks: list[Block] = []
    if advice is not None and advice.get("actions"):
        blocks += command("When you have done it, type on the server:", commands.done(advice))
    if standing:
        blocks.append(text("You have seen it, and need no reminder:"))
        blocks += [Block("command", commands.acknowledge(alarm)) for alarm in standing[:3]]
        blocks += command("Quiet for four hours (harm still comes through):", commands.shelve(standing[0]))
    if standing and letter.get("chamber"):
        blocks += command("All the numbers behind this:", commands.why(letter["chamber"]))
    return blocks


def all_clear(letter: dict[str, Any], settings: Settings, style: Style) -> list[Section]:
    """Return the body of the letter that ends a thread."""
    alarms, now = of_kind(letter["about"], "alarm"), letter["time"]
    still = [alarm for alarm in alarms if alarm.get("condition") in ("active", "held")]
    ended = [alarm for alarm in alarms if alarm not in still]
    advice = next(iter(of_kind(letter["about"], "advice")), None)
    to_do = "Nothing. It is back where it should be."
    if still:
        to_do = "Nothing new. Something else still stands; see below."
    elif any(alarm.get("change") in ("closed", "unknown") for alarm in ended):
        to_do = "Nothing now. I no longer follow this; see why below."
    elif any(alarm.get("change") == "latched" for alarm in ended):
        to_do = "Have a look all the same: this was bad enough to leave a trace."
    parts = [
        section("Do this first", [text(to_do)]),
        section("What is happening", [text(_ending(alarm, settings, style, now)) for alarm in ended]),
        section("Still so", [text(sentence(alarm, settings, style, now)) for alarm in still]),
        section("How it is now", [text(style.text(clean(advice["reason"], 1500)))] if advice and advice.get("reason") else []),
    ]
    return [part for part in parts if part is not None]


def _ending(alarm: dict[str, Any], settings: Settings, style: Style, now: str) -> str:
    if alarm.get("change") in ("closed", "unknown"):
        place = title_of(settings, alarm.get("chamber"))
        reason = style.text(clean(alarm.get("reason") or ""))
        why = f" Because: {_ended(reason)}" if reason else ""
        return f"{place}: “{label(alarm['alarm'])}” is no longer followed.{why}"
    return over(alarm, settings, style, now)
