"""`dewlid alarms`: what stands now, and what is shelved, out of service or quiet."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import textwrap
from datetime import datetime
from typing import Any

from adapters.wording.alarm_sentences import sentence
from adapters.wording.figures import Style
from adapters.wording.priority_words import PRIORITY_WORDS
from daemon.desk.alarm_targets import listing, standing_event
from daemon.desk.keeper_desk import KeeperDesk
from daemon.desk.options import config_option
from daemon.report.deadband_proposals import proposal
from daemon.report.verdict import WORDS, verdicts, whole
from rules.turn.present import present


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "List the alarms that stand, the most urgent first, with what hides them; for those that come and go,"
        " a deadband and delays that would quiet them, from this chamber's own noise."
    )
    config_option(parser)
    parser.add_argument("--all", action="store_true", dest="everything", help="also those that are over")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the list."""
    desk = KeeperDesk(args)
    found = listing(desk, args.everything)
    found["proposals"] = _proposals(desk, found["alarms"])
    print(json.dumps(found, ensure_ascii=False, allow_nan=False) if args.json else _as_text(desk, found))
    return 0


def _proposals(desk: KeeperDesk, alarms: list[dict[str, Any]]) -> dict[str, str]:
    store, now_ms = desk.configuration.store, desk.now_ms
    chattering = [row for row in alarms if row["chattering"]]
    told = {row["key"]: proposal(store, desk.settings, row["chamber"], row["alarm"], now_ms) for row in chattering}
    return {key: text for key, text in told.items() if text}


def _as_text(desk: KeeperDesk, found: dict[str, Any]) -> str:
    lines = [desk.silence] if desk.silence else [_verdict(desk)]
    rows = found["alarms"]
    standing = [row for row in rows if row["condition"] in ("active", "held", "unknown") or row["latched"]]
    if not standing:
        lines.append("No alarm stands.")
    for row in rows:
        lines += _alarm_lines(desk, row, found["proposals"].get(row["key"]))
    lines += [f"Probe {probe} is out of service until {_local(desk, end)}." for probe, end in found["out_of_service"].items()]
    lines += [
        f"A visit in {chamber} until {_local(desk, end)}: lid and humidity are quiet, heat is not."
        for chamber, end in found["visits"].items()
    ]
    if any(not row["acknowledged"] and row["condition"] != "normal" for row in standing):
        lines.append("Seen them? `dewlid ack CHAMBER/ALARM` or `dewlid ack all` ends the reminders.")
    return "\n".join(lines)


def _verdict(desk: KeeperDesk) -> str:
    """Return the sentence that stands above every screen."""
    told = verdicts(desk.settings, desk.state, present(desk.settings, desk.state), desk.now_ms, late=False)
    state, said = whole(told, late=False, newest=desk.local(desk.state.closed_ms))
    return f"{WORDS[state]}. {said}"


def _alarm_lines(desk: KeeperDesk, row: dict[str, Any], proposed: str | None) -> list[str]:
    style = Style(desk.settings.site.temperature_unit, desk.settings.zone)
    alarm = standing_event(desk, desk.state.alarms.records[row["key"]])
    said = sentence(alarm, desk.settings, style, desk.now_ms)
    said += f" Now: {_now(row, style)}." if row["value_now"] is not None and row["unit"] else ""
    marks = [PRIORITY_WORDS.get(row["priority"], row["priority"]) if row["condition"] != "normal" else "over"]
    marks += ["latched"] if row["latched"] else []
    marks += [] if row["condition"] == "normal" else ["acknowledged" if row["acknowledged"] else "not acknowledged"]
    hidden = {"shelved": "shelved", "by-design": "explained by another", "out-of-service": "out of service"}
    marks += [hidden[row["suppression"]]] if row["suppression"] in hidden else []
    marks += [f"{row['occurrence']} times so far"] if row["occurrence"] > 1 else []
    marks += ["comes and goes"] if row["chattering"] else []
    rows = [said, ", ".join(marks), *([proposed] if proposed else [])]
    return [row["key"], *(line for text in rows for line in _indented(text))]


def _now(row: dict[str, Any], style: Style) -> str:
    """Return the present value; that of a lid is told from the dew point, not as a temperature."""
    if row["alarm"] != "lid-dew":
        return style.quantity(row["value_now"], row["unit"])
    return f"{style.quantity(abs(row['value_now']), 'K')} {'above' if row['value_now'] >= 0 else 'below'} it"


def _indented(text: str) -> list[str]:
    """Return a text on as many lines as a terminal needs for it; into a file, as it is."""
    width = shutil.get_terminal_size((100, 24)).columns if sys.stdout.isatty() else 4 + max(len(text), 1)
    return textwrap.wrap(text, max(width, 24), initial_indent="    ", subsequent_indent="    ", break_on_hyphens=False)


def _local(desk: KeeperDesk, text: str) -> str:
    return desk.local(round(datetime.fromisoformat(text).timestamp() * 1000))
