"""`dewlid replay CONFIG FILE...`: what the daemon would have told about recorded readings."""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from collections import Counter
from contextlib import closing, nullcontext
from pathlib import Path

from adapters.wording.counting import counted
from adapters.wording.line import broken, line_of
from daemon.config.configuration import Configuration
from daemon.config.settings import settings_of
from daemon.delivery.owed import is_bookkeeping
from daemon.desk.closed_loop import LARGEST_LINE, Loop
from daemon.desk.options import config_and_files, load_config, since_ms, take_config_from_files
from daemon.desk.replay import Stream, from_files, from_store, replayed
from daemon.exit_status import ExitStatus
from daemon.fit.learner import Learner
from daemon.screen.progress import Progress
from daemon.store.batch_rows import json_text
from daemon.store.reader import HistoryReader
from rules.settings import Settings
from rules.terms.events import rfc3339


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Run recorded readings through the very engine of the daemon and print what it would have told, in order"
        " of time. The readings come from files (CSV time,probe,quantity,value,unit; JSON Lines; SenML) or from the daemon's"
        " own store. Nothing is sent and nothing is stored. With - as the only FILE, a simulator closes the loop through"
        " standard input (JSON Lines; see DEVELOPERS.md)."
    )
    config_and_files(parser, "recorded readings; several files are put in order of time")
    parser.add_argument("--store", action="store_true", help="replay what the daemon has recorded, instead of files")
    parser.add_argument("--since", metavar="WHEN", help="with --store: tell only what happened since; 7d, or 2026-05-31T22:30")
    parser.add_argument("--batch", metavar="N", type=_batch, default=0, help="readings in one slice, or all; the same is told")
    parser.add_argument("--json", action="store_true", help="print one JSON object for each event, and nothing else")
    parser.add_argument("--learn", action="store_true", help="with - as FILE: fit the chambers daily, as the daemon does")
    parser.set_defaults(run=run)


def _batch(text: str) -> int | None:
    if text == "all":
        return None
    if text.isdecimal() and int(text) > 0:
        return int(text)
    raise argparse.ArgumentTypeError(f'"{text}" is no number of readings; write a number from 1 up, or all')


def run(args: argparse.Namespace) -> int:
    """Replay and print; raises RecordingUnreadable, NothingToReplay and LineRefused."""
    take_config_from_files(args)
    configuration = load_config(args)
    settings = settings_of(configuration)
    if args.store == bool(args.files) or (args.since and not args.store):
        return _told("name the FILEs to replay, or say --store (with or without --since) for what the daemon recorded", 64)
    if "-" in args.files or args.learn:
        return _closed_loop(args, settings)
    if not args.store:
        return _from_files(args, settings)
    return _from_store(args, configuration, settings)


def _told(text: str, status: int) -> int:
    print(f"dewlid: {text}", file=sys.stderr)
    return status


def _closed_loop(args: argparse.Namespace, settings: Settings) -> int:
    """Judge what comes on standard input, instant by instant, until it ends; 65 at a line that cannot be taken."""
    if args.files != ["-"] or not args.json:
        return _told("standard input is read alone and answered in JSON: dewlid replay CONFIG - --json [--learn]", 64)
    with closing(Learner(settings)) if args.learn else nullcontext() as learner:
        loop = Loop(settings, learner)
        for instant in loop.closed(iter(lambda: sys.stdin.buffer.readline(LARGEST_LINE + 2), b"")):
            for event in instant.events:
                print(json_text(event.as_json()))
            print(json_text({"closed": rfc3339(instant.at_ms)}), flush=True)
    if loop.unjudged:
        waiting = f"standard input ended: {loop.unjudged} readings and words behind the last instant were not judged"
        return _told(f'{waiting}; end with {{"now": TIME}}, TIME later than all of them', ExitStatus.DATA)
    return 0


def _from_files(args: argparse.Namespace, settings: Settings) -> int:
    return _print(args, settings, from_files([Path(name) for name in args.files], settings, args.batch))


def _from_store(args: argparse.Namespace, configuration: Configuration, settings: Settings) -> int:
    begin_ms = since_ms(args.since, settings.zone) if args.since else 0
    with HistoryReader(configuration.store) as reader:
        return _print(args, settings, from_store(reader, settings, begin_ms, args.batch))


def _print(args: argparse.Namespace, settings: Settings, stream: Stream) -> int:
    for note in stream.notes:
        print(f"dewlid: {note}", file=sys.stderr)
    width = shutil.get_terminal_size((100, 24)).columns if sys.stdout.isatty() else None
    progress, begin_s, counts = Progress("replay"), time.monotonic(), Counter[str]()
    for step in replayed(settings, stream):
        progress.done()
        for event in step.events:
            counts[_counted_as(event.kind, getattr(event, "change", None), getattr(event, "status", None))] += 1
            if args.json:
                print(json_text(event.as_json()))
            elif event.kind not in ("letter", "word") and not is_bookkeeping(event):
                print(broken(line_of(event, settings), width))
        progress.at((step.at_ms - stream.begin_ms) / max(stream.end_ms - stream.begin_ms, 1))
    progress.done()
    if not args.json:
        print(_summary(stream, counts, time.monotonic() - begin_s))
    return 0


def _counted_as(kind: str, change: str | None, status: str | None) -> str:
    if kind == "alarm":
        return "alarm" if change == "raised" else ""
    if kind == "advice":
        return "advisory" if status == "given" else ""
    return kind if kind == "letter" else ""


def _summary(stream: Stream, counts: Counter[str], taken_s: float) -> str:
    days = (stream.end_ms - stream.begin_ms) / 86_400_000
    told = ", ".join(counted(counts[kind], kind) for kind in ("alarm", "advisory", "letter"))
    return f"{counted(stream.readings, 'reading')} over {days:.1f} days, in {taken_s:.1f} s: {told}."
