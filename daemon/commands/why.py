"""`dewlid why CHAMBER`: the present reasoning laid open."""

from __future__ import annotations

import argparse
import json
import shutil
from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any

from adapters.wording.alarm_sentences import raised
from adapters.wording.figures import Style
from adapters.wording.reasoning import SeriesSeen, reasoning_text
from daemon.desk.keeper_desk import KeeperDesk
from daemon.desk.options import Lacking, config_option
from daemon.store.spool import WordError
from rules.advice.reasoning import Reasoning, explain
from rules.advice.state import AdviceState, OpenAdvice
from rules.alarms.state import AlarmRecord
from rules.climate.quality import NAMES, NOT_EVALUATED, SUSPECT
from rules.terms.events import rfc3339
from rules.terms.quantities import FACTS
from rules.turn.advising import standing_of
from rules.turn.present import advised_on
from rules.turn.verdict import verdict_of


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Lay open the present reasoning about a chamber: first what to do and why, then the readings and their"
        " quality, what follows from them, the model, what was weighed, the winner and the runner-up."
    )
    config_option(parser)
    parser.add_argument("chamber", metavar="CHAMBER", help="the chamber")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the reasoning."""
    desk = KeeperDesk(args)
    told = reasoning(desk, desk.chamber(args.chamber))
    probes = _probes(desk, told.chamber)
    if args.json:
        print(json.dumps(_as_json(told, probes), ensure_ascii=False, allow_nan=False))
        return 0
    if desk.silence:
        print(desk.silence)
    style = Style(desk.settings.site.temperature_unit, desk.settings.zone)
    print(reasoning_text(told, probes, style, shutil.get_terminal_size((100, 24)).columns))
    return 0


def reasoning(desk: KeeperDesk, chamber: str) -> Reasoning:
    """Return the reasoning about a chamber."""
    situation = advised_on(desk.settings, desk.state, chamber)
    if situation is None and desk.settings.probes_at(chamber):
        raise WordError(f"Nothing was read in {chamber} since this version watches it: there is nothing to reason about yet.")
    if situation is None:
        raise Lacking(f"{chamber} has no air probe in the config, so there is nothing to reason about.")
    adviser = desk.state.advice.get(chamber, AdviceState())
    advised = standing_of(desk.state, chamber)
    told = explain(desk.settings, chamber, adviser, situation, advised)
    shown = verdict_of(desk.settings, desk.state, chamber).alarms  # as every screen lists them
    causes = [_limit(one) + (f"; because of {one.cause}" if one.cause else "") for one in shown]
    rows = tuple(f"{one.alarm}: {one.condition}, {one.priority}{why}" for one, why in zip(shown, causes, strict=True))
    if shown and not advised and not told.advice:
        told = replace(told, reason="What stands is explained by something else: no advice of its own.")
    told = replace(told, standing=rows)
    return replace(told, asked=False) if adviser.open is None else _as_told(told, adviser.open, desk)


def _limit(record: AlarmRecord) -> str:
    """Return the limit of now where it is not that of the config, and why."""
    return f"; the limit is {record.limit:.0f} %{raised(record.raised_from)}" if record.raised_from is not None else ""


def _as_told(told: Reasoning, opened: OpenAdvice, desk: KeeperDesk) -> Reasoning:
    """Return the reasoning with the advice that letters and screens tell: what is searched anew is weighed, not asked for."""
    if opened.done_ms is not None:
        again = f"leave it so, and look again at {desk.local(opened.look_again_ms)}"
        judged = f"What you did ({opened.name}) is being judged: {again}."
        return replace(told, advice=(judged,), never=tuple(opened.event.never))
    asked = tuple(action.text for action in opened.event.actions)
    if not asked or asked == told.advice:
        return told
    since = f"As told at {desk.local(opened.told_ms)}: {opened.event.reason}"
    return replace(told, advice=asked, never=tuple(opened.event.never), reason=since if opened.event.reason else told.reason)


def _as_json(told: Reasoning, probes: Sequence[SeriesSeen]) -> dict[str, Any]:
    rows = [asdict(row) | {"time": None if row.at_ms is None else rfc3339(row.at_ms)} for row in probes]
    body = {"chamber": told.chamber, "time": rfc3339(told.at_ms), "probes": rows} | told.as_json()
    for each in (body, *rows):
        del each["at_ms"]
    return body


def _probes(desk: KeeperDesk, chamber: str) -> list[SeriesSeen]:
    """Return the newest value of every series in the chamber and its room, with what the quality tests say of it."""
    places = (chamber, desk.settings.chambers[chamber].room)
    return [
        _series(desk, name, quantity)
        for name, probe in desk.settings.probes.items()
        if probe.place in places
        for quantity in sorted(desk.state.probes[name].series)
    ]


def _series(desk: KeeperDesk, probe: str, quantity: str) -> SeriesSeen:
    memory = desk.state.probes[probe]
    series, correction = memory.series[quantity], memory.corrections.get(quantity)
    flag = "not judged yet" if series.flag == NOT_EVALUATED else NAMES.get(series.flag, "missing")
    return SeriesSeen(
        probe, quantity, series.last_raw, FACTS[quantity].unit, series.last_ms,  # type: ignore[index]
        "out of service" if probe in desk.state.keeper.out_of_service else flag, series.test if series.flag >= SUSPECT else "",
        f"times {correction.gain:.4f}, plus {correction.offset:+.2f}" if correction else "",
    )  # fmt: skip
