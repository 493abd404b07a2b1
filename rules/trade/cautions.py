"""Law and safety in short lines, for the first mail and the README. General: local codes and licensed practice decide.

Basis: husbandry and electrical practice in general terms; where a line has a source it is named beside it.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """One line for the keeper, and where it comes from."""

    topic: str
    text: str
    source: str


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "law",
        "Leafcutter ants are not native in most places where they are kept: import, keeping, moving and sale may need permits"
        " (plant pest, animal, customs). Ask the authority of your country before you buy or move a colony.",
        "USA: federal plant-pest permit for plant-feeding insects, interstate too (USDA APHIS, PPQ 526, 2024); EU:"
        " Regulation (EU) 1143/2014 and member states' stricter law",
    ),
    Caution(
        "release",
        "Never release or dump ants, brood, fungus or soil. Freeze waste for three days before it is thrown away, and report an"
        " escape as your local rules say.",
        "common practice, no source",
    ),
    Caution(
        "origin",
        "Keep a record of origin, date and permit numbers. Take leaves only where you may.",
        "common practice, no source",
    ),
    Caution(
        "mains",
        "Mains beside water: a residual-current device of at most 30 mA (in North America a GFCI), drip loops, sockets above"
        " the water line, low voltage if possible. Unplug before your hands go in. Fixed wiring is for a licensed electrician.",
        "from memory of wiring rules; your local code decides",
    ),
    Caution(
        "heaters",
        "A heater needs its own thermostat and an independent cut-out; never cover, fold or bury it; a smoke alarm belongs in"
        " the room. dewlid only advises: it is not a safety device.",
        "common practice, no source",
    ),
    Caution(
        "foggers",
        "Foggers spread minerals and germs: fresh low-mineral water, cleaning every few days, and none where somebody's"
        " lungs are sensitive.",
        "US EPA, Indoor Air Facts No. 8, 1991",
    ),
    Caution(
        "bites",
        "Soldiers of Atta cut skin. Allergic shock from ants is rare but can kill: with swelling of the face or trouble in"
        " breathing, call the emergency number.",
        "Olivera & Porras Villamil 2021, Rev. Cubana Med. Trop. 73 (review, mainly other genera); bites from memory",
    ),
    Caution(
        "moulds",
        "Old fungus and waste carry mould spores: gloves, mask and fresh air when you clear them, and wash your hands.",
        "common practice, no source",
    ),
    Caution(
        "pesticides",
        "Only plants free of pesticide: bought flowers and garden-centre plants are presumed treated. No insect spray, glue,"
        " fresh paint or scent in the room.",
        "common practice; delayed rejection of treated leaf: Herz et al. 2008, Behav. Ecol. 19:575",
    ),
    Caution(
        "limits",
        "This is general advice. Local codes, your landlord and insurer, and licensed practice come first.",
        "common practice, no source",
    ),
)
