"""What an alarm can hide or show is looked for near it alone; the whole record says the same, on lively streams."""

from __future__ import annotations

from collections import ChainMap

import pytest
from lively_streams import difference, lively_stream, told

from rules.alarms import life
from rules.turn.advance import dump_state


@pytest.mark.parametrize("seed", range(40, 43))
def test_what_is_looked_for_near_an_alarm_alone_misses_nothing(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    phases = lively_stream(seed)
    near_events, near_state = told(phases, None)
    monkeypatch.setattr(life, "near", lambda _settings, by_chamber, _record: dict(ChainMap(*by_chamber.values())))
    all_events, all_state = told(phases, None)
    assert difference(near_events, all_events) == ""
    assert dump_state(near_state) == dump_state(all_state)
