"""`dewlid alarms`: what stands now, and what is shelved, out of service or quiet."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import textwrap
from collections.abc import Mapping, Sequence

from adapters.wording.alarm_sentences import sentence
from adapters.wording.figures import Style
from adapters.wording.priority_words import PRIORITY_WORDS
from daemon.desk.alarm_targets import Listed, listing, listing_json
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
    proposals = _proposals(desk, found)
    if args.json:
        print(json.dumps(listing_json(desk, found) | {"proposals": proposals}, ensure_ascii=False, allow_nan=False))
    else:
        print(_as_text(desk, found, proposals))
    return 0


def _proposals(desk: KeeperDesk, found: Sequence[Listed]) -> dict[str, str]:
    store, now_ms = desk.configuration.store, desk.now_ms
    restless = [one.record for one in found if one.record.chattering]
    told = {one.key: proposal(store, desk.settings, one.chamber, one.alarm, now_ms) for one in restless}
    return {key: text for key, text in told.items() if text}


def _as_text(desk: KeeperDesk, found: Sequence[Listed], proposals: Mapping[str, str]) -> str:
    lines, keeper = [desk.silence, "Nobody watches the chambers."] if desk.silence else [_verdict(desk)], desk.state.keeper
    standing = [one.record for one in found if one.record.condition != "normal" or one.record.latched]
    if not standing:
        lines.append("No alarm is recorded; what came since nobody has seen." if desk.silence else "No alarm stands.")
    for one in found:
        lines += _alarm_lines(desk, one, proposals.get(one.record.key))
    lines += [
        f"Probe {probe} is out of service until {desk.local(out.until_ms)}." for probe, out in keeper.out_of_service.items()
    ]
    lines += [
        f"A visit in {chamber} until {desk.local(visit.until_ms)}: lid and humidity are quiet, heat is not."
        for chamber, visit in keeper.visits.items()
    ]
    if any(not one.acknowledged and one.condition != "normal" for one in standing):
        lines.append("Seen them? `dewlid ack CHAMBER/ALARM` or `dewlid ack all` ends the reminders.")
    return "\n".join(lines)


def _verdict(desk: KeeperDesk) -> str:
    """Return the sentence that stands above every screen."""
    told = verdicts(desk.settings, desk.state, present(desk.settings, desk.state), desk.now_ms, late=False)
    state, said = whole(told, late=False, newest=desk.local(desk.state.closed_ms))
    return f"{WORDS[state]}. {said}"


def _alarm_lines(desk: KeeperDesk, one: Listed, proposed: str | None) -> list[str]:
    style, record = Style(desk.settings.site.temperature_unit, desk.settings.zone), one.record
    over = record.condition == "normal"
    said = sentence(one.event, desk.settings, style, desk.now_ms)
    said += f" Now: {_now(one, style)}." if one.value_now is not None and record.unit else ""
    marks = ["over" if over else PRIORITY_WORDS.get(record.priority, record.priority)]
    marks += ["latched"] if record.latched else []
    marks += [] if over else ["acknowledged" if record.acknowledged else "not acknowledged"]
    hidden = {"shelved": "shelved", "by-design": "explained by another", "out-of-service": "out of service"}
    marks += [hidden[record.suppression]] if record.suppression in hidden else []
    marks += [f"{record.occurrence} times so far"] if record.occurrence > 1 else []
    marks += ["comes and goes"] if record.chattering else []
    rows = [said, ", ".join(marks), *([proposed] if proposed else [])]
    return [record.key, *(line for text in rows for line in _indented(text))]


def _now(one: Listed, style: Style) -> str:
    """Return the present value; that of a lid is told from the dew point, not as a temperature."""
    value = one.value_now or 0.0
    if one.record.unit != "K":
        return style.quantity(value, one.record.unit)
    return f"{style.quantity(abs(value), 'K')} {'above' if value >= 0 else 'below'} it"


def _indented(text: str) -> list[str]:
    """Return a text on as many lines as a terminal needs for it; into a file, as it is."""
    width = shutil.get_terminal_size((100, 24)).columns if sys.stdout.isatty() else 4 + max(len(text), 1)
    return textwrap.wrap(text, max(width, 24), initial_indent="    ", subsequent_indent="    ", break_on_hyphens=False)
