"""`dewlid dew`: what one reading of air, room and lid says."""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import asdict

from pydantic import ValidationError

from daemon.desk.numbers import number
from daemon.store import word_faults
from daemon.store.spool import WordError
from rules.physics.dew_report import Accuracy, DewReport, dew_report
from rules.physics.saturation import PRESSURE, RELATIVE_HUMIDITY, TEMPERATURE, ValidRange
from rules.settings import Lid

_LID = {
    "material": ("acrylic", "polycarbonate", "glass", "pet"),
    "build": ("single", "double", "insulated"),
    "walls": ("cold", "warm"),
}


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Dew point, absolute humidity, lid temperature and dew margin of one reading, each with unit and standard"
        " uncertainty. Needs no config. A measured lid (--lid) wins over one estimated from the room (--room)."
    )
    add_number = parser.add_argument
    add_number("--air", type=number, required=True, metavar="DEGC", help="air temperature in the chamber, degC")
    add_number("--rh", type=number, required=True, metavar="PERCENT", help="relative humidity in the chamber, %%RH over water")
    add_number("--room", type=number, metavar="DEGC", help="air temperature of the room, degC: the lid is estimated from it")
    add_number("--lid", type=number, metavar="DEGC", help="measured temperature of the lid's inner side, degC")
    parser.add_argument("--lid-material", choices=_LID["material"], help="what the lid is made of (default acrylic)")
    add_number("--lid-thickness-mm", type=number, metavar="MM", help="thickness of one pane, mm (default 3)")
    parser.add_argument("--lid-build", choices=_LID["build"], help="one pane, two with an air gap, or with foam")
    add_number("--lid-insulation-mm", type=number, metavar="MM", help="thickness of foam on the lid, mm")
    parser.add_argument("--walls", choices=_LID["walls"], help="bare side walls (cold, the default) or insulated ones (warm)")
    add_number("--altitude", type=number, default=0.0, metavar="M", help="height above the sea, m (default 0)")
    add_number("--temperature-accuracy", type=number, default=0.3, metavar="K", help="limits of error, K (default 0.3)")
    add_number("--humidity-accuracy", type=number, default=2.0, metavar="PERCENT", help="limits of error, %%RH (default 2)")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the report."""
    for option in ("air", "room", "lid"):
        _accept(f"--{option}", getattr(args, option), TEMPERATURE)
    _accept("--rh", args.rh, RELATIVE_HUMIDITY)
    _accept("--altitude", args.altitude, ValidRange("altitude", "m", -400.0, 5000.0))
    _accept("--temperature-accuracy", args.temperature_accuracy, ValidRange("accuracy", "K", 0.001, 10.0))
    _accept("--humidity-accuracy", args.humidity_accuracy, ValidRange("accuracy", "%RH", 0.001, 30.0))
    pressure_pa = PRESSURE.accept(101_325.0 * (1.0 - 2.25577e-5 * args.altitude) ** 5.2559)
    report = dew_report(
        args.air, args.rh, room_c=args.room, lid=_lid(args), lid_c=args.lid,
        accuracy=Accuracy(args.temperature_accuracy, args.humidity_accuracy), pressure_pa=pressure_pa,
    )
    print(json.dumps(_as_json(report), allow_nan=False) if args.json else _as_text(report))
    return 0


def _accept(option: str, value: float | None, allowed: ValidRange) -> None:
    """Raise WordError for a number that lies outside, or is none."""
    if value is None:
        return
    too_low = value <= allowed.low if allowed.above_low else value < allowed.low
    if not math.isfinite(value) or too_low or value > allowed.high:
        raise WordError(f"{option}: found {value:g}; {allowed.allowed} is allowed")


def _lid(args: argparse.Namespace) -> Lid:
    given = {
        "material": args.lid_material, "thickness_mm": args.lid_thickness_mm, "build": args.lid_build,
        "insulation_mm": args.lid_insulation_mm, "walls": args.walls,
    }  # fmt: skip
    try:
        return Lid.model_validate({key: value for key, value in given.items() if value is not None})
    except ValidationError as error:
        name, _, wrong = word_faults.told(error, by_key=True).partition(":")
        raise WordError(f"--lid-{name.replace('_', '-')}:{wrong}") from error


_STABLE = (
    "dew_point_c", "absolute_humidity_g_m3", "vapour_pressure_pa", "vapour_pressure_deficit_pa", "lid_temperature_c",
    "dew_margin_k",
)


def _as_json(report: DewReport) -> dict[str, float | str | None]:
    body = asdict(report)
    return {key: body[key] for key in (*_STABLE, *(key for key in body if key not in _STABLE))}


def _as_text(report: DewReport) -> str:
    lines = [
        _line("dew point", report.dew_point_c, report.u_dew_point_k, "°C", 1),
        _line("absolute humidity", report.absolute_humidity_g_m3, report.u_absolute_humidity_g_m3, "g/m3", 1),
        _line("vapour pressure", report.vapour_pressure_pa, report.u_vapour_pressure_pa, "Pa", 0),
        _line("vapour pressure deficit", report.vapour_pressure_deficit_pa, report.u_vapour_pressure_deficit_pa, "Pa", 0),
        _line("lid temperature", report.lid_temperature_c, report.u_lid_temperature_k, "°C", 1, report.lid_source or ""),
        _line("dew margin", report.dew_margin_k, report.u_dew_margin_k, "K", 1, "lid minus dew point"),
    ]
    if report.probability_wet is not None and report.lid_wet_from_pct is not None:
        lines.append(_line("the lid is wet from", report.lid_wet_from_pct, None, "%RH", 0, "at this air temperature"))
        lines.append(f"{'chance that it is wet':24} {100 * report.probability_wet:.0f} %")
    else:
        lines.append("Give --room or --lid to learn of the lid.")
    return "\n".join(lines)


def _line(name: str, value: float | None, uncertainty: float | None, unit: str, decimals: int, note: str = "") -> str:
    """Return a line such as `dew point  22.3 °C ± 0.3`; the uncertainty is the standard one."""
    if value is None:
        return f"{name:24} not known"
    doubt = "" if uncertainty is None else f" ± {uncertainty:.{decimals}f}"
    return f"{name:24} {value:.{decimals}f} {unit}{doubt}" + (f"  ({note})" if note else "")
