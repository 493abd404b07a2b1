"""What a keeper can see, as a table: the fixed vocabulary, its likely causes, what to change first and what not.

Basis: common practice, no source, except where a line names one. Two ordinary patterns are `calm` on purpose: browning
from below (old garden is discarded there) and droplets that run down the lid to the side (harmless distillation).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from rules.terms.events import Priority

Group = Literal["fungus", "lid", "ants", "waste"]
Proof = Literal["dry", "hot", "warm", "cold", "wet-lid", "humid"]


@dataclass(frozen=True, slots=True)
class Cause:
    """What the sight means if the climate history shows `proof`, and what then to change first."""

    proof: Proof
    because: str
    first: str


@dataclass(frozen=True, slots=True)
class Symptom:
    """One word of the vocabulary. `because` and `first` hold where no cause is proved; `suffers`: ask the leaf diary.

    What stands in braces in `first` is filled in by what the config says is there (`rules.care.observations`).
    """

    group: Group
    label: str
    because: str
    first: str
    never: str = ""
    causes: tuple[Cause, ...] = ()
    young: Priority = "digest"
    grown: Priority = "digest"
    calm: bool = False
    suffers: bool = False
    ask: str = ""
    """When to ask whom, where first aid does not end it."""


_COOL = "{cool}"
_DRY_FIRST = "close {openings} but a pinhole, since the box must breathe, {granules}{also_insulate}"
_DRY = Cause("dry", "the garden is drying", _DRY_FIRST)
_HOT = Cause("hot", "heat", _COOL)
_COLD = Cause("cold", "cold", "{heat}, then wrap blankets round the sides; warm by 0.5 K per hour")

# In order of urgency: lethal heat, drying, drip, the rest. The first one that was seen leads the answer.
SYMPTOMS: dict[str, Symptom] = {
    "brown-on-top": Symptom(
        "fungus", "brown on top or throughout",
        "a poisoned leaf, hunger or loss of the queen",
        "stop the leaf source of the last days and offer another plant from a place that is never sprayed",
        "do not add humidity: it is not what is missing", (_HOT,), "today", "today", suffers=True,
    ),
    "powder": Symptom(
        "fungus", "grey or brown-green powder spreading over the garden",
        "a mould that overruns a colony weakened before: the strain behind it matters more than the mould"
        " (Escovopsis was in all waste of healthy colonies too: R. Soc. Open Sci. 2017, PMC5451793)",
        "keep this colony's tools apart, take out the infected piece when the ants are elsewhere, then remove the strain",
        "do not dry the chamber in a panic, and no fungicide", (_HOT, _DRY, _COLD), "today", "today", suffers=True,
    ),
    "carrying-fungus-away": Symptom(
        "ants", "ants carry fungus or brood away",
        "the place itself is wrong: too cold, too dry or too hot there, brood goes first (Roemer & Roces 2014, PLoS ONE)",
        "compare the probe with a second one beside the garden, then repair the place that they leave",
        "do not put it back by hand; leave them the refuge", (_HOT, _DRY, _COLD), "today", "today", suffers=True,
    ),
    "gathered-at-vents": Symptom(
        "ants", "workers crowd at vents or lid holes",
        "stale air, or heat at the vents that the probe does not see",
        "open one vent {elsewhere} by one step and look again in an hour", "do not seal the box",
        (Cause("hot", "heat", _COOL), Cause("warm", "warmth", _COOL)), "today", "today",
    ),
    "dry-edge": Symptom(
        "fungus", "dry, pale or papery edge",
        "drying that the probe does not see: it may hang near water, or a stream of dry air meets the garden",
        "move the probe to the garden's height, look for the stream of air with a strip of tissue, and baffle that inflow"
        " (ants plug where dry air comes in: Bollazzi & Roces 2007, Anim. Behav. 74:1349)",
        "do not spray the garden", (_DRY, _HOT), "today", "morning", suffers=True,
    ),
    "leaves-on-garden": Symptom(
        "ants", "leaf bits laid on the garden or its entrance, ants at the water",
        "their answer to thirst (Ribeiro & Navas 2008, J. Insect Behav. 21:549)",
        "fill the drinking water{also_granules}",
        "do not clear the leaf bits away", (_DRY,), "today", "morning",
    ),
    "vents-stuffed": Symptom(
        "ants", "leaf bits stuffed into vents or tubes",
        "dry air flows in at that very spot (Bollazzi & Roces 2007, Anim. Behav. 74:1349)",
        "close or baffle that inflow", "do not clean it out again and again", (_DRY,), "morning", "morning",
    ),
    "dripping": Symptom(
        "lid", "drops fall from the lid on the garden",
        "the lid is colder than the dew point for longer than it can hold the water",
        "wipe it and tilt it towards a wall without garden{then_insulate}",
        "do not raise the set point: in a wet box that wets the lid more", (), "today", "today",
    ),
    "soft-or-wet": Symptom(
        "fungus", "soft or wet garden", "liquid water on the garden: spray, fogger or a drinker too near",
        "keep every spray off the garden and move the water away from it", "do not dry it with a fan",
        (
            Cause("wet-lid", "drops from a lid below the dew point", "wipe the lid and tilt it to the side{then_insulate}"),
            Cause("humid", "air near saturation for long", "stop misting and take out some of the wet area"),
        ),
        "today", "morning", suffers=True,
    ),
    "shrinking": Symptom(
        "fungus", "shrinking garden", "too few leaves, an unsuitable plant or a poisoned one",
        "offer two or three other plants from places that are never sprayed", "do not spray the garden",
        (_HOT, _DRY, _COLD), "today", "morning", suffers=True,
    ),
    "brown": Symptom(
        "fungus", "brown fungus",
        "from below it is ordinary ageing; on top or throughout it is not: look again where it is brown",
        "note it again as brown-from-below or brown-on-top", "do not change the climate before you know", (_HOT,),
        "morning", "morning",
    ),
    "white-fluffy-mould": Symptom(
        "fungus", "white fluffy mould", "surplus leaf or waste that stays damp; the garden itself is not the source",
        "take out the leaf and waste that carry it, and let the waste chamber dry", "no fungicide",
        (Cause("humid", "surplus leaf or waste in very humid air", "take out leaf and waste, and stop misting for a day"),),
        "morning", "morning",
    ),
    "waste-at-garden": Symptom(
        "waste", "waste touches the garden", "the waste place is full, damp or too far",
        "clear the waste today, gloves and mask on",
        "", (), "today", "morning",
    ),
    "waste-damp": Symptom(
        "waste", "damp waste", "the waste chamber is closed too well: ants choose the driest place (Roemer et al. 2019)",
        "clear it and open the waste chamber's vents, not the fungus chamber's", "", (), "morning", "morning",
    ),
    "foraging-stopped": Symptom(
        "ants", "foraging stopped, leaves untouched", "an unsuitable plant, or a cold or dry way to it",
        "offer another plant, soft young leaf or flowers", "", (_COLD, _DRY), "morning", "morning",
    ),
    "leaf-refused": Symptom(
        "ants", "one plant is refused suddenly",
        "delayed rejection: from about 10 h after it was built in, for 9 to 18 weeks (Herz et al. 2008; Saverschek 2010)",
        "change the plant, and throw that batch away if the garden suffers too", "do not force it on them", suffers=True,
    ),
    # First aid. Common practice, no source, where a row names none.
    "escape": Symptom(
        "ants", "ants are outside", "a gap, a tube end, a bridge of leaf, or a barrier that dust or damp has defeated",
        "shut every opening, take away what bridges the barrier, collect them with a soft brush or a damp tissue, put them back"
        " into the food chamber, and renew the barrier before night",
        "no insect spray in this room, ever", (), "today", "today",
        ask="Found outdoors, or a queen among them: report it to your plant-health authority as your local rules say",
    ),
    "suspected-poison": Symptom(
        "ants", "many ants die or cramp within days of a new leaf, or of spray or paint in the room",
        "poison: treated leaf shows after one to three days (own estimate), and grooming spreads it (one fungicide killed all"
        " treated workers: Scudillio et al. 2023, Sci. Rep. 13)",
        "take out all leaf of the last three days, offer untreated leaf and water, and air the room, not the fungus chamber",
        "do not feed that plant again to any colony", (_HOT,), "today", "today", suffers=True,
        ask="Ask who grew or sold the plant what it was treated with; keep a bag of it in the freezer",
    ),
    "garden-collapsed": Symptom(
        "fungus", "the garden has fallen in or lies in pieces",
        "a shock, too much water, or more garden than workers can hold; they build it up again from what is healthy",
        "leave it lying, take out what floats in water, cover it with a small tub with a gap, and keep the box still and dark",
        "do not pile it up by hand", (_HOT, _DRY, Cause("wet-lid", "drops from the lid", "wipe the lid{then_insulate}")),
        "today", "today", suffers=True,
        ask="Less than a walnut of healthy garden left: ask a keeper of the same species for a piece of fungus",
    ),
    "trembling-workers": Symptom(
        "ants", "workers tremble, stagger or lie on their backs", "poison, or heat",
        "treat it as a poison: take out all leaf of the last three days and offer untreated leaf and water",
        "no sugar water and no spray as a remedy", (_HOT,),
        "today", "today", suffers=True,
        ask="More of them tomorrow: ask an entomologist or a keeper of many colonies, with a photograph",
    ),
    "dead-workers": Symptom(
        "ants", "more dead workers than usual", "old age in a large colony; else heat, dryness, hunger or poison",
        "count them for three days; look at water, leaves and the temperature at the garden", "do not open the garden to look",
        (_HOT, _DRY, _COLD), "today", "morning", suffers=True,
        ask="More than a tenth of the workers within a week: ask an entomologist or a keeper of many colonies",
    ),
    "grey-garden": Symptom(
        "fungus", "greyish garden", "old garden at its bottom is grey-brown; grey that spreads from above is mould on wet leaf",
        "take out uneaten leaf, offer less and drier leaf for three days, and look again", "no fungicide",
        (Cause("humid", "wet leaf in very humid air", "take out uneaten leaf, and stop misting for a day"), _COLD),
        "today", "morning", suffers=True,
    ),
    "white-tufts": Symptom(
        "fungus", "white tufts on the garden", "as a rule it is new growth, short, even and snow-white where fresh leaf was"
        " built in; a mould is long-haired, stands on one spot and turns grey or green (then: white-fluffy-mould or powder)",
        "photograph it and look again tomorrow", "do not take it out before you know", calm=True,
    ),
    "mites": Symptom(
        "ants", "mites", "harmless ones live in waste and old leaf; those that sit on ants in numbers come with damp waste",
        "clear the waste today and every second day, and let its chamber dry",
        "no mite powder, no spray and no predatory mites into the fungus chamber", (), "today", "morning",
        ask="Mites on the queen or on most workers: ask an entomologist with a photograph",
    ),
    "springtails": Symptom(
        "waste", "springtails", "they eat mould on damp waste and do no harm to the garden",
        "nothing; clear the waste as usual", "do not dry the fungus chamber for them", calm=True,
    ),
    "flies": Symptom(
        "waste", "small flies", "fruit flies and fungus gnats breed in wet waste and leftover fruit",
        "clear waste and fruit today, let the waste chamber dry, and put fine mesh before the vents",
        "no fly strip, spray or plug-in in the room", (), "morning", "morning",
    ),
    "queen-not-seen": Symptom(
        "ants", "queen not seen", "she sits deep in the garden: as long as there is brood she is there",
        "look for eggs and larvae through the wall for three weeks", "do not dig for her", calm=True,
        ask="No brood at all for six weeks (eggs take about a week, larvae three more): ask a keeper of the same species",
    ),
    "brood-not-seen": Symptom(
        "ants", "no brood seen", "it lies within the garden; cold or hunger stops it for weeks",
        "look again through the wall in a week, at what the ants carry", "do not dig in the garden", (_COLD, _DRY, _HOT),
        "morning", "morning",
        ask="None for six weeks: ask a keeper of the same species",
    ),
    "satiated": Symptom(
        "ants", "leaves lie, ants rest, the garden looks well", "they have enough",
        "offer half as much tomorrow, and take out what lies for a day", "do not change the climate for it", calm=True,
    ),
    "brown-from-below": Symptom(
        "fungus", "browning from below, the rest healthy", "ordinary ageing: old garden is discarded below",
        "nothing; clear the waste as usual", "do not repair a climate that is not broken", calm=True,
    ),
    "droplets": Symptom(
        "lid", "droplets on the lid", "as long as they run down to the side it is harmless distillation",
        "nothing now; tilt{or_insulate} the lid at leisure", "no fan in winter", calm=True,
    ),
    "mist": Symptom("lid", "mist on the lid", "an ordinary film of dew", "nothing", calm=True),
    "dry": Symptom("lid", "dry lid", "the lid is warmer than the dew point", "nothing", calm=True),
    "growing": Symptom("fungus", "growing garden", "a good sign", "nothing", calm=True),
    "calm": Symptom("ants", "calm ants", "a good sign", "nothing", calm=True),
}  # fmt: skip


def vocabulary(group: Group) -> tuple[str, ...]:
    """Return the words for one group."""
    return tuple(word for word, symptom in SYMPTOMS.items() if symptom.group == group)


# ---------------------------------------------------------------- an Atta queen who founds shut in

SHUT_FIRST = "leave her box shut, see that its pinhole is free, and look through the wall again in a week"
SHUT_NEVER = "do not open it, and put no leaf in: a queen who is disturbed may eat her brood (common practice, no source)"
_SHUT_CAUSES: dict[Proof, str] = {
    "dry": "close its vents but a pinhole, and give 1 ml of water along a wall through that hole, the lid shut",
    "wet-lid": "tilt the box, unopened, so that drops run to a wall away from her{then_insulate}",
    "humid": "tilt the box so that drops run to a wall away from her, and leave it shut",
}
_FOUNDING: dict[str, tuple[str, str]] = {
    "dripping": ("the lid is colder than the dew point for longer than it can hold the water", _SHUT_CAUSES["wet-lid"]),
    "droplets": ("as long as they run down to the side it is harmless distillation",
        "nothing now; at leisure " + _SHUT_CAUSES["humid"]),
    "shrinking": ("she manures it from her own body alone until workers come, so it stays at a few ml", SHUT_FIRST),
    "garden-collapsed": ("she has lost or dropped her first fungus, as many founding queens do",
        "leave her box shut and still for a week; no garden by then: ask a keeper of the same species for a piece of fungus"),
    "queen-not-seen": ("she sits beside or under her small garden", "look again tomorrow, from below too, unopened"),
    "brood-not-seen": ("eggs come in the first week, larvae after about four weeks, pupae after six to seven, workers after"
        " nine to ten (Camargo, Sociobiology, on Atta sexdens)", SHUT_FIRST),
    "escape": ("a gap, or a lid that was not shut", "put her back with a soft brush, shut the lid and close what she left by"),
    "satiated": ("she takes no leaf until her first workers are there", "nothing; put no more in"),
}  # fmt: skip
"""What a sight means, and what to do first, where an Atta queen founds. She needs no food from outside, and no look inside
(Mota Filho et al. 2021, IJAIR 9:352; the looks: common practice, no source)."""


def founding(word: str) -> Symptom:
    """Return a sight as it is answered where an Atta queen founds shut in: nothing that opens her box or feeds her."""
    symptom = SYMPTOMS[word]
    because, first = _FOUNDING.get(word, (symptom.because, "nothing" if symptom.first == "nothing" else SHUT_FIRST))
    causes = tuple(replace(cause, first=_SHUT_CAUSES.get(cause.proof, cause.first)) for cause in symptom.causes)
    ask = "" if word == "garden-collapsed" else symptom.ask  # her garden is never as large as a walnut
    return replace(symptom, because=because, first=first, never=SHUT_NEVER, causes=causes, ask=ask)
