from __future__ import annotations

import pytest

from rules.advice.text import in_keepers_unit


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("down from 27 to 25.5 °C", "down from 80.6 to 77.9 °F"),
        ("It is 29.0 °C and 60 %RH (wanted 24 to 28 °C).", "It is 84.2 °F and 60 %RH (wanted 75.2 to 82.4 °F)."),
        ("down by 1.5 K; lid -0.4 K, ± 0.3 K", "down by 2.7 °F; lid -0.7 °F, ± 0.5 °F"),
        ("Close 2 vents and wait 20 min", "Close 2 vents and wait 20 min"),
    ],
)
def test_every_temperature_of_a_text_is_told_in_fahrenheit_to_who_wants_it(text, told):
    assert in_keepers_unit(text, "degF") == told
    assert in_keepers_unit(text, "degC") == text
