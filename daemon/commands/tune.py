"""`dewlid tune`: what another setting would have done with the keeper's own record."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from pathlib import Path as FilePath
from typing import Any

from daemon.config.configuration import load, load_text
from daemon.config.edit import EditRefused, edited, read_value, write_with_backup, written
from daemon.config.file import ConfigurationError, dotted
from daemon.config.settings import settings_of
from daemon.desk.options import (
    UsageError,
    config_and_files,
    config_path,
    duration_ms,
    quiet_logs,
    since_ms,
    take_config_from_files,
)
from daemon.desk.replay import Stream, from_files, from_store
from daemon.desk.tuning import Figures, Record, figures, suggestions
from daemon.report.writing import NotWritten
from daemon.screen.progress import Progress
from daemon.store.reader import HistoryReader
from rules.settings import Settings

_FIND_WITHIN_MS = 30 * 60_000


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Run the recorded readings through the engine twice, with the config as it is and with what you --set, and"
        " lay the figures side by side. --suggest searches deadbands and delays: the fewest nuisance alarms that still find an"
        " excursion in time. Nothing is changed unless you say --write."
    )
    parser.epilog = (
        "Example: dewlid tune dewlid.toml --set chamber.tank-1.humidity.high=92"
        " --set chamber.tank-1.humidity.on_delay=15min"
    )
    config_and_files(parser, "recorded readings; absent: the daemon's store")
    parser.add_argument("--set", action="append", default=[], metavar="KEY=VALUE", help="a key of the config and what to try")
    parser.add_argument("--since", metavar="WHEN", help="with the store: look only so far back; 30d, or 2026-05-31T22:30")
    parser.add_argument("--suggest", action="store_true", help="search deadbands and delays, and try what is found")
    parser.add_argument(
        "--find-within", type=duration_ms, default=_FIND_WITHIN_MS, metavar="SPAN",
        help="with --suggest: how late an excursion may be found; absent: 30min",
    )  # fmt: skip
    parser.add_argument("--write", action="store_true", help="put it into the config; the former file is kept beside it")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Compare and print; raises UsageError, EditRefused, RecordingUnreadable, NothingToReplay and NotWritten."""
    quiet_logs()
    take_config_from_files(args)
    path = config_path(args)
    configuration = load(path)
    present = settings_of(configuration)
    values = dict(_asked(each) for each in args.set)
    if not values and not args.suggest:
        raise UsageError("say what to try: --set chamber.ID.humidity.high=92, or --suggest")
    if args.files:
        record = _record(Record.of, from_files([FilePath(name) for name in args.files], present))
    else:
        begin_ms = since_ms(args.since, present.zone) if args.since else 0
        with HistoryReader(configuration.store) as reader:
            record = _record(Record.of, from_store(reader, present, begin_ms, 100_000), begin_ms)
    if args.suggest:
        values |= _suggested(present, record, args.find_within)
        if not values:
            print("Nothing is proposed: the settings may stay as they are.")
            return 0
    text = edited(path.read_text(encoding="utf-8"), values)
    try:
        proposed = settings_of(load_text(text, "--set"))
    except ConfigurationError as error:
        raise EditRefused("\n".join(dict.fromkeys(f"--set {dotted(one.path)}: {one.text}" for one in error.faults))) from error
    progress = Progress("tune")
    now = figures(present, present, record, lambda share: progress.at(share / 2))
    then = figures(proposed, present, record, lambda share: progress.at(0.5 + share / 2))
    progress.done()
    print("\n".join([*_table(present, now, then), "", *_lines(values)]))
    if args.write:
        _write(path, text)
    return 0


def _record(of: Callable[[Stream], Record], stream: Stream, since_ms: int = 0) -> Record:
    """Return the stream as one record, and say what it lacks; with `since_ms` only what came after."""
    for note in stream.notes:
        print(f"dewlid: {note}", file=sys.stderr)
    record = of(stream)
    if since_ms <= record.begin_ms:
        return record
    later = tuple(batch for batch in record.batches if len(batch.taken_ms) and int(batch.taken_ms[-1]) >= since_ms)
    return replace(record, batches=later, begin_ms=int(later[0].taken_ms[0]) if later else record.begin_ms)


