"""What a digest asks where a trouble has stood for a day: the one answer that tells most of what to do about it next."""

from __future__ import annotations

from collections.abc import Sequence

from adapters.wording import commands
from adapters.wording.alarm_sentences import label, title_of
from adapters.wording.figures import Style, span
from adapters.wording.sections import Block, points, text
from rules.settings import Settings
from rules.telling.settled import SIDES
from rules.terms.events import DAY_MS, AdviceEvent, AlarmEvent
from rules.trade.bearable import HarmKind

ASKS_AFTER_MS = DAY_MS
"""What stands for so long though something was asked, or done, against it leaves a question; judgement."""
_BY_EYE: dict[HarmKind, str] = {
    "heat": "Hold a second thermometer beside the garden for ten minutes: does it show {value} too? Is the mat cold by touch?",
    "cold": "Hold a second thermometer beside the garden for ten minutes: does it show {value} too? Is the mat warm by touch?",
    "dryness": "Lay a second hygrometer beside the garden for an hour: does it show {value} too? Are the granules dark and"
    " moist, and is every tube plugged?",
}
"""What an eye tells that no probe does, by the harm that goes on. Common practice, no source."""


def questions(
    standing: Sequence[AlarmEvent], asked: Sequence[AdviceEvent], settings: Settings, style: Style, now_ms: int
) -> list[Block]:
    """Return one question for each chamber in which heat, cold or dry air has stood for a day: whether what waits was done, or,
    where nothing waits, whether it is as the probe says."""
    blocks, told = list[Block](), set[str | None]()
    waits = {event.chamber: event for event in asked}
    for alarm in standing:
        lasts_ms = 0 if alarm.since_ms is None else now_ms - alarm.since_ms
        if alarm.alarm not in SIDES or alarm.chamber is None or alarm.chamber in told or lasts_ms < ASKS_AFTER_MS:
            continue
        told.add(alarm.chamber)
        so = f"{title_of(settings, alarm.chamber)}: “{label(alarm.alarm)}” for {span(lasts_ms / 1000)}"
        if alarm.chamber in waits:
            blocks += points([
                f"{so}. Have you done what is asked for under “Still to do”? Until you say so I cannot tell whether it does not"
                " help, or was not done. If it cannot be done, note why:"
            ])  # fmt: skip
            blocks.append(Block("command", commands.note(alarm.chamber)))
        elif alarm.value is not None and alarm.unit is not None:
            seen = _BY_EYE[SIDES[alarm.alarm]].format(value=style.quantity(alarm.value, alarm.unit))
            blocks += points([f"{so}, whatever was done. {seen}"])
            blocks += [text("If it does not, say so of the probe, so that nothing is advised by it; else note what you saw:")]
            blocks += [Block("command", commands.out_of_service(probe)) for probe in settings.probes_at(alarm.chamber)[:1]]
            blocks.append(Block("command", commands.note(alarm.chamber)))
    return blocks
