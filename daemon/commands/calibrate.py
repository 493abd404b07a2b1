"""`dewlid calibrate PROBE`: check a probe over salt or beside another one, and correct it."""

from __future__ import annotations

import argparse
import json
from time import sleep
from typing import Any

from daemon.desk.doubt import yes_option
from daemon.desk.keeper_desk import KeeperDesk
from daemon.desk.numbers import number
from daemon.desk.options import UsageError, config_option
from daemon.desk.salt_check import Soaked, compared, correction_of, past_moment, soak_of, soaked, word_of
from daemon.exit_status import ExitStatus
from daemon.store.reader import HistoryReader
from daemon.store.spool import WordError
from rules.physics.salt_points import SALTS, CheckPoint, Correction, due_ms
from rules.terms.events import rfc3339

_LOOK_S = 60.0
_QUANTITIES = ("relative_humidity", "air_temperature", "surface_temperature")


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Without more: how it is done, what was done before and when it is due. With --salt SALT@FROM: the"
        " readings since then are looked at until they are at rest; one salt gives an offset, two an offset and a gain, a"
        " third checks them. With --against PROBE --from TIME: the correction from lying beside a trusted probe."
    )
    config_option(parser)
    parser.add_argument("probe", metavar="PROBE", help="the probe's id")
    parser.add_argument(
        "--salt", action="append", default=[], metavar="SALT@FROM[/TO]", help="salt and time, such as sodium-chloride@20:30"
    )
    parser.add_argument("--against", metavar="PROBE", help="a trusted probe that lay beside it")
    parser.add_argument("--from", dest="begin", metavar="TIME", help="since when they lie side by side")
    parser.add_argument("--to", dest="end", metavar="TIME", help="until when; absent: now")
    parser.add_argument("--quantity", choices=_QUANTITIES, default="relative_humidity", help="for --against (default humidity)")
    parser.add_argument("--temperature", type=number, metavar="DEGC", help="of the salt box, if the probe tells none")
    parser.add_argument("--wait", action="store_true", help="wait until the readings are at rest")
    parser.add_argument("--dry-run", action="store_true", help="tell what would be corrected, and correct nothing")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    yes_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Guide, or calibrate."""
    desk = KeeperDesk(args)
    probe = desk.probe(args.probe)
    if args.salt and args.against:
        raise UsageError("Either over salt (--salt) or beside another probe (--against), not both at once.")
    if args.salt:
        return _over_salt(args, desk, probe)
    if args.against:
        return _beside(args, desk, probe)
    return _guide(args, desk, probe)


# ---------------------------------------------------------------- over salt


def _over_salt(args: argparse.Namespace, desk: KeeperDesk, probe: str) -> int:
    while True:
        found = [soaked(desk, probe, soak_of(desk, text), args.temperature) for text in args.salt]
        points = [each.point for each in found if each.point is not None]
        if len(points) == len(found):
            break
        if not args.json:
            print("\n".join(line for each in found for line in _rest_lines(desk, each)), flush=True)
        if not args.wait:
            _print_waiting(args, desk, found)
            return ExitStatus.TRY_AGAIN
        sleep(_LOOK_S)
        desk = KeeperDesk(args)
    made, checked = correction_of(points)
    method = "; ".join(
        f"{each.soak.salt} at {each.rest.temperature_c:.1f} degC: read {point.raw:.2f}, true {point.true:.2f}"
        for each, point in zip(found, points, strict=True)
    )
    lines = [line for each in found for line in _rest_lines(desk, each)]
    return _conclude(args, desk, probe, "relative_humidity", made, method, lines, checked)


def _print_waiting(args: argparse.Namespace, desk: KeeperDesk, found: list[Soaked]) -> None:
    waiting = max(each.rest.wait_for_ms for each in found if each.point is None)
    if args.json:
        told = {each.soak.salt: {"settled": each.rest.settled, "lacking": each.rest.lacking} for each in found}
        print(json.dumps({"settled": False, "wait_s": waiting // 1000, "salts": told}))
    else:
        again = desk.local(desk.now_ms + waiting)
        print(f"Look again at {again}, or let it look by itself with --wait. Nothing is corrected yet.")


def _rest_lines(desk: KeeperDesk, each: Soaked) -> list[str]:
    rest, since = each.rest, desk.local(each.soak.from_ms)
    head = f"{each.soak.salt}, since {since}: "
    if each.point is None:
        return [f"{head}not at rest: {rest.lacking}."]
    drift = f"drift {rest.slope_pct_h:+.2f} %RH and {rest.slope_k_h:+.2f} K per hour"
    return [
        f"{head}at rest after {rest.soaked_for_ms / 3.6e6:.1f} h ({drift}).",
        f"  read {each.point.raw:.2f} ± {each.point.u_raw:.2f} %RH, true {each.point.true:.2f} ± {each.point.u_true:.2f} %RH"
        f" at {rest.temperature_c:.1f} °C",
    ]


# ---------------------------------------------------------------- beside another probe


def _beside(args: argparse.Namespace, desk: KeeperDesk, probe: str) -> int:
    reference = desk.probe(args.against)
    if args.begin is None:
        raise UsageError("--from: since when do the two probes lie side by side? Write --from 20:30")
    if reference == probe:
        raise WordError("--against: a probe says nothing about itself; name the trusted one")
    begin_ms, end_ms = past_moment(desk, args.begin), past_moment(desk, args.end)
    if begin_ms >= end_ms:
        raise WordError("--from must lie before --to and before now")
    made, count = compared(desk, probe, reference, args.quantity, begin_ms, end_ms)
    lines = [f"{count} readings of {probe} with one of {reference} at the same time, {made.method}"]
    return _conclude(args, desk, probe, args.quantity, made, f"{made.method} against {reference}, {count} pairs", lines, None)


# ---------------------------------------------------------------- what came of it


def _conclude(
    args: argparse.Namespace, desk: KeeperDesk, probe: str, quantity: Any, made: Correction, method: str, lines: list[str],
    checked: CheckPoint | None,
) -> int:
    word = word_of(probe, quantity, made, method)
    unit = "%RH" if quantity == "relative_humidity" else "K"
    good = checked is None or checked.acceptable
    if good and not args.dry_run:
        desk.speak(word)
    if args.json:
        residual = None if checked is None else checked.residual
        told = {"settled": True, "residual": residual, "acceptable": good, "taken": good and not args.dry_run}
        print(json.dumps(word | told))
        return ExitStatus.OK if good else ExitStatus.DATA
    lines.append(f"offset {made.offset:+.2f} ± {made.u_offset:.2f} {unit}, gain {made.gain:.4f} ± {made.u_gain:.4f}")
    lines.append(f"leaves a standard uncertainty of {word['standard_uncertainty']:.2f} {unit} in the working range")
    if checked is not None:
        lines.append(f"at the third salt it is off by {checked.residual:+.2f} ± {checked.u_residual:.2f} %RH")
    lines.append(_verdict(args, probe, good))
    print("\n".join(lines))
    return ExitStatus.OK if good else ExitStatus.DATA


def _verdict(args: argparse.Namespace, probe: str, good: bool) -> str:
    if not good:
        return f"That is too much: {probe} is bent or spoilt, and nothing is corrected. Replace it."
    if args.dry_run:
        return "Nothing is corrected: this was a dry run."
    return f"{probe} is corrected from now on. Put it back: dewlid out-of-service {probe} back"


# ---------------------------------------------------------------- guide and history


def _guide(args: argparse.Namespace, desk: KeeperDesk, probe: str) -> int:
    done = _history(desk, probe)
    last = max((row["taken_ms"] for row in done if row["quantity"] == "relative_humidity"), default=None)
    due = due_ms(last, desk.settings.probes[probe].calibration_due)
    if args.json:
        rows = [{**{k: v for k, v in row.items() if k != "taken_ms"}, "time": rfc3339(row["taken_ms"])} for row in done]
        print(json.dumps({"probe": probe, "due": None if due is None else rfc3339(due), "history": rows}, ensure_ascii=False))
        return 0
    lines = [f"Humidity check of {probe}: " + ("never done" if due is None else f"due {desk.local(due)}")]
    lines += [f"  {desk.local(row['taken_ms'])}  {_done_line(row)}" for row in done]
    lines += [
        f"1. Take it out of use: dewlid out-of-service {probe} --for 2d --reason salt",
        "2. Put it into a small closed box over wet salt: the salt damp, with crystals left, not touching the probe.",
        "   Box and salt must have the room's temperature, 15 to 30 °C, and keep it.",
        f"3. Let it soak, then: dewlid calibrate {probe} --salt sodium-chloride@20:30   (when the box was closed)",
        "Salts, from dry to wet:",
    ]
    lines += [
        f"  {name:20} {salt.formula:6} soak {salt.soak_for_ms // 3_600_000} h; {salt.advice}" for name, salt in SALTS.items()
    ]
    print("\n".join(lines))
    return 0


def _history(desk: KeeperDesk, probe: str) -> list[dict[str, Any]]:
    if desk.recorded_ms is None:
        return []
    with HistoryReader(desk.configuration.store) as reader:
        return [word for word in reader.words("calibrated") if word["probe"] == probe]


def _done_line(row: dict[str, Any]) -> str:
    by = f"times {row['gain']:.4f}, plus {row['offset']:+.2f}"
    quantity = row["quantity"].replace("_", " ")
    return f"{quantity}: {by}, standard uncertainty {row['standard_uncertainty']:.2f} ({row['method']})"
