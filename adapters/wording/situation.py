"""The letter about what stands in one place now: raise, escalation, reminder and all-clear.

The order is the keeper's at 3 a.m.: what to do first, what is happening since when, how sure, why with
numbers, what not to do, when to look again, how to silence it, what to be careful with; law and safety stand
in the first letter of all.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

from adapters.wording import commands
from adapters.wording.alarm_sentences import (
    FRESH_MS,
    first_steps,
    label,
    over,
    over_before,
    sentence,
    subject_of,
    title_of,
    worse_by,
)
from adapters.wording.as_it_is import as_it_is
from adapters.wording.figures import Style, clean, span
from adapters.wording.sections import Block, Section, command, points, section, steps, text
from adapters.wording.time_left import left, marks_by_pace, next_marks, rests_s
from adapters.wording.together import alike, line_of
from rules.settings import Settings
from rules.terms.advised import Prediction
from rules.terms.events import AdviceEvent, AlarmEvent, LetterEvent, News, QualityEvent
from rules.trade.alarm_kinds import ALARMS

_Kind = TypeVar("_Kind")
_TESTS = {
    "gross-range": "such a value cannot be", "sentinel": "it is what a probe sends when it has nothing to tell",
    "domain": "no fungus shelf is like that", "spike": "it jumped and came back",
    "rate": "it changes faster than air can", "flat-line": "it has not moved at all for too long",
    "saturated": "it has stuck at its upper end", "wetted": "there is probably water on it",
    "begins-extreme": "it began with an extreme, and has not moved there for an hour yet",
    "erratic": "it jumps again and again",
}  # fmt: skip
"""The tests of quality, in words."""
_OPENING = {
    "escalation": "This has become worse since my last letter.",
    "reminder": "This still stands.",
}


def of_kind(about: Sequence[News], kind: type[_Kind]) -> list[_Kind]:
    """Return the events of one kind, in their order."""
    return [event for event in about if isinstance(event, kind)]


def situation(letter: LetterEvent, settings: Settings, style: Style) -> list[Section]:
    """Return the body of a letter about what stands."""
    about = letter.about
    alarms, advice = of_kind(about, AlarmEvent), standing_advice(about)
    now_ms = letter.at_ms
    parts = [
        section("", [_opening(letter, alarms, settings, style)]),
        section("Do this first", _to_do(letter, alarms, settings, style)),
        section("What is happening", [text(line) for line in _happening(alarms, settings, style, now_ms)]),
        section("What is left", [
            text(line) for line in
            left(alarms, settings, style, now_ms) + next_marks(letter, _fresh_advice(letter), settings, style)
        ]),
        section("How it is now", points(as_it_is(letter, settings, style))),
        section("Since my last letter", [text(line) for line in _came_of(about, style)]),
        section("Do not", points(_never(letter, settings, style))),
        section("How sure", _how_sure(about, alarms, advice, style)),
        section("Why", [text(style.text(clean(line, 1500))) for line in _why(letter, alarms, advice, settings, style)]),
        section("Look again", _look_again(advice, style, now_ms, urgent=letter.urgent)),
        section("Your answer", _quiet(letter, alarms, settings)),
        section("Take care", points([style.text(clean(line)) for line in (advice.cautions if advice else ())])),
    ]
    return [part for part in parts if part is not None]


def standing_advice(about: Sequence[News]) -> AdviceEvent | None:
    """Return the advice that a letter gives first; what is said of one that was carried out and judged is none."""
    return next(iter(_asked(about)), None)


def _fresh_advice(letter: LetterEvent) -> AdviceEvent | None:
    """Return the advice that stands, if it was found a short while ago."""
    advice = standing_advice(letter.about)
    return advice if advice is not None and _age_s(advice, letter.at_ms) < _OLD_S else None


def _asked(about: Sequence[News]) -> list[AdviceEvent]:
    return [event for event in of_kind(about, AdviceEvent) if event.status != "verified"]


def _came_of(about: Sequence[News], style: Style) -> list[str]:
    """Say what came of what was done last."""
    verified = [event for event in of_kind(about, AdviceEvent) if event.status == "verified"]
    return [style.text(clean(f"{_ended(event.headline)} {_ended(event.reason)}", 600)) for event in verified]


def shown(alarms: Sequence[AlarmEvent]) -> list[AlarmEvent]:
    """Return the alarms that no other one explains; all of them when each is explained."""
    return [alarm for alarm in alarms if alarm.suppression == "none"] or list(alarms)


def _happening(alarms: Sequence[AlarmEvent], settings: Settings, style: Style, now_ms: int) -> list[str]:
    """Return a sentence for each alarm; a figure that several share is told once."""
    lines, known = [], set()
    standing = _one_each(alarms)
    for alarm, *others in alike(_once(alarms, standing)):
        if others:
            lines.append(line_of([alarm, *others], settings, style, now_ms))
            continue
        figure = (alarm.chamber, alarm.value, alarm.unit, alarm.at_ms)
        shared = alarm.open and alarm.value is not None and figure in known
        known.add(figure)
        bare = replace(alarm, value=None, level="outside", harm_used=None, seconds_left=None) if shared else alarm
        if alarm.condition != "normal":
            lines.append(sentence(bare, settings, style, now_ms, account=False))
        elif _whose(alarm) in standing:
            lines.append(over_before(alarm, settings, style, now_ms))
        else:
            lines.append(over(alarm, settings, style, now_ms))
    return lines


_Whose = tuple[str | None, str, str | None, str | None]


def _once(alarms: Sequence[AlarmEvent], standing: Mapping[_Whose, AlarmEvent]) -> list[AlarmEvent]:
    """Return the alarms without what is told already: of several boxes each kind of harm is told once."""
    kept, told = [], set()
    several = len({alarm.chamber for alarm in alarms}) > 1
    for alarm in alarms:
        kind = ALARMS[alarm.alarm].harm if alarm.alarm in ALARMS else None
        again = alarm.open and standing[_whose(alarm)] is not alarm
        if not again and not (several and alarm.open and kind is not None and (alarm.chamber, kind) in told):
            kept.append(alarm)
            told.add((alarm.chamber, kind))
    return kept


def _whose(alarm: AlarmEvent) -> _Whose:
    return alarm.chamber, alarm.alarm, alarm.probe, alarm.medium


def _one_each(alarms: Sequence[AlarmEvent]) -> dict[_Whose, AlarmEvent]:
    """Return each alarm that stands once, though several of its events are told: the first of them."""
    return {_whose(alarm): alarm for alarm in reversed(alarms) if alarm.open}


def _opening(letter: LetterEvent, alarms: Sequence[AlarmEvent], settings: Settings, style: Style) -> Block | None:
    answered = "and the keeper has not acknowledged it."
    if letter.done_ms is not None:
        answered = f"though the keeper said at {style.clock(letter.done_ms, letter.at_ms)} to have done what was advised."
    to = {
        "second": f"You get this letter because this still stands {answered}",
        "stand-in": "You look after the shelf while the keeper is away.",
    }.get(letter.to, "")
    lost = any(alarm.condition in ("held", "unknown") for alarm in alarms[:1])
    worse = next((alarm for alarm in alarms if alarm.change == "worsened" and alarm.at_ms == letter.at_ms), None)
    opening = "I can no longer see what I told you about." if lost else _OPENING.get(letter.sort, "")
    if worse is not None and letter.sort == "escalation" and not lost:
        place = title_of(settings, worse.chamber) if worse.chamber != letter.chamber else "This"
        opening = f"{place} has become {worse_by(worse, style)}."
    said = to or opening
    return text(said) if said else None


def _to_do(letter: LetterEvent, alarms: list[AlarmEvent], settings: Settings, style: Style) -> list[Block]:
    asked, advice = _asked(letter.about), standing_advice(letter.about)
    lines = [
        ("" if _speaks_for_itself(one, letter, asked) else f"{title_of(settings, one.chamber)}: ")
        + style.text(_ended(clean(action.text, 1000))) for one in asked for action in one.actions
    ]  # fmt: skip
    if not lines and letter.chamber in settings.rooms and {alarm.chamber for alarm in alarms} - {letter.chamber}:
        # What was asked for all boxes is done: no step for one of them answers it.
        lines = ["Go and look at every box named below, the worst one first: what was done so far is not enough."]
    said = []
    if not lines:
        lines = first_steps(alarms, urgent=letter.urgent)
        if letter.done_ms is not None and letter.to != "second":  # to that address it is the opening
            at = style.clock(letter.done_ms, letter.at_ms)
            said = [text(f"You said at {at} to have done what I asked for; it goes on all the same.")]
    blocks = [*said, *steps(lines)]
    if letter.urgent:
        blocks.append(text("Do it now."))
    elif advice is not None and advice.act_within_s:
        left_s = advice.act_within_s - _age_s(advice, letter.at_ms)
        left_s = min([left_s, *(hours * 3600.0 for hours, _, _ in marks_by_pace(letter)), *rests_s(alarms, letter.at_ms)])
        blocks.append(text("Do it as soon as you can." if left_s < 3600.0 else f"Do it within {span(left_s)}."))
    return blocks


def _speaks_for_itself(advice: AdviceEvent, letter: LetterEvent, asked: Sequence[AdviceEvent]) -> bool:
    """Whether a step needs no name of a box: it is for all of them, or the letter is about none but this."""
    return bool(advice.boxes) or (len(asked) == 1 and letter.chamber in (None, advice.chamber))


def _never(letter: LetterEvent, settings: Settings, style: Style) -> list[str]:
    """Return what is not to be done, of all that is asked for: at which box, where the letter asks for something at several."""
    asked = _asked(letter.about)
    said = [(one, style.text(clean(line))) for one in asked for line in one.never]
    return list(dict.fromkeys(
        line if _speaks_for_itself(one, letter, asked) else f"{title_of(settings, one.chamber)}: {line}" for one, line in said
    ))  # fmt: skip


def _ended(line: str) -> str:
    return line if line.endswith((".", "!", "?")) else f"{line}."


def _how_sure(
    about: Sequence[News], alarms: list[AlarmEvent], advice: AdviceEvent | None, style: Style
) -> list[Block]:
    doubts = [doubt(event, style) for event in of_kind(about, QualityEvent) if event.flag != "good"]
    doubts += [_ended(style.text(clean(line)).capitalize()) for line in (advice.lacking if advice else ())]
    if doubts:
        return points(doubts)
    climate = [alarm for alarm in alarms if subject_of(alarm) in ("climate", "lid")]
    if any(alarm.condition in ("held", "unknown") for alarm in climate):
        return [text("Not sure at all: what you read is what was last seen. Believe your own eyes and another thermometer.")]
    if any(alarm.value is not None for alarm in climate):
        return [text("The readings passed all their tests, and it has been so for longer than a short disturbance.")]
    return []


def doubt(event: QualityEvent, style: Style) -> str:
    """Return what is wrong with a probe's readings."""
    quantity = (event.quantity or "reading").replace("_", " ")
    believed = {"suspect": "is doubtful", "fail": "is not believed", "missing": "is missing", "good": "is good again"}
    said = f"The {quantity} of the probe {clean(event.probe, 64)} {believed[event.flag]}"
    if event.flag == "good":
        return f"{said}."
    if event.test in _TESTS:
        return f"{said}: {_TESTS[event.test]}."
    detail = clean(event.detail).removeprefix(f"{event.probe} {event.quantity}: ")
    detail = style.text(detail.replace("_", " "))
    return f"{said}: {_ended(detail)}" if detail else f"{said} (test: {clean(event.test, 40).replace('-', ' ')})."


