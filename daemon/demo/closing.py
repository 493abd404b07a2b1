"""The first and the last lines of the demo: what will be seen, what was found how soon, where the files are, what to try."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from daemon.demo.scene import TROUBLES, Trouble
from daemon.demo.stage import CONFIG_NAME, Shown
from daemon.desk.options import program_name
from rules.terms.events import HOUR_MS, AdviceEvent, AlarmEvent, LetterEvent


def opening(days: float) -> str:
    """Return what a newcomer should know first."""
    return (
        f"{days:g} days on a simulated shelf with two fungus chambers, a grown and a young one. Everything in it is\n"
        "invented; what judges it is the real thing: engine, store, outbox, letters, MQTT where a broker is.\n"
        "  *  what happens, which dewlid cannot know     @  what dewlid writes to the keeper\n"
        "  >  what the keeper does and says              =  what dewlid finds when it looks again"
    )


def closing(shown: Shown, taken_s: float) -> str:
    """Return what was found how soon, what was quiet, where the files are and what to try next."""
    return "\n".join([*_found(shown), "", *_figures(shown, taken_s), "", *_next(shown)])


def found_after_ms(trouble: Trouble, shown: Shown) -> int | None:
    """Return how long after its beginning a trouble was first an alarm on every screen; None: it was not."""
    raised = (one for one in shown.events if isinstance(one, AlarmEvent) and one.change == "raised")
    return _first_after_ms(trouble, shown, [one.at_ms for one in raised if _is_of(one, trouble)])


def written_after_ms(trouble: Trouble, shown: Shown) -> int | None:
    """Return how long after its beginning a letter first told of a trouble, be it the digest; None: none did."""
    letters = [one for one in shown.events if isinstance(one, LetterEvent) and one.to == "keeper"]
    times = [one.at_ms for one in letters if any(isinstance(each, AlarmEvent) and _is_of(each, trouble) for each in one.about)]
    return _first_after_ms(trouble, shown, times)


def _is_of(alarm: AlarmEvent, trouble: Trouble) -> bool:
    return alarm.alarm in trouble.alarms and alarm.chamber == trouble.chamber


def _first_after_ms(trouble: Trouble, shown: Shown, times: Sequence[int]) -> int | None:
    begin_ms, end_ms = (shown.start_ms + round(hour * HOUR_MS) for hour in (trouble.begin_h, trouble.end_h))
    return min((at_ms - begin_ms for at_ms in times if begin_ms <= at_ms < end_ms), default=None)


def _found(shown: Shown) -> list[str]:
    lines = []
    for trouble in TROUBLES:
        if shown.start_ms + trouble.begin_h * HOUR_MS > shown.end_ms:
            continue
        after_ms = found_after_ms(trouble, shown), written_after_ms(trouble, shown)
        seen, written = ("none" if one is None else _span(one) for one in after_ms)
        lines.append(f"  {seen:>10}  {written:>10}  {trouble.told}")
    head = ["What went wrong, and how long until it was an alarm on every screen and in a letter, be it the digest:",
            f"  {'screens':>10}  {'letter':>10}"]  # fmt: skip
    return ["", *head, *lines] if lines else []


def _span(for_ms: int) -> str:
    minutes = round(for_ms / 60_000)
    return f"{minutes} min" if minutes < 120 else f"{minutes / 60:.1f} h"


def _figures(shown: Shown, taken_s: float) -> list[str]:
    kinds = Counter(event.kind for event in shown.events)
    given = sum(isinstance(event, AdviceEvent) and event.status == "given" for event in shown.events)
    raised = sum(isinstance(event, AlarmEvent) and event.change == "raised" for event in shown.events)
    mqtt = (
        "no MQTT: there is no mosquitto on this machine"
        if shown.mqtt_messages is None
        else f"{shown.mqtt_messages} MQTT messages on {shown.mqtt_topics} topics of a real broker"
    )
    second = sum(isinstance(event, LetterEvent) and event.to != "keeper" for event in shown.events)
    others = f", {second} of them for a second address" if second else ""
    return [
        f"{shown.readings} readings in {taken_s:.0f} s gave {raised} alarms, {given} pieces of advice and {kinds['letter']}"
        f" letters{others}; {mqtt}."
    ]


def _next(shown: Shown) -> list[str]:
    config, program = shown.folder / CONFIG_NAME, program_name()
    return [
        f"The files are in {shown.folder}: {CONFIG_NAME}, letters/, state/ (the store).",
        "Try next:",
        f"  {program} report {config} --out {shown.folder}/report.html",
        "      the days as one page, to look at in a browser",
        f"  {program} tune {config} --set chamber.big-nest.humidity.high=95",
        "      what another limit would have done in these days",
        f"  {program} replay {config} --store",
        "      every event once more, from the stored readings",
        f"  {program} init",
        "      finds your own probes and writes a config for them",
    ]
