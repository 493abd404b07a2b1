"""What a heat mat does when its thermostat sticks or when it dies, in plain words: for check, the guided start and why."""

from __future__ import annotations

from math import exp

from adapters.wording.figures import Style
from rules.climate.situation import MatDay
from rules.physics.mat_ends import MatEnds

SOFT_PLASTIC_C = 60.0
"""Above this an end is not told to the degree: clear plastics soften (PET from about 70 degC, acrylic from 90; from memory)
and the sum of a straight line is none any more. Own estimate."""
TRIED_TO_C = 43.0
"""What is touched for long burns from here on (ISO 13732-1, from memory): hotter is nothing to be tried at home."""
STRONG_SHARE = 1.0 / 3.0
"""A mat that rests for two thirds of a day whose box was no warmer than wanted has three times the power it needs; own
estimate."""


def mat_found(ends: MatEnds, style: Style) -> str:
    """Return where the box ends with this mat, stuck on and dead."""
    low, high = ends.stuck_span_c
    near = f"near {ends.stuck_c:.0f} °C ({low:.0f} to {high:.0f} °C)"
    end = near if high <= SOFT_PLASTIC_C else f"above {min(low, SOFT_PLASTIC_C):.0f} °C"
    return style.text(
        f"a mat of {ends.watts:g} W that stays on ends {end} in a room of {ends.warmest_c:.0f} °C; dead, the box goes down to"
        f" its room, {ends.coldest_c:.0f} °C at the coldest"
    )


def mat_means(ends: MatEnds, style: Style) -> str:
    """Return what that is for the garden."""
    if ends.safe_by_itself:
        heat = "left on it does no harm by itself"
    elif ends.guarded:
        heat = f"its cut-out at {ends.cut_out_c:g} °C must end that: try it once a month"
    else:
        heat = f"a thermostat that sticks, or its probe fallen from its place, cooks the garden: {ends.bear_c:g} °C harm it"
    weak = ends.held_c < ends.hold_c
    held = f"; in the coldest room it holds no more than {ends.held_c:.0f} °C instead of {ends.hold_c:g} °C" if weak else ""
    return style.text(heat + held)


def mat_remedy(ends: MatEnds, style: Style) -> str:
    """Return what to do about a mat that can do harm, or that leaves its garden in the cold; empty: nothing is to do."""
    if not ends.cooks:
        return "" if not ends.too_weak else style.text(
            f"it takes {ends.needed_w:.1f} W to hold {ends.hold_c:g} °C in the coldest room: wrap its sides first, or"
            f" a stronger mat with an independent cut-out set at {ends.bear_c:g} °C"
        )
    if ends.one_size_does_both:
        sizes = f"{ends.needed_w:.1f} to {ends.safe_w:.1f} W"
        safe = f"use a mat of {sizes}: it holds {ends.hold_c:g} °C and does no harm by itself; or"
    else:
        most = f"at most {ends.safe_w:.1f} W do no harm" if ends.safe_w >= 0.1 else "in the warmest room any mat does harm"
        safe = f"no size of mat is enough, since {ends.hold_c:g} °C takes {ends.needed_w:.1f} W and {most}:"
    return style.text(
        f"{safe} fit an independent cut-out set at {ends.bear_c:g} °C, which is a second switch in the mat's supply with a"
        " probe of its own at the garden's height, wired by licensed practice"
    )


def mat_doubt(ends: MatEnds) -> str:
    """Return how sure the figures are, and how the keeper learns better ones without a fire."""
    sure = f"These figures are estimates to a factor of {exp(ends.spread):.1f}"
    if ends.stuck_span_c[1] > TRIED_TO_C:
        return f"{sure}. Do not try it by leaving the mat on: it would get too hot. `dewlid why` learns better ones by itself."
    return (
        f"{sure}: before ants move in, leave the mat on for a day without its thermostat, with somebody at home, and read"
        " how far the box gets above its room."
    )


def mat_day_told(day: MatDay | None, ends: MatEnds | None, style: Style) -> list[str]:
    """Return what the mat's own probe proves of its last day: that it heats, never, by turns or all the time."""
    if day is None or ends is None:
        return []
    span = f"between {day.least_c:.0f} and {day.most_c:.0f} °C, the air {day.air_c:.0f} °C on the mean"
    cool, strong = day.air_c < ends.hold_c, day.share < STRONG_SHARE and not ends.safe_by_itself
    told = {
        "never": f"it gave no heat: {span}" + (
            "; see to plug, breaker and thermostat" if cool else "; was the room colder than that, its probe is not on the mat"
        ),
        "always": f"it heated all the time: {span}" + (
            f"; it is too weak to hold {ends.hold_c:g} °C in this room: wrap its sides first, then a stronger mat" if cool
            else "; it has nothing left for a colder night, or its thermostat does not switch"
        ),
        "by turns": f"it switches, on for at most {100.0 * day.share:.0f} % of the time: {span}" + (
            "; it has at least three times the power that this took" if strong else ""
        ),
    }  # fmt: skip
    return [style.text(told[day.heats])]