_SAID = ("acknowledged", "unacknowledged", "shelved", "unshelved", "reset")
"""Changes that somebody said: who did is the user of a command, and no reason of the alarm."""


def _why(
    letter: LetterEvent, alarms: list[AlarmEvent], advice: AdviceEvent | None, settings: Settings, style: Style
) -> list[str]:
    """Return the reasons; a reminder has none: they stand in the letter that it reminds of, and were those of then."""
    now_ms = letter.at_ms
    if letter.sort == "reminder":
        return []
    if advice is not None and advice.reason and advice.status != "reminded":  # a reminder of it holds figures, no reason
        whose = "" if advice.chamber == letter.chamber else f"{title_of(settings, advice.chamber)}: "
        return [f"{whose}{_as_it_was(advice, style, now_ms)}"]
    own = [alarm for alarm in alarms if alarm.suppression == "none" and alarm.change not in ("unsuppressed", *_SAID)]
    return [_ended(f"{_seen(alarm, style, now_ms)}: {alarm.reason}") for alarm in own if alarm.reason]


def _seen(alarm: AlarmEvent, style: Style, now_ms: int) -> str:
    said = label(alarm.alarm).capitalize()
    return said if now_ms - alarm.at_ms < FRESH_MS else f"{said}, as I saw it at {style.clock(alarm.at_ms, now_ms)}"


