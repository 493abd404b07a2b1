"""The states that a broker keeps: those of chambers are told past the store, which has all of them with each snapshot.

Each would cost the disk a page a minute, and a start tells them anew in any case, from the state that it goes on from. What
the store must know at once is a new topic: when its chamber leaves the config, the broker is to forget it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from adapters.outlets.outlet import Owed

_Key = tuple[str, str]


class KeptStates:
    """The newest state of each topic of each outlet."""

    def __init__(self) -> None:
        self.newest: dict[_Key, Owed] = {}
        """What was told; replaced and never changed, so that any thread may read it."""
        self._unstored: dict[_Key, Owed] = {}

    def to_store(self, owed: Sequence[Owed], snapshot: bool) -> list[Owed]:
        """Return what of all that is `owed` must stand in the store now."""
        if snapshot:
            return [*self._unstored.values(), *owed]
        return [each for each in owed if each.kind != "state" or _key(each) not in self.newest]

    def told(self, owed: Sequence[Owed], snapshot: bool) -> Collection[Owed]:
        """Note that what was owed is recorded and goes out now; return the states among it."""
        states = {_key(each): each for each in owed if each.retained}
        self.newest = self.newest | states
        late = {key: each for key, each in states.items() if each.kind == "state"}
        self._unstored = {} if snapshot else self._unstored | late
        return states.values()

    def keep_outlets(self, names: Collection[str]) -> None:
        """Forget what was told to others."""
        self.newest = {key: each for key, each in self.newest.items() if each.outlet in names}
        self._unstored = {key: each for key, each in self._unstored.items() if each.outlet in names}


def _key(owed: Owed) -> _Key:
    return owed.outlet, owed.topic
