"""What a plan is: what to do, why and what never; one that contradicts itself cannot be made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rules.advice.cause import Cause
from rules.advice.devices import Move
from rules.advice.search import GIVES_WATER, Forecast, Solution
from rules.advice.state import ToldMove
from rules.terms.advised import Action, Reach
from rules.trade.acts import ACTS
from rules.trade.practice import Never


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """An advisory without its life: what to do, why it was chosen and what was searched.

    One that warns of what it advises cannot be made: what only says what comes first is left unsaid (`fitting`), and what its
    cell forbids is never searched (`rules.advice.devices.allowed`).
    """

    branch: str
    cause: Cause | None
    actions: tuple[Action, ...]
    acts: tuple[str, ...]
    moves: tuple[Move, ...] = ()
    solution: Solution | None = None
    never: tuple[Never, ...] = ()
    knobs: Mapping[str, float] | None = None
    notes: tuple[str, ...] = ()
    """Sentences of an emergency that stand in the reason."""
    reaches: tuple[Reach, ...] = ()
    boxes: tuple[str, ...] = ()
    """The chambers that it speaks for, where one cause moves several."""
    limits_harm: bool = False
    """Whether the cause is out of reach of what is at hand."""
    follows: bool = False
    """Whether another chamber of the room tells it for this one too."""
    anew: tuple[str, ...] = ()
    """Those of its acts that no model sizes and that were not asked for within days: the others brought what they bring."""
    wakes: bool = False
    """Whether it cannot wait for the morning, though no alarm says so yet."""

    def __post_init__(self) -> None:
        """Refuse a plan that contradicts itself; raises ValueError."""
        against = [row.text for row in self.never if not row.against.isdisjoint(_does(self.acts, self.moves))]
        if against:
            raise ValueError(f"a plan to {' and '.join(self.acts)} must not say: {' '.join(against)}")

    @property
    def forecasts(self) -> tuple[Forecast, ...]:
        """What is expected of it; empty where nothing was searched."""
        return () if self.solution is None else self.solution.forecasts

    @property
    def waters(self) -> bool:
        """Whether it gives water, by its forecast."""
        return self.solution is not None and self.solution.dries_pct is not None

    @property
    def leaves_it(self) -> bool:
        """Whether it says that nothing is to be done."""
        return all(action.change == "hold" for action in self.actions)

    @property
    def keys(self) -> list[str]:
        """Return what is to be changed, without amounts: what must not flap."""
        return [f"{action.device}:{action.change}" for action in self.actions]

    @property
    def amounts(self) -> list[float]:
        """Return by how much, for each of them, 0 where it has no amount; of a plug to be put in its setting."""
        if self.branch in ("plug-in", "plug-back"):
            return [move.value or 0.0 for move in self.moves]
        return [action.amount or 0.0 for action in self.actions]


def _does(acts: Sequence[str], moves: Sequence[Move]) -> frozenset[str]:
    """Return all that a keeper would call doing this (`device:change`)."""
    return frozenset({f"{ACTS[act].device}:{ACTS[act].change}" for act in acts}.union(*(move.does for move in moves)))


def fitting(rows: Sequence[Never], acts: Sequence[str], moves: Sequence[Move] = ()) -> tuple[Never, ...]:
    """Return the warnings that can be said beside these acts."""
    does = _does(acts, moves)
    return tuple(row for row in rows if row.against.isdisjoint(does))


def judged_by(acts: Sequence[str], moves: Sequence[Move | ToldMove], forecasts: Sequence[object]) -> set[str]:
    """Return the knobs after whose time the effect is looked at: what water does beside a first step of which no figure was
    predicted shows later."""
    return {move.knob for move in moves if forecasts or move.act in acts[:1] or move.act not in GIVES_WATER}


def action_of(act: str, text: str | None = None) -> Action:
    """Return an act that has no amount, in words of its own or in these."""
    row = ACTS[act]
    return Action(row.device, row.change, None, None, text or row.text)


def sized(move: Move) -> Action:
    """Return a change of a device by its amount."""
    row = ACTS[move.act]
    return Action(row.device, row.change, round(move.amount, 2), move.unit, move.text)


def single(branch: str, cause: Cause, move: Move, never: str, against: frozenset[str] = frozenset()) -> Plan:
    """Return a plan of one change by its amount, with one warning."""
    return Plan(
        branch=branch, cause=cause, actions=(sized(move),), acts=(move.act,), moves=(move,), never=(Never(never, against),)
    )


def plain(branch: str, cause: Cause | None, acts: tuple[str, ...], never: Never, *notes: str) -> Plan:
    """Return a plan without amounts, with one warning."""
    actions = tuple(action_of(act) for act in acts)
    return Plan(branch=branch, cause=cause, actions=actions, acts=acts, never=(never,), notes=notes)
