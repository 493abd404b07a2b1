"""What an alarm asks for that the decision table does not answer: one row each, with its reason, and none left out."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace

from rules.advice.cause import Cause
from rules.advice.emergency import MOST_ACTIONS
from rules.advice.planned import action_of
from rules.terms.advised import Action
from rules.trade import practice
from rules.trade.alarm_kinds import ALARMS
from rules.trade.practice import Never

Asked = Callable[[str], bool]
"""Whether an act was asked for lately."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Branch:
    """The answer to one alarm: `acts` are none where it is passed over."""

    acts: Callable[[Cause, Asked], tuple[str, ...]]
    never: Never
    reason: str


def _swapped(_cause: Cause, asked: Asked) -> tuple[str, ...]:
    """Ask for a look, then for a proof; only what was proved and reads so all the same is advised on."""
    return next(((act,) for act in ("check-swap", "prove-swap") if not asked(act)), ())


def _lid_open(cause: Cause, _asked: Asked) -> tuple[str, ...]:
    return ("check-lid", "warm-now") if "lethal-cold" in cause.facts else ("check-lid",)


def _moisture_lost(cause: Cause, _asked: Asked) -> tuple[str, ...]:
    return () if "lethal-cold" in cause.facts else ("check-lid",)


BRANCHES: dict[str, Branch] = {
    "probes-swapped": Branch(
        acts=_swapped, never=Never("Change nothing at heat, water or vents on figures that may be the room's."),
        reason="A heated box with wet ground is no colder and no drier than the room that it stands in, but for an hour its"
        " probe has said so.",
    ),
    "lid-open": Branch(
        acts=_lid_open, never=Never("Do not mist or heat against an open lid.", practice.MIST | practice.HEAT),
        reason="The humidity fell within minutes while the temperature hardly changed: that is what an open lid looks like.",
    ),
    "moisture-lost": Branch(
        acts=_moisture_lost, never=replace(practice.LOOK_FIRST, when=()),
        reason="There is less water in its air than in any hour of the last days, though it is as warm and the room's air does"
        " not explain it: that is what a lid looks like that is ajar or slowly opens, or a vent or tube that nobody shut.",
    ),
    "mister-stuck": Branch(
        acts=lambda _cause, _asked: ("stop-water", "check-lid"), never=Never("No mains plug with wet hands."),
        reason="The air is near saturation and its water still rises: water keeps coming.",
    ),
}  # fmt: skip
"""Of several that stand the first one is answered."""
LOOKS = ("lid-open", "moisture-lost")
"""They ask for a look at the lid, and for nothing else that could wait, until the keeper has looked."""
BY_CAUSE = frozenset({
    "temperature-high", "temperature-low", "humidity-low", "humidity-high", "damp", "lid-dew", "lid-drip-tonight",
    "heater-runaway", "heater-failed",
})  # fmt: skip
"""What emergencies and decision table answer, by what it means for the cause (`rules.advice.cause`)."""


def unpaired(answered: Iterable[str]) -> list[str]:
    """Return the alarms whose row says that advice answers them and that nothing here does, or the other way round."""
    return sorted(set(answered) ^ (BRANCHES.keys() | BY_CAUSE))


if wrong := unpaired(alarm for alarm, kind in ALARMS.items() if kind.answered == "climate"):
    both = 'answered="climate" in ALARMS needs a row of BRANCHES or a name in BY_CAUSE, not both'
    raise LookupError(f"{both}: {', '.join(wrong)}")


def own_branch(active: Collection[str], cause: Cause, asked: Asked) -> tuple[str, tuple[str, ...], Never] | None:
    """Return the alarm that has a branch of its own, what to do and what never; None: there is none."""
    for alarm, branch in BRANCHES.items():
        if alarm in active and (acts := branch.acts(cause, asked)):
            return alarm, acts, branch.never
    return None


def with_look(acts: Sequence[str], actions: Sequence[Action]) -> list[tuple[str, Action]]:
    """Return the steps of what comes before the lid, with the look at it as the second one, in place of any water."""
    steps = zip(acts, actions, strict=True)
    dry = [(act, row) for act, row in steps if f"{row.device}:{row.change}" not in practice.WATER and act != "check-lid"]
    return [*dry[:1], ("check-lid", action_of("check-lid")), *dry[1:]][: MOST_ACTIONS + 1]