def _age_s(advice: AdviceEvent, now_ms: int) -> float:
    """Return how long ago what an advice says was found."""
    return (now_ms - advice.at_ms) / 1000


_OLD_S = 600
"""What was expected longer ago is no longer told."""
_IS = re.compile(r"\bis (?=at [-−+\d]|[-−+\d])")


def _as_it_was(advice: AdviceEvent, style: Style, now_ms: int) -> str:
    """Return the reason of an advice; where it is old, as what was found when it was given."""
    if _age_s(advice, now_ms) * 1000 < FRESH_MS:
        return advice.reason
    return f"What I found at {style.clock(advice.at_ms, now_ms)}: {_IS.sub('was ', advice.reason)}"


def _look_again(advice: AdviceEvent | None, style: Style, now_ms: int, *, urgent: bool) -> list[Block]:
    """Say when to look again: by the clock after what is urgent, else, or told again, counted from when it is done."""
    if advice is None:
        return []
    age_s, look_s = _age_s(advice, now_ms), advice.look_again_s or 0.0
    left, at = look_s - age_s, style.clock(now_ms + round(1000 * (look_s - age_s)), now_ms)
    to_do = look_s > 0.0 and any(action.change != "hold" for action in advice.actions)
    by_clock = urgent and left >= 60 and not (to_do and 1000 * age_s >= FRESH_MS)
    said = f"In {span(left)}, at about {at}." if by_clock else f"{span(look_s)} after you have done it." if to_do else ""
    told = [row for row in advice.predictions[:3] if row.tells] if age_s < _OLD_S else []
    ahead = [(row, row.after_ms / 1000 - age_s) for row in told]
    expected = [Block("point", _prediction(row, rest_s, style)) for row, rest_s in ahead if rest_s >= 60]
    return [text(said), *expected] if said else expected


