"""The first and the last lines of the demo: what will be seen, what was found how soon, where the files are, what to try."""

from __future__ import annotations

from collections import Counter

from daemon.demo.scene import TROUBLES, Trouble
from daemon.demo.stage import CONFIG_NAME, Shown
from daemon.desk.options import program_name
from rules.terms.events import HOUR_MS, AdviceEvent, AlarmEvent


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
    """Return how long after its beginning a trouble was first told; None: it was not."""
    begin_ms = shown.start_ms + round(trouble.begin_h * HOUR_MS)
    end_ms = shown.start_ms + round(trouble.end_h * HOUR_MS)
    times = [
        event.at_ms for event in shown.events
        if isinstance(event, AlarmEvent) and event.change == "raised" and event.alarm in trouble.alarms
        and event.chamber == trouble.chamber and begin_ms <= event.at_ms < end_ms
    ]  # fmt: skip
    return min(times) - begin_ms if times else None


def _found(shown: Shown) -> list[str]:
    lines = []
    for trouble in TROUBLES:
        if shown.start_ms + trouble.begin_h * HOUR_MS > shown.end_ms:
            continue
        after_ms = found_after_ms(trouble, shown)
        said = "not found" if after_ms is None else _span(after_ms)
        lines.append(f"  {said:>10}  {trouble.told}")
    return ["", "What went wrong, and how long until dewlid said so:", *lines] if lines else []


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
    return [
        f"{shown.readings} readings in {taken_s:.0f} s gave {raised} alarms, {given} advisories and {kinds['letter']} letters;"
        f" {mqtt}."
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
