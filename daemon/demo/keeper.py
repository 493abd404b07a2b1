"""The invented keeper: hears the advice, does what can be done on the simulated shelf, and says that it is done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from adapters.simulated_shelf import ROOM, Shelf
from rules.terms.advised import Action
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent

_REACTS_AFTER_MS = 20 * MINUTE_MS
_SAYS_AFTER_MS = 10 * MINUTE_MS
_WAKES_H, _SLEEPS_H = 7.0, 23.0
_VENTS = ("", "one vent open", "vents open")
"""What goes on with none, one and both of the vents open."""


def _of_one(name: str, other: str) -> bool:
    """Return whether two names are of one advisory in several wordings."""
    return name.partition(".")[0] == other.partition(".")[0]


@dataclass(frozen=True, slots=True)
class Deed:
    """What the keeper did and of which advisory it is the answer."""

    advisory: str
    chamber: str
    text: str


@dataclass(frozen=True, slots=True)
class _Heard:
    event: AdviceEvent
    at_ms: int


class Keeper:
    """Follows the newest advice of each chamber, some time after it came: not asleep unless woken, not out of the house."""

    def __init__(self, shelf: Shelf, start_ms: int, out_h: Sequence[tuple[float, float]] = ()) -> None:
        self._shelf, self._start_ms, self._out_h = shelf, start_ms, out_h
        self._heard: dict[str, _Heard] = {}
        self._answered: set[tuple[str, tuple[str, ...]]] = set()
        self._unsaid: list[tuple[int, str]] = []

    def hear(self, event: AdviceEvent, at_ms: int) -> None:
        """Take in an advice event."""
        chamber = event.chamber or ""
        if event.status in ("given", "updated", "reminded"):
            before = self._heard.get(chamber)
            self._unsaid = [  # a newer letter on the same is read before anything is typed
                (due_ms, name) for due_ms, name in self._unsaid if name == event.name or not _of_one(name, event.name)
            ]
            same = before is not None and before.event.actions == event.actions
            self._heard[chamber] = _Heard(event, before.at_ms if before is not None and same else at_ms)
        else:
            self._heard.pop(chamber, None)

    def act(self, now_ms: int) -> list[Deed]:
        """Do what was advised long enough ago and return it."""
        deeds = []
        for chamber, heard in list(self._heard.items()):
            if now_ms - heard.at_ms < _REACTS_AFTER_MS or not self._is_there(now_ms, heard.event.urgency):
                continue
            del self._heard[chamber]
            key = heard.event.name, tuple(action.text for action in heard.event.actions)
            if key in self._answered:
                continue
            self._answered.add(key)
            done = [text for action in heard.event.actions if (text := self._do(chamber, action))]
            if done:
                deeds.append(Deed(heard.event.name, chamber, ", ".join(done)))
                self._unsaid.append((now_ms + _SAYS_AFTER_MS, heard.event.name))
        return deeds

    def say(self, now_ms: int) -> list[str]:
        """Return the advisories that the keeper now tells to be done: not before the ladder is put away."""
        said = [advisory for due_ms, advisory in self._unsaid if due_ms <= now_ms]
        self._unsaid = [(due_ms, advisory) for due_ms, advisory in self._unsaid if due_ms > now_ms]
        return list(dict.fromkeys(said))

    def _is_there(self, now_ms: int, urgency: str) -> bool:
        hour = (now_ms - self._start_ms) / HOUR_MS
        if any(begin <= hour < end for begin, end in self._out_h):
            return False
        return urgency == "wake" or _WAKES_H <= hour % 24.0 < _SLEEPS_H

    def _do(self, chamber: str, action: Action) -> str:
        """Do one thing and return it in words; empty: it cannot be done here."""
        known = {
            ("vent", "open"): self._open, ("vent", "close"): self._close, ("heater", "check"): self._mend_heater,
            ("heater", "stop"): self._unplug, ("heater", "more"): self._plug_in, ("heater", "less"): self._turn_down,
            ("probe", "check"): self._mend_probe, ("lid", "wipe"): self._wipe, ("room", "more"): self._shut_window,
            ("room", "move"): self._carry,
            ("water", "more"): self._water, ("water", "less"): self._water_less,
        }  # fmt: skip
        deed = known.get((action.device, action.change))
        return deed(chamber, action) if deed else ""

    def _open(self, chamber: str, action: Action) -> str:
        count = 2 if action.amount is None else round(action.amount)
        return self._vents(chamber, count, ("", "opens a vent", "opens both vents"))

    def _close(self, chamber: str, action: Action) -> str:
        count = 2 if action.amount is None else round(action.amount)
        return self._vents(chamber, -count, ("", "closes a vent", "closes both vents"))

    def _vents(self, chamber: str, more: int, said: tuple[str, ...]) -> str:
        """Let so many more of the two vents be open, and return what is seen of it."""
        before = next((number for number, what in enumerate(_VENTS) if what and self._shelf.is_going(what, chamber)), 0)
        after = min(max(before + more, 0), 2)
        for number, what in enumerate(_VENTS):
            if what:
                (self._shelf.begin if number == after else self._shelf.end)(what, chamber)
        return said[abs(after - before)]

    def _mend_heater(self, chamber: str, _: Action) -> str:
        for what in ("heater fails", "heater unplugged", "in a cool room"):
            self._shelf.end(what, chamber)
        return "finds the heat mat's plug loose and pushes it in"

    def _unplug(self, chamber: str, _: Action) -> str:
        self._shelf.end("thermostat sticks", chamber)
        self._shelf.begin("heater unplugged", chamber)
        return "unplugs the heater"

    def _carry(self, chamber: str, _: Action) -> str:
        self._shelf.begin("in a cool room", chamber)
        return "carries the box to a cool room"

    def _plug_in(self, chamber: str, action: Action) -> str:
        if "lug the heater in" not in action.text:
            return self._turn(chamber, action, 1.0)
        if not self._shelf.is_going("heater unplugged", chamber):
            return ""
        for what in ("heater unplugged", "in a cool room"):
            self._shelf.end(what, chamber)
        return "carries it back, finds the thermostat's relay stuck, puts in another one and plugs the heater in"

    def _turn_down(self, chamber: str, action: Action) -> str:
        return self._turn(chamber, action, -1.0)

    def _turn(self, chamber: str, action: Action, sign: float) -> str:
        if action.unit != "K" or not action.amount:
            return ""
        one = self._shelf.chambers[chamber]
        one.box = replace(one.box, setpoint_c=one.box.setpoint_c + sign * action.amount)
        return f"sets the thermostat to {one.box.setpoint_c:.1f} °C"

    def _mend_probe(self, chamber: str, _: Action) -> str:
        self._shelf.end("probe freezes", f"{chamber.partition('-')[0]}-air")
        return "unplugs the probe and plugs it in again"

    def _wipe(self, chamber: str, _: Action) -> str:
        self._shelf.begin("lid wiped", chamber)
        self._shelf.step()
        self._shelf.end("lid wiped", chamber)
        return "wipes the lid"

    def _shut_window(self, _: str, action: Action) -> str:
        if "arm the room" not in action.text:
            return ""
        self._shelf.end("open window", ROOM)
        return "shuts the window"

    def _water(self, chamber: str, _: Action) -> str:
        one = self._shelf.chambers[chamber]
        one.substrate_g = one.box.substrate_g
        return "wets the clay granules"

    def _water_less(self, chamber: str, _: Action) -> str:
        one = self._shelf.chambers[chamber]
        one.substrate_g = min(one.substrate_g, 0.67 * one.box.substrate_g)
        return "takes out a third of the wet granules"
