"""`dewlid check CONFIG`: is the config right, and does every probe and outlet answer? Each finding with its remedy."""

from __future__ import annotations

import argparse
import json
import time

from adapters.wording.counting import counted
from daemon.check import inspection
from daemon.check.finding import print_findings
from daemon.check.heaters import of_heaters
from daemon.check.record import of_record, read_record
from daemon.config.configuration import json_schema, read_and_validate
from daemon.desk.options import config_argument, config_path, quiet_logs
from daemon.exit_status import ExitStatus
from daemon.setup.handing_over import borrow_credentials


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Check the config and whether a heat mat could cook its garden, then try every probe and every outlet once. Each"
        " finding says what it means and what to do. Ends with 0 when all is well, 78 when the config is wrong, 69 when a probe"
        " or outlet does not work."
    )
    config_argument(parser)
    offline = "check the config and whether its secrets are there; touch no probe and no outlet"
    parser.add_argument("--offline", action="store_true", help=offline)
    parser.add_argument("--send", action="store_true", help="also send a real test message by every outlet")
    parser.add_argument("--wait", metavar="SECONDS", type=_seconds, default=None, help="how long to wait for a probe's reading")
    parser.add_argument("--quiet", action="store_true", help="tell only what is wrong")
    parser.add_argument("--schema", action="store_true", help="print the JSON Schema of the config, for editors, and end")
    parser.set_defaults(run=run)


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 < seconds <= 3600:
        raise argparse.ArgumentTypeError(f'"{text}" is not a number of seconds from 1 to 3600')
    return seconds


def run(args: argparse.Namespace) -> int:
    """Check and tell; the findings go to stdout."""
    if args.schema:
        return _print_schema()
    quiet_logs()
    path = config_path(args)
    configuration, text = read_and_validate(path)
    findings = inspection.of_config(configuration, text) + of_heaters(configuration)
    borrow_credentials()
    if args.offline:
        findings += [one for one in inspection.of_secrets(configuration) if one.grade != "ok"]
    else:
        record = read_record(configuration, time.time_ns() // 1_000_000)
        findings += inspection.of_machine(configuration)
        findings += inspection.of_probes(configuration, args.wait, record)
        findings += of_record(configuration, record)
        findings += inspection.of_outlets(configuration, send=args.send)
        findings += inspection.of_mailbox(configuration)
    print_findings([finding for finding in findings if not args.quiet or finding.grade != "ok"])
    faults = sum(finding.grade == "fault" for finding in findings)
    warnings = sum(finding.grade == "warning" for finding in findings)
    if not args.quiet:
        found = f"{counted(faults, 'fault')}, {counted(warnings, 'warning')}" if faults or warnings else "all is well"
        print(f"{path}: {found}")
    return ExitStatus.UNAVAILABLE if faults else ExitStatus.OK


def _print_schema() -> int:
    print(json.dumps(json_schema(), indent=2, ensure_ascii=False))
    return 0
