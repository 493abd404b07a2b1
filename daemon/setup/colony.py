"""What a first config says of a chamber, from genus and age of its colony: rules of thumb that the keeper corrects.

Garden volume by age: Atta fed indoors about a litre after 8 to 14 months, Acromyrmex slower and smaller: common practice, no
source. What a garden of that size wants is not written into the config: it follows the size as it grows.
"""

from __future__ import annotations

from dataclasses import dataclass

from rules.trade.profiles import Genus

_MONTHS: dict[Genus, tuple[int, int, int]] = {"Atta": (4, 9, 18), "Acromyrmex": (6, 14, 30)}
"""Below these ages a colony counts as founding, young, growing; above the last as grown."""


@dataclass(frozen=True, slots=True)
class Stage:
    """A size of garden and what goes with it."""

    name: str
    garden_ml: float
    air_ml: float
    covered: bool
    note: str


STAGES: tuple[Stage, ...] = (
    Stage("founding", 10, 800, True, "a founding garden dries out within hours: a narrow band, and told early"),
    Stage("young", 100, 2500, False, "a young garden dries sooner than a grown one"),
    Stage("growing", 800, 8000, False, "a garden of this size bears a dry day"),
    Stage("grown", 4000, 15000, False, "a large garden keeps its own climate for a while"),
)


def stage_of(genus: Genus, months: int) -> Stage:
    """Return the stage of a colony of this age."""
    return STAGES[sum(months >= limit for limit in _MONTHS[genus])]


def queen_alone(months: int) -> bool:
    """Whether a colony of this age is a queen with her first brood."""
    return months < 3


_SHUT_IN = "Keep the box dark, shut and still; look from outside once a week. Its garden dries out within hours."
_THEN = "When the first workers have come: remove the line `founding` from the config, and give leaves in small pieces."
PATH_FOR_A_QUEEN: dict[Genus, tuple[str, ...]] = {
    "Atta": (
        _SHUT_IN,
        "Give no food: an Atta queen takes none from outside until the first workers come, in the eighth to ninth week.",
        _THEN,
    ),
    "Acromyrmex": (
        "Keep the box dark and still; look once a week. Its garden dries out within hours.",
        "Offer a few fresh leaves and petals all the time: an Acromyrmex queen forages while she founds.",
        _THEN,
    ),
}
"""Atta sexdens: Mota Filho et al. 2021, IJAIR 9:352 (as in `rules.trade.routine`); the rest: common practice, no source."""
