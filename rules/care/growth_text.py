"""What a garden's growth means for its keeper, in words, with rules of thumb marked as such."""

from __future__ import annotations

from rules.care.growth import Growth, SpaceRow, When, fit, milestones, space_plan
from rules.keeper.state import KeeperState, garden_entries
from rules.settings import Settings
from rules.terms.local_time import day_words
from rules.trade.garden_sizes import volume_words


def growth_text(settings: Settings, keeper: KeeperState, chamber: str, since_ms: int, at_ms: int) -> str:
    """Return one paragraph: how fast it grows, when the cover goes, when the basin is full and the next must be ready.

    `since_ms`: when the routine began, from which a size that only the config tells counts.
    """
    place = settings.chambers[chamber]
    growth = fit(garden_entries(keeper, chamber, place, since_ms), place.genus, place.garden.basin_ml)
    if growth is None:
        return "no garden to fit a growth to: enter its size with --ml or --fill."
    marks = milestones(growth, place.garden.basin_ml, place.garden.covered, at_ms)
    parts = [f"{volume_words(growth.garden_ml(at_ms))} now, {_pace(growth, place.genus)}."]
    if marks.cover_off is not None:
        parts.append(f"The small cover comes off at a third of the basin (rule of thumb): {_when(settings, marks.cover_off)}.")
    if marks.full is None:
        parts.append("When it will be full is not known: basin_ml is missing in the config.")
    else:
        parts.append(f"The basin is full at nine tenths: {_when(settings, marks.full)}.")
        if marks.basin_ready_ms is not None:
            parts.append(f"Have the next basin ready by {day_words(marks.basin_ready_ms, settings.zone)}.")
    return " ".join(parts)


def _pace(growth: Growth, genus: str) -> str:
    days = growth.doubling_d()
    if days is None or days > 2000:
        return f"not growing by {growth.entries} entries"
    if growth.by_rule:
        return f"by the rule of thumb for {genus} doubling in about {days:.0f} days (too few entries to fit: {growth.entries})"
    slow, fast = growth.rate_d - growth.u_rate_d, growth.rate_d + growth.u_rate_d
    low, high = f"{0.693147 / fast:.0f}", f"{0.693147 / slow:.0f}" if slow > 0.0003 else "no end"
    shape = "slowing in its basin, " if growth.basin_ml is not None else ""
    return f"{shape}doubling in {days:.0f} days ({low} to {high}) by {growth.entries} entries"


def _when(settings: Settings, when: When) -> str:
    if when.likely_ms is None:
        return "not within ten years at this pace"
    likely = day_words(when.likely_ms, settings.zone)
    if when.earliest_ms is None or when.earliest_ms == when.likely_ms:
        return f"about {likely}"
    latest = "open" if when.latest_ms is None else day_words(when.latest_ms, settings.zone)
    return f"about {likely} (between {day_words(when.earliest_ms, settings.zone)} and {latest})"


def space_text(settings: Settings, keeper: KeeperState, chamber: str, since_ms: int, at_ms: int) -> list[str]:
    """Return the space plan of the next three years, a line per row."""
    place = settings.chambers[chamber]
    growth = fit(garden_entries(keeper, chamber, place, since_ms), place.genus, place.garden.basin_ml)
    if growth is None:
        return ["No garden size was entered yet."]
    rows = space_plan(growth, place.genus, place.garden.basin_ml, at_ms)
    return [_row(row) for row in rows] + [_ADVICE[place.genus]]


_ADVICE = {
    "Atta": "Rule of thumb: plan again every 4 to 8 weeks from the first year on; you set the cap by the room you give.",
    "Acromyrmex": "Rule of thumb: plan again every 3 to 6 months; a grown colony keeps a few litres.",
}


def _row(row: SpaceRow) -> str:
    span = f"{volume_words(row.likely_ml)} ({volume_words(row.low_ml)} to {volume_words(row.high_ml)})"
    basins = "" if row.basins is None else f", {row.basins} basin{'s' if row.basins > 1 else ''} of the present size"
    return f"in {row.months} month{'s' if row.months > 1 else ''}: {span}{basins}{' [rule of thumb]' if row.by_rule else ''}"
