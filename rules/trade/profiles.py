"""What each kind of chamber wants: its climate by what it is for and, where a garden grows, by the ants' species group.

These figures stand in the config's place where the keeper wrote none; what the keeper wrote wins, key by key. Dryness of a
garden goes by its size: `rules.trade.garden_sizes`.

Named below: `Cazin 1989` = Cazin, Wiemer & Howard 1989, Appl. Environ. Microbiol. 55:1346 (fungus better at 24 than at 30
degC, none at 37); `Mueller 2011` = Mueller et al. 2011, PNAS 108:4053 (tropical fungus stagnates below 20 degC; that of Atta
texana bears more cold the farther north it was taken); `Bollazzi 2002` = Bollazzi & Roces 2002, Insectes Soc. 49:153
(Acromyrmex heyeri lays fungus at 25 degC coming from the hot end of a gradient, at 22 from the cold end; brood at 24 and 21).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

Role = Literal["fungus", "food", "waste"]
Genus = Literal["Atta", "Acromyrmex"]
SpeciesGroup = Literal["tropical", "northern", "southern", "highland"]


@dataclass(frozen=True, slots=True)
class Profile:
    """Figures of the tables `temperature` and `humidity` of a chamber, as the config would write them, and their source."""

    temperature: dict[str, Any]
    humidity: dict[str, Any]
    source: str


TROPICAL = Profile({}, {}, "24 to 28 degC: common practice, no source; 30 degC: Cazin 1989; 20 degC: Mueller 2011")
"""Nothing of its own: the defaults of the tables are those of tropical gardens."""

GARDENS: dict[tuple[Genus, SpeciesGroup], Profile] = {
    ("Atta", "tropical"): TROPICAL,  # A. cephalotes, A. colombica, A. sexdens, A. laevigata
    ("Acromyrmex", "tropical"): TROPICAL,  # A. octospinosus, A. echinatior, A. subterraneus
    ("Atta", "northern"): Profile(  # A. texana, A. mexicana of the highlands
        {"low": 22.0, "high": 28.0, "harmful_low": 17.0, "harmful_high": 30.0, "target": 25.0}, {},
        "bears more cold than tropical fungus: Mueller 2011; the figures are an own estimate",
    ),
    ("Acromyrmex", "southern"): Profile(  # A. heyeri, A. lundii, A. ambiguus, A. lobicornis, A. striatus
        {"low": 21.0, "high": 27.0, "harmful_low": 17.0, "harmful_high": 29.0, "target": 23.5}, {},
        "22 to 25 degC are chosen: Bollazzi 2002; the edges are an own estimate",
    ),
    ("Acromyrmex", "highland"): Profile(  # highland forms of A. octospinosus, A. coronatus and others
        {"low": 20.0, "high": 26.0, "harmful_low": 16.0, "harmful_high": 28.0, "target": 23.0}, {},
        "common practice, no source: keepers hold highland ants 2 to 4 K cooler than lowland ones",
    ),
}  # fmt: skip

FOOD = Profile(
    {"low": 16.0, "high": 32.0, "harmful_low": 10.0, "harmful_high": 36.0, "target": 24.0, "on_delay": "1h"},
    {"low": None, "harmful_low": None, "high": 85.0, "target": 60.0, "on_delay": "12h", "off_delay": "1h"},
    "wide, for ants only pass through: common practice, no source; foraging slows in the cold (Atta and Acromyrmex walk at 6 to"
    " 32 degC, seen at second hand); above 85 %RH cut leaf moulds within days: common practice, no source",
)
WASTE = Profile(
    {"low": 10.0, "high": 32.0, "harmful_low": 2.0, "harmful_high": 36.0, "target": 24.0, "on_delay": "1h"},
    {"low": None, "harmful_low": None, "high": 70.0, "target": 45.0, "on_delay": "12h", "off_delay": "1h"},
    "workers carry waste to the driest chamber, 33 %RH where they may choose (Roemer et al. 2019, Ecol. Entomol. 44:502); below"
    " a water activity of about 0.7 hardly any mould grows (food hygiene, from memory); the delay is an own estimate",
)
"""Dry: here dampness is what is told. The high edge stands above what a room's air has by itself in a humid summer week."""


def groups_of(genus: Genus) -> tuple[SpeciesGroup, ...]:
    """Return the species groups of a genus, the commonest first."""
    return tuple(group for each, group in GARDENS if each == genus)


def profile_of(role: Role, genus: Genus, group: SpeciesGroup) -> Profile:
    """Return the figures of a chamber; raises ValueError that says which species groups the genus has."""
    if role != "fungus":
        return FOOD if role == "food" else WASTE
    known = groups_of(genus)
    if group not in known and known and group in get_args(SpeciesGroup):  # a word that is none is refused at its own key
        raise ValueError(f'species_group = "{group}" is not known of {genus}; allowed: {", ".join(known)}')
    return GARDENS.get((genus, group), TROPICAL)
