"""What comes before the decision table: lethal heat and cold, by their cause; what then never, and in which order.

The acts themselves stand in `rules.trade.practice`. A row without a source is common practice, no source.
"""

from __future__ import annotations

from rules.terms.events import HOUR_MS
from rules.trade.acts import ACTS
from rules.trade.bearable import HarmKind
from rules.trade.practice import AIR, HEAT, NO_COVER_HOT, NO_MIST_HOT, Never, Step, steps

TOGETHER_FOR_MS = 3 * HOUR_MS
"""Chambers of one room that get cold or hot within this of each other have one cause: a small box is hours ahead of a large
one; own judgement."""

_AIR_UNKNOWN = ("shut-aired", "air-if-cooler")
"""What comes of airing where no probe tells whether the room is cooler."""
HEAT_BRANCH: dict[str, tuple[Step, ...]] = {
    "runaway": steps("stop-heater", "fan-now", "air-now",
        Step("cool-room", when=("stop-in-vain", "room-unknown")), *_AIR_UNKNOWN,
        Step("move-box", when=("lethal-heat",)), Step("no-sun", when=("rises-alone",)),
        Step("cool-room", when=("room-unknown",))),
    "not-known": steps("stop-unsure", Step("move-box", when=("deadly-heat",)),
        Step("cool-room", when=("stop-in-vain", "room-unknown")), *_AIR_UNKNOWN, "cool-room"),
    "hot-room": steps("stop-unsure", "fan-now", "air-now", Step("move-box", when=("deadly-heat",)),
        Step("place-back", when=("room-warmed",)), "cool-room"),
    "heat-wave": steps("fan-now", "air-now", Step("move-box", when=("deadly-heat",)), *_AIR_UNKNOWN,
        "shade-box"),
    "sun": steps("shade-box", "stop-unsure", "fan-now", "air-now", *_AIR_UNKNOWN),
    "still-rising": steps("check-unplugged", "fan-now", "air-now", *_AIR_UNKNOWN, "find-source",
        Step("move-box", when=("lethal-heat",))),
    "box": steps("find-source", "fan-now", "air-now", Step("move-box", when=("lethal-heat",))),
}
"""What comes first at 32 degC or above, or when the heater runs away, by its cause and whatever the humidity says: drying
takes hours, heat minutes. Carrying a garden comes last: it tears. Common practice, no source."""
OUTWEIGHED_BY_HEAT = frozenset({"humidity-low"})
"""Alarms that speak against airing but not against what lethal heat or a runaway asks for; for the same reason."""
HEAT_NEVER = (NO_COVER_HOT, NO_MIST_HOT, Never("Do not wait for a second reading: this goes on by itself."))
WAVE_NEVER = (
    NO_COVER_HOT, NO_MIST_HOT,
    Never("Do not open windows or run a fan into the box while the air outside it is warmer.", AIR, about_order=True),
)

COLD_BRANCH: dict[str, tuple[Step, ...]] = {
    "dead": steps("check-heater", Step("warm-now", when=("lethal-cold",)), "warm-place"),
    "broken": steps(Step("warm-now", when=("lethal-cold",)), Step("swap-heater", when=("thermostat",)), "warm-place",
        "wrap-bottle"),
    "unsure": steps(Step("warm-now", when=("lethal-cold",)), "warm-place", "wrap-bottle"),
    "power": steps("check-power", Step("warm-now", when=("lethal-cold",)), "warm-place"),
    "at-limit": steps(Step("warm-now", when=("lethal-cold",)), "close-vents",
        "wrap-box", Step("stronger-mat", when=("watts-untold",)), "warm-place"),
    "no-heat": steps(Step("warm-now", when=("lethal-cold",)), "warm-place",
        Step("wrap-bottle", when=("tried",)), "wrap-box"),
}
"""What comes first in the cold, by what the heater does: dead or pulled out, looked at and still without heat, without power
along with others, on all the time and too weak, or not there. Common practice, no source."""
COLD_NEVER = (
    Never("No candle, camping stove or other open flame near the box, and no hot pack inside it."),
    Never("Do not put heat under the box, and do not cover its vents or its mat."),
    Never("Do not air the box: it cools.", AIR, when=("airing-cools",)),
)
WARMING_NEVER = (
    Never("Do not turn it up to catch up faster.", HEAT),
    Never("Do not wipe or air the box now: the lid dries as it warms, and airing cools it.", AIR),
)
WENT_BY_ITSELF = (
    "The last time it was over by itself, and nobody said to have unplugged it: then it may be the sun, a lamp or a radiator "
    "at its hour. The mat's touch tells."
)
IN_VAIN_SAID = " What was done so far has not stopped it."
IN_VAIN_HELPS = {
    "cold": " Hold a thermometer where the box stands now: only a place that is warmer than the box helps, with the probe "
    "beside the garden. Where there is none, take the box to a heated home nearby.",
    "heat": " Feel the mat: while it is warm, its plug is not out; switch off the socket strip or the breaker of its circuit. "
    "If it is cold, only a place that is cooler than the box helps.",
    "hot room": " Only a place that is cooler than the box helps: measure before you carry it.",
}
"""What to look at where the first steps were done twice and it goes on. Common practice, no source."""
LAST_HELP: dict[HarmKind, str] = {
    "heat": f"Where that is done already: nothing that is set here cools it further. {ACTS['cool-pack'].text}; or carry the "
    "box, level and slowly, to a room that a thermometer shows to be cooler than the box.",
    "cold": "Where that is done already: nothing that is set here warms it further. Lay blankets round the sides, a gap left "
    "for air, with a closed bottle of water at 40 °C in a towel beside the box, not under it; or carry the box, level and "
    "slowly, to a room that a thermometer shows to be warmer than the box.",
    "dryness": "Where that is done already: wet the clay granules along the wall, away from the garden, and lay damp towels "
    "beside the box, not on it. What is still too dry then needs a tighter lid, more wet clay or a moister room.",
}
"""What is left where urgent harm goes on and nothing is advised that is not done: an urgent letter says at least this. Common
practice, no source."""
COLD_ORDER = "Of boxes that are equally cold take the smallest garden first: it bears least."
"""Judgement."""
WARM_BACK = "Let it warm up over hours, about 2 K per hour; the lid will be wet for a while."
"""Judgement."""
FIND_CAUSE = (
    "Before it is plugged in again find out why: has the thermostat's probe fallen from its place, is it set as you think, "
    "does it switch off when you warm its probe in your hand?"
)
