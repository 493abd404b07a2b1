"""What leaves the rules, as others read it."""

from __future__ import annotations

from dataclasses import replace

from rules.terms.events import AdviceEvent, event_of


def test_a_later_wording_of_advice_is_named_as_done_calls_it_and_read_back_as_it_was() -> None:
    """Who answered with what was handed over was booked for the first wording, or refused."""
    given = AdviceEvent(
        id="a", at_ms=0, chamber="nest", advisory="nest-3", status="given", device="heater", change="stop", amount=None,
        unit=None, reason="hot",
    )  # fmt: skip
    again = replace(given, id="b", status="updated", revision=12)
    assert [event.as_json()["advisory"] for event in (given, again)] == ["nest-3", "nest-3.12"]
    assert [event_of(event.as_json()) for event in (given, again)] == [given, again]