def _asked(text: str) -> tuple[tuple[str, ...], Any]:
    key, equals, value = text.partition("=")
    path = tuple(part.strip() for part in key.split("."))
    if not equals or not all(path) or not value.strip():
        raise EditRefused(f'--set "{text}": write KEY=VALUE, such as chamber.tank-1.humidity.high=92')
    return path, read_value(value.strip())


def _suggested(settings: Settings, record: Record, find_within_ms: int) -> dict[tuple[str, ...], Any]:
    values: dict[tuple[str, ...], Any] = {}
    for one in suggestions(settings, record, find_within_ms):
        print(f"{one.chamber} {one.band}:")
        for reason in one.reasons:
            print(f"  {reason}")
        values |= {("chamber", one.chamber, one.band, key): value for key, value in one.values.items()}
    print()
    return values


# ---------------------------------------------------------------- what is printed


def _table(settings: Settings, now: Figures, then: Figures) -> list[str]:
    rows: list[tuple[str, str, str]] = [("", "now", "proposed")]
    rows.append(("alarms a day", _per_day(sum(now.alarms.values()), now.days), _per_day(sum(then.alarms.values()), then.days)))
    rows += [
        (f"  {key}", _per_day(now.alarms.get(key, 0), now.days), _per_day(then.alarms.get(key, 0), then.days))
        for key in sorted({*now.alarms, *then.alarms})
    ]
    rows.append(("chattering or fleeting alarms", str(now.chattering), str(then.chattering)))
    rows += [
        (f"time in band: {key}", f"{100 * share:.1f} %", f"{100 * then.in_band.get(key, 0):.1f} %")
        for key, share in now.in_band.items()
    ]
    rows.append(("hours of wet lid", f"{now.wet_lid_h:.1f}", f"{then.wet_lid_h:.1f}"))
    rows.append(("advisories", str(now.advisories), str(then.advisories)))
    rows.append(("letters", str(now.letters), str(then.letters)))
    rows += _excursions(settings, now, then)
    wide = max(len(row[0]) for row in rows)
    head = f"{now.days:.1f} days of readings"
    return [head, *(f"{a:{wide}}  {b:>14}  {c:>14}{'  *' if b != c and a else ''}".rstrip() for a, b, c in rows)]


def _per_day(count: int, days: float) -> str:
    return f"{count / max(days, 1e-9):.2f} ({count})"


def _excursions(settings: Settings, now: Figures, then: Figures) -> list[tuple[str, str, str]]:
    rows = [(f"real excursions, and after how long they were told ({len(now.excursions)})", "", "")]
    for one, other in zip(now.excursions, then.excursions, strict=True):
        begin = datetime.fromtimestamp(one.begin_ms / 1000, settings.zone)
        unit = "°C" if one.alarm.startswith("temperature") else "%RH"
        name = f"  {begin:%Y-%m-%d %H:%M} {one.chamber} {one.alarm}, to {one.worst:.1f} {unit}"
        rows.append((name, _after(one.noticed_ms), _after(other.noticed_ms)))
    return rows if len(rows) > 1 else [("real excursions", "none", "none")]


def _after(noticed_ms: int | None) -> str:
    if noticed_ms is None:
        return "not told"
    return "at once" if noticed_ms < 60_000 else f"{noticed_ms / 60_000:.0f} min"


def _lines(values: dict[tuple[str, ...], Any]) -> list[str]:
    tables: dict[tuple[str, ...], list[str]] = {}
    for path, value in values.items():
        tables.setdefault(path[:-1], []).append(f"{path[-1]} = {written(value)}")
    lines = ["For the config (with --write dewlid puts it there):"]
    for table, keys in tables.items():
        lines += [f"  [{'.'.join(table)}]", *(f"  {key}" for key in keys)]
    return lines


def _write(path: Path, text: str) -> None:
    try:
        kept = write_with_backup(path, text, round(time.time() * 1000))
    except OSError as error:
        raise NotWritten(f"{path}: cannot be written: {error.strerror}; nothing was changed") from error
    print(f"\n{path} is written; the former file is {kept}. A running daemon takes it with: systemctl reload dewlid")
