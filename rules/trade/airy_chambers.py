"""What is done about dampness where no garden grows: food and waste chambers. Heat and cold are the decision table's.

Common practice, no source, where a cell names none.
"""

from __future__ import annotations

from rules.trade.practice import Cell, Never, Step

_NOT_THE_GARDEN = Never("Do not air the fungus chamber for this.")
_MORE_AIR = (Step("open-vents", when=("floor-dries",)), Step("fan-more", when=("floor-dries",)), Step("mist-less"),
    Step("dehumidify-room", when=("floor-wets",)))
AIRY_CELLS: dict[str, Cell] = {
    "waste": Cell(
        19, "ok", "high", False, "damp waste: it rots and moulds; ants carry waste where it is driest",
        (Step("clear-waste"), *_MORE_AIR), (_NOT_THE_GARDEN,),
        "Roemer et al. 2019, Ecol. Entomol. 44:502: waste goes to the driest chamber",
    ),
    "food": Cell(
        20, "ok", "high", False, "wet leaf: it moulds before it is cut", (Step("clear-leaves"), *_MORE_AIR),
        (_NOT_THE_GARDEN,),
    ),
}
