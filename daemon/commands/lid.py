"""`dewlid lid CHAMBER`: what is known of a lid's temperature factor, and what teaches it."""

from __future__ import annotations

import argparse
import json
from typing import Any

from adapters.wording.counting import counted
from daemon.desk.keeper_desk import KeeperDesk
from daemon.desk.numbers import number
from daemon.desk.options import UsageError, config_option
from daemon.store.spool import WordError
from rules.physics.lid_factor import FactorBelief, prior_factor
from rules.physics.vapour import relative_humidity_pct_from_dew_point
from rules.turn.present import present


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "How warm the lid is between room (temperature factor 0) and chamber (1) decides when it gets wet. See"
        " what the build says, what is known by now and how surely; teach it by a measured temperature of its inner side, or"
        " by what you see on it. `dewlid lid nest measured 22.8`, `dewlid lid nest seen mist --at 07:15`."
    )
    config_option(parser)
    parser.add_argument("chamber", metavar="CHAMBER", help="the chamber")
    parser.add_argument("action", nargs="?", default="show", metavar="show|measured|seen", help="default: show")
    parser.add_argument("value", nargs="?", metavar="VALUE", help="degC of the inner side; or droplets, mist, dry")
    parser.add_argument("--at", metavar="TIME", help='when: "18:30" today, or 2026-05-31T18:30; absent: now')
    parser.add_argument("--uncertainty", type=number, default=0.5, metavar="K", help="of the measurement, K (default 0.5)")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Show, or teach and show."""
    if args.action not in ("show", "measured", "seen"):
        how = f"`dewlid lid {args.chamber} measured 22.5` (°C of its inner side) or `dewlid lid {args.chamber} seen droplets`"
        raise UsageError(f"found {args.action}; say whether it was measured or seen: {how} (or mist, or dry)")
    desk = KeeperDesk(args)
    chamber = desk.chamber(args.chamber)
    answer = ""
    if args.action != "show":
        answer = desk.speak(_word(desk, chamber, args))
    told = belief_of(desk, chamber)
    if args.json:
        print(json.dumps(told | ({"answer": answer} if answer else {}), ensure_ascii=False, allow_nan=False))
        return 0
    print("\n".join([*([answer] if answer else []), *([desk.silence] if desk.silence else []), *_lines(told)]))
    return 0


def _word(desk: KeeperDesk, chamber: str, args: argparse.Namespace) -> dict[str, Any]:
    at_ms = desk.moment(args.at)
    if args.value is None:
        raise UsageError("seen: say what: droplets, mist or dry" if args.action == "seen" else "measured: say how many degC")
    if args.action == "seen":
        if args.value not in ("droplets", "mist", "dry"):
            raise WordError(f"seen: found {args.value}; say what you see: droplets, mist or dry")
        return {"word": "lid-seen", "chamber": chamber, "at_ms": at_ms, "seen": args.value}
    try:
        value = number(args.value)
    except argparse.ArgumentTypeError as error:
        raise WordError(f"measured: {error}") from error
    return {
        "word": "lid-measured", "chamber": chamber, "at_ms": at_ms, "lid_temperature_c": value,
        "standard_uncertainty_k": args.uncertainty,
    }  # fmt: skip


def belief_of(desk: KeeperDesk, chamber: str) -> dict[str, Any]:
    """Return what is known of the lid as one JSON object: by the build, by now, and what it means at present."""
    lid, belief = desk.settings.chambers[chamber].lid, desk.state.places[chamber].belief
    prior = prior_factor(lid)
    now = present(desk.settings, desk.state).get(chamber)
    air_c, lid_c = (None, None) if now is None else (now.temperature_c, now.lid_temperature_c)
    wet_from = None
    if air_c is not None and lid_c is not None:
        wet_from = round(min(relative_humidity_pct_from_dew_point(air_c, lid_c), 100.0), 1)
    posterior = belief or prior
    return {
        "chamber": chamber, "build": f"{lid.build} {lid.material}, {lid.thickness_mm:g} mm, {lid.walls} walls",
        "prior": _belief(prior), "posterior": _belief(posterior), "measurements": posterior.measurements,
        "sightings": posterior.sightings, "lid_temperature_c": lid_c, "lid_source": None if now is None else now.lid_source,
        "dew_margin_k": None if now is None else now.dew_margin_k, "lid_wet_from_pct": wet_from,
    }  # fmt: skip


def _belief(belief: FactorBelief) -> dict[str, float]:
    low, high = belief.interval()
    return {
        "mean": round(belief.mean, 4), "standard_deviation": round(belief.standard_deviation, 4),
        "low": round(low, 3), "high": round(high, 3),
    }  # fmt: skip


def _lines(told: dict[str, Any]) -> list[str]:
    taught = f"{counted(told['measurements'], 'measurement')} and {counted(told['sightings'], 'sighting')}"
    lines = [
        f"Lid of {told['chamber']}: {told['build']}",
        f"  temperature factor by the build    {_factor(told['prior'])}",
        f"  temperature factor as now known    {_factor(told['posterior'])}, from {taught}",
    ]
    if told["lid_temperature_c"] is None:
        return [*lines, "  its temperature is not known now: that takes the chamber's and the room's temperature"]
    lines.append(f"  its temperature now                {told['lid_temperature_c']:.1f} °C ({told['lid_source']})")
    if told["dew_margin_k"] is not None:
        lines.append(f"  above the dew point by             {told['dew_margin_k']:.1f} K")
    return [*lines, f"  it is wet from                     {told['lid_wet_from_pct']:.0f} %RH at this air temperature"]


def _factor(belief: dict[str, float]) -> str:
    width = f"± {belief['standard_deviation']:.2f}, 95 % within {belief['low']:.2f} to {belief['high']:.2f}"
    return f"{belief['mean']:.2f} {width}"
