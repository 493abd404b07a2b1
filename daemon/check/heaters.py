"""Looks at what heat and cold each garden meets: its mat, stuck on and dead, and its room where no mat can help."""

from __future__ import annotations

from datetime import UTC

from adapters.wording.figures import Style
from adapters.wording.mat import mat_doubt, mat_found, mat_means, mat_remedy
from daemon.check.finding import Finding
from daemon.config.configuration import Configuration
from rules.physics.mat_ends import MatEnds, mat_ends
from rules.settings import Chamber, Room


def of_heaters(configuration: Configuration) -> list[Finding]:
    """Return one finding for each heated chamber, and one for each garden whose room is too cold or too hot for it.

    A room of which nothing is said counts as one of a heated home.
    """
    style = Style(configuration.site.temperature_unit, UTC)
    findings = []
    for name, chamber in configuration.chamber.items():
        room = configuration.room[chamber.room] if chamber.room is not None else Room()
        if (ends := mat_ends(chamber, room)) is not None:
            findings.append(_of_mat(name, ends, style))
        if chamber.role == "fungus":
            findings += _of_room(name, chamber, room, style)
    return findings


def _of_mat(name: str, ends: MatEnds, style: Style) -> Finding:
    remedy = mat_remedy(ends, style)
    told = f"{remedy}; then write cut_out_c = {ends.bear_c:.1f} for this heater. {mat_doubt(ends)}" if ends.cooks else remedy
    where, found = f"chamber {name}, heater", mat_found(ends, style)
    return Finding("warning" if remedy else "ok", where, found, mat_means(ends, style), told)


def _of_room(name: str, chamber: Chamber, room: Room, style: Style) -> list[Finding]:
    band, findings = chamber.temperature, []
    if chamber.devices.heater is None and band.harmful_low is not None and room.coldest_c < band.harmful_low:
        findings.append(Finding(
            "warning", f"chamber {name}, room", style.text(f"no heater, in a room that gets down to {room.coldest_c:g} °C"),
            style.text(f"below {band.harmful_low:g} °C its garden stands still, and far below it dies"),
            "a warmer room, or a heat mat at its side with a thermostat: write it as [chamber.ID.devices.heater], and `dewlid"
            " check` says which size is safe; if the room is warmer, write coldest_c",
        ))  # fmt: skip
    if band.harmful_high is not None and room.warmest_c > band.harmful_high:
        findings.append(Finding(
            "warning", f"chamber {name}, room", style.text(f"its room gets up to {room.warmest_c:g} °C"),
            style.text(f"{band.harmful_high:g} °C harm its garden, and no device of a box cools below its room"),
            "a cooler room for the hot weeks (a cellar, a north side, blinds by day), found before they come",
        ))  # fmt: skip
    return findings
