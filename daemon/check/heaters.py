"""Looks at each chamber's heat mat: where it ends when it stays on, where when it is dead, and what makes it safe."""

from __future__ import annotations

from datetime import UTC

from adapters.wording.figures import Style
from adapters.wording.mat import mat_doubt, mat_found, mat_means, mat_remedy
from daemon.check.finding import Finding
from daemon.config.configuration import Configuration
from rules.physics.mat_ends import mat_ends
from rules.settings import Room


def of_heaters(configuration: Configuration) -> list[Finding]:
    """Return one finding for each heated chamber; a room of which nothing is said counts as one of a heated home."""
    style = Style(configuration.site.temperature_unit, UTC)
    findings = []
    for name, chamber in configuration.chamber.items():
        room = configuration.room[chamber.room] if chamber.room is not None else Room()
        if (ends := mat_ends(chamber, room)) is None:
            continue
        remedy = mat_remedy(ends, style)
        told = f"{remedy}; then write cut_out_c = {ends.bear_c:.1f} for this heater. {mat_doubt(ends)}"
        findings.append(Finding(
            "warning" if remedy else "ok", f"chamber {name}, heater", mat_found(ends, style), mat_means(ends, style),
            told if remedy else "",
        ))
    return findings
