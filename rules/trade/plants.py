"""Which plants suit leafcutters, month by month, which they refuse, which harm them, and how much a garden takes.

Named below: `UNESP` = 24 colonies of Acromyrmex subterraneus brunneus kept for four months on Citrus, Ligustrum, Acalypha,
Eucalyptus, Alchornea or Melia (Sao Paulo State University, abstract seen, year not known: colonies refuse the plant that they
were kept on, what grows the garden best is not what they choose, so variety matters); `Machado 2021` =
Machado et al. 2021, Adv. Entomol. 9:85 (Acalypha wilkesiana attracts Atta sexdens, Colocasia hardly); `Littledyke 1978` =
Littledyke & Cherrett 1978, Bull. Entomol. Res. 68 (young leaves are taken before old ones, waxes deter); `Howard 1988` = Howard
et al. 1988, J. Chem. Ecol. 14 (terpenoids that deter also harm ants or fungus); `Santos 2013` = dos Santos et al. 2013,
10.5772/55035 (review of plants against leafcutters; its table from memory). A row without one of them: common practice, no
source. All figures of months are for temperate lands: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

PRACTICE = "common practice, no source"
ALL_YEAR = tuple(range(1, 13))


@dataclass(frozen=True, slots=True)
class Plant:
    """A plant that suits: in which months of the temperate north it can be picked, what of it, and for which gardens."""

    name: str
    botanical: str
    months: tuple[int, ...]
    parts: str
    soft: bool
    """Soft enough for the small workers of a young colony."""
    note: str = ""
    source: str = PRACTICE


@dataclass(frozen=True, slots=True)
class Unfit:
    """A plant, or a kind of food, that is refused or harms."""

    name: str
    why: str
    source: str = PRACTICE
    words: tuple[str, ...] = ()
    """What the keeper may call it, in small letters."""


SUITS: tuple[Plant, ...] = (
    Plant("bramble, raspberry", "Rubus", ALL_YEAR, "leaves, petals", True, "half evergreen: the stand-by of the winter"),
    Plant("privet", "Ligustrum", ALL_YEAR, "leaves, flowers", False, "often sprayed in hedges: ask",
          "kept on it in laboratories: UNESP"),
    Plant("rose", "Rosa", (4, 5, 6, 7, 8, 9, 10), "petals, young leaves", True, "never from a shop or a sprayed bed"),
    Plant("hawthorn", "Crataegus", (4, 5, 6, 7, 8), "young leaves, flowers", True),
    Plant("apple, pear, cherry", "Malus, Pyrus, Prunus avium", (4, 5, 6, 7, 8, 9), "leaves, petals, bits of apple", True,
          "orchards are sprayed; leave wilted cherry leaf out"),
    Plant("willow", "Salix", (4, 5, 6, 7, 8), "young leaves", True),
    Plant("hazel", "Corylus", (4, 5, 6, 7, 8, 9, 10), "leaves", False),
    Plant("lime tree", "Tilia", (5, 6, 7, 8, 9), "leaves, flowers", True, "aphids leave honeydew: wash"),
    Plant("beech, hornbeam", "Fagus, Carpinus", (5, 6, 7, 8), "young leaves", False),
    Plant("oak", "Quercus", (5, 6, 7, 8, 9, 10), "leaves while green", False, "evergreen oaks also in winter"),
    Plant("dandelion", "Taraxacum", (3, 4, 5, 6, 7, 8, 9), "flowers, leaves", True, "not from roadsides or dog meadows"),
    Plant("pansy, nasturtium, marigold, hibiscus", "Viola, Tropaeolum, Calendula, Hibiscus", (5, 6, 7, 8, 9, 10), "flowers",
          True, "own sowing only"),
    Plant("citrus", "Citrus", ALL_YEAR, "leaves of an own unsprayed tree", False, "peel from shops is waxed and treated",
          "UNESP"),
    Plant("copperleaf", "Acalypha", ALL_YEAR, "leaves of an own pot plant", True, "the usual feed of laboratories in Brazil",
          "Machado 2021; UNESP"),
)  # fmt: skip

WINTER_STOCK: tuple[Plant, ...] = (
    Plant("bramble in the snow", "Rubus", (10, 11, 12, 1, 2, 3), "leaves that stayed green", True, "thawed and dried first"),
    Plant("washed leaves in the fridge", "of any above", (9, 10, 11), "in a bag with a drop of water", True,
          "keep 1 to 2 weeks"),
    Plant("leaves frozen flat", "of any above", (6, 7, 8, 9), "thawed, dabbed dry, given at once", False,
          "freezing makes leaf easier to accept; it moulds within a day", "Littledyke 1978"),
    Plant("dried rose petals and leaves", "Rosa", (6, 7, 8, 9), "dried in the shade, unscented", True, "moistened a little"),
    Plant("oat or rice flakes", "Avena, Oryza", (10, 11, 12, 1, 2, 3), "a pinch, dry, in the food chamber", True,
          "a bridge of days, not a diet"),
)  # fmt: skip

REFUSED: tuple[Unfit, ...] = (
    Unfit("old, thick, waxy or hairy leaves", "small workers cannot cut them; waxes deter", "Littledyke 1978"),
    Unfit("plants with milky sap: spurge, fig, oleander", "latex glues jaws; oleander and spurge are poisonous to you too",
          words=("spurge", "euphorbia", "poinsettia", "fig", "ficus")),
    Unfit("strong herbs: thyme, rosemary, lavender, mint, eucalyptus", "terpenoids that deter also harm ants or fungus",
          "Howard 1988", ("thyme", "thymus", "rosemary", "lavender", "lavandula", "mint", "mentha", "eucalyptus")),
    Unfit("taro, elephant's ear", "hardly taken", "Machado 2021", ("taro", "elephant's ear", "colocasia")),
    Unfit("grass", "Atta and most Acromyrmex that are kept cut broad leaves; grass cutters are other species"),
    Unfit("the one plant of the last weeks", "colonies kept on one plant come to refuse it: offer two or three", "UNESP"),
)  # fmt: skip

POISONOUS: tuple[Unfit, ...] = (
    Unfit("sesame", "extracts of its seeds kill workers; its leaves harm the fungus", "UNESP; leaves: Santos 2013",
          ("sesame", "sesamum")),
    Unfit("castor bean", "kills workers and fungus; a few seeds kill a person", "Santos 2013", ("castor", "ricinus")),
    Unfit("jack bean", "its leaves kill the fungus, colonies die over weeks", "Santos 2013", ("jack bean", "canavalia")),
    Unfit("tree of heaven and other Simaroubaceae", "alkaloids kill workers and fungus",
          "Penaflor et al. 2009, BioAssay 4:1, on Simarouba", ("tree of heaven", "ailanthus", "simarouba", "quassia")),
    Unfit("yew, oleander, foxglove, laburnum, rhododendron, cherry laurel",
          "poisonous plants of gardens: nobody tries what they do to ants",
          words=("yew", "taxus", "oleander", "nerium", "foxglove", "digitalis", "laburnum", "rhododendron", "azalea",
                 "cherry laurel", "laurocerasus")),
    Unfit("anything bought, or from a sprayed, salted or busy roadside",
          "presumed treated; ants take some fungicides in and refuse that plant 10 to 48 h later, for weeks",
          "Herz et al. 2008, Behav. Ecol. 19:575"),
)  # fmt: skip

FRESH_LEAF_G_PER_ML_DAY = 0.015
"""Fresh leaf that a garden takes: 0.25 g/ml, three quarters of it water, built anew within about 35 days, half of the leaf lost
on the way, leaf three quarters water. Own estimate, good to a factor of two."""
LEAFLET_G = 0.5
"""A bramble leaflet of 25 cm2, 0.02 g/cm2. Own estimate."""


def leaf_g_per_day(garden_ml: float) -> float:
    """Return how much fresh leaf a garden takes in a day, g; good to a factor of two."""
    return FRESH_LEAF_G_PER_ML_DAY * garden_ml


def unfit(plant: str, rows: Sequence[Unfit]) -> Unfit | None:
    """Return the row that a plant belongs to, as the keeper calls it; whole words count, a fig is no figwort."""
    called = f" {' '.join(plant.casefold().split())} "
    return next((row for row in rows if any(f" {word} " in called for word in row.words)), None)


def leaf_words(garden_ml: float, days: float = 1.0) -> str:
    """Return that amount as a keeper measures it: a piece in cm2, leaflets, or grams."""
    grams = days * leaf_g_per_day(garden_ml)
    if grams < LEAFLET_G:
        return f"about {max(1.0, round(grams / 0.02)):g} cm2 of leaf"
    if grams < 40.0 * LEAFLET_G:
        return f"about {float(f'{grams:.1g}'):g} g, or {max(1, round(grams / LEAFLET_G))} leaflets of bramble"
    return f"about {float(f'{grams:.2g}'):g} g"