def _prediction(row: Prediction, rest_s: float, style: Style) -> str:
    temperature = style.quantity(row.temperature_c, "degC")
    off = style.quantity(2 * row.temperature_u_k, "K").split()[0]
    humidity = f"{row.relative_humidity_pct:.0f} % humidity (± {2 * row.relative_humidity_u_pct:.0f})"
    return f"After {span(rest_s)} I expect {temperature} (± {off}) and {humidity}."


def _quiet(letter: LetterEvent, alarms: list[AlarmEvent], settings: Settings) -> list[Block]:
    told = list(_one_each(alarms).values())[::-1]
    standing = [alarm for alarm in told if alarm in shown(alarms)]
    blocks: list[Block] = []
    asked = [one for one in _asked(letter.about) if one.actions]
    if asked:
        every = " at every box named" if any(one.boxes for one in asked) else ""
        blocks.append(text(f"When you have done it{every}, type on the server:"))
        blocks += [Block("command", commands.done(one.name)) for one in asked]
    room = letter.chamber if letter.chamber in settings.rooms else None
    if standing:
        blocks.append(text("You have seen it, and need no reminder:"))
        blocks += [Block("command", line) for line in commands.acknowledge_all(told if room else standing, room)]
    if standing and not any(alarm.level == "harmful" for alarm in standing):  # what does harm cannot be shelved
        blocks += command("Quiet for four hours (harm still comes through):", commands.shelve(standing[0]))
    if standing and letter.chamber:
        of = letter.chamber if letter.chamber in settings.chambers else standing[0].chamber or letter.chamber
        blocks += command("All the numbers behind this:", commands.why(of))
    return blocks


def all_clear(letter: LetterEvent, settings: Settings, style: Style) -> list[Section]:
    """Return the body of the letter that ends a thread."""
    alarms, now_ms = of_kind(letter.about, AlarmEvent), letter.at_ms
    still = [alarm for alarm in alarms if alarm.open]
    ended = [alarm for alarm in alarms if alarm not in still]
    advice = standing_advice(letter.about)
    came = [_as_it_was(advice, style, now_ms)] if advice is not None and advice.reason else []
    to_do = "Nothing. It is back where it should be."
    if all(alarm.alarm == "moisture-lost" for alarm in ended):  # it ends when a lower level has become the usual one
        to_do = "Nothing now. It loses no more, and is not too dry."
    if still:
        to_do = "Nothing new. Something else still stands; see below."
    elif any(alarm.change in ("closed", "unknown") for alarm in ended):
        to_do = "Nothing now. I no longer follow this; see why below."
    elif any(alarm.change == "latched" for alarm in ended):
        to_do = "Have a look all the same: this was bad enough to leave a trace."
    elif letter.still_changed:
        to_do = "Nothing at once. On advice this was changed, and is to be taken back:"
    left = [] if still else points([style.text(clean(line)) for line in letter.still_changed])
    parts = [
        section("Do this first", [text(to_do), *left]),
        section("What is happening", [text(_ending(alarm, settings, style, now_ms)) for alarm in ended]),
        section("Still so", [text(sentence(alarm, settings, style, now_ms)) for alarm in still]),
        section("Since my last letter", [text(line) for line in _came_of(letter.about, style)]),
        section("How it is now", points(as_it_is(letter, settings, style))),
        section("What came of it", [text(style.text(clean(line, 1500))) for line in came]),
    ]
    return [part for part in parts if part is not None]


def _ending(alarm: AlarmEvent, settings: Settings, style: Style, now_ms: int) -> str:
    if alarm.change in ("closed", "unknown"):
        place = title_of(settings, alarm.chamber)
        reason = style.text(clean(alarm.reason))
        why = f" Because: {_ended(reason)}" if reason else ""
        return f"{place}: “{label(alarm.alarm)}” is no longer followed.{why}"
    return over(alarm, settings, style, now_ms)
