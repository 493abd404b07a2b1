"""Where it is too dry: alarm, sentence of the page, band of the charts and shares of time say the same edge."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from browser import Browser

from adapters.wording.figures import Style
from daemon.report.chamber_chart import small_picture
from daemon.report.chart import Drawing, Line
from daemon.report.curves import Curve
from daemon.report.figures import shares
from daemon.report.looks import STYLE as PAGE_STYLE
from daemon.report.verdict import figures_sentence
from rules.settings import Chamber, Garden, Probe, Settings, Site, Telling
from rules.settings.bands import HumidityBand, TemperatureBand
from rules.terms.events import HOUR_MS, MINUTE_MS, AlarmEvent, Batch
from rules.turn.advance import advance
from rules.turn.present import present

START_MS = 1_764_036_000_000
ZONE = ZoneInfo("Europe/Berlin")
CHAMBER = Chamber(
    title="Nest", garden=Garden(volume_ml=800.0), temperature=TemperatureBand(low=24.0, high=28.0),
    humidity=HumidityBand(low=70.0, high=90.0),
)  # fmt: skip
SETTINGS = Settings(
    site=Site(name="shelf"), zone=ZONE, rooms={}, chambers={"nest": CHAMBER}, probes={"p": Probe(place="nest")},
    telling=Telling(),
)  # fmt: skip
STYLE = Style("degC", ZONE)
# Saturation vapour pressure over water, Pa, of a printed table: 3783 at 28 degC, 4759 at 32 degC. At 28 degC and 70 % the air
# lacks 0.30 x 3783 = 1135 Pa; at 32 degC it lacks as much at 100 (1 - 1135 / 4759) = 76.2 %.
WARM_C, EDGE_PCT = 32.0, 76.2


def lived(air_c: float, damp_pct: float):  # type: ignore[no-untyped-def]
    """Return state and events of an hour in which the air stays so, in steps as fine as a probe's."""
    at_ms = START_MS + np.repeat(np.arange(60), 2) * MINUTE_MS
    value = np.tile([air_c, damp_pct], 60) + np.repeat(np.arange(60) % 3 * 0.02, 2)
    batch = Batch((("p", "air_temperature"), ("p", "relative_humidity")), np.tile([0, 1], 60), at_ms, at_ms, value)
    done = advance(SETTINGS, None, batch, int(at_ms[-1]) + 1)
    return done.state, done.events


def told(air_c: float, damp_pct: float) -> str:
    state, _ = lived(air_c, damp_pct)
    return figures_sentence(SETTINGS, "nest", present(SETTINGS, state)["nest"], STYLE)


def test_the_page_says_the_edge_of_the_alarm_and_why_it_is_not_the_written_one() -> None:
    _, events = lived(WARM_C, 74.0)
    alarm = next(event for event in events if isinstance(event, AlarmEvent) and event.alarm == "humidity-low")
    assert alarm.limit == pytest.approx(EDGE_PCT, abs=0.1)
    assert "74 % humidity, below 76 %, raised from 70 %: warm air dries more" in told(WARM_C, 74.0)
    assert "78 % humidity, in band" in told(WARM_C, 78.0)


def test_at_a_temperature_in_band_the_written_edge_is_told() -> None:
    assert "69 % humidity, below 70 %." in told(26.0, 69.0)
    assert "74 % humidity, in band" in told(26.0, 74.0)


def drawn(air_c: float, width: float = 330.0) -> Drawing:
    at_ms = START_MS + np.arange(48) * HOUR_MS
    heat, damp = (Line(name, at_ms, *[np.full(48, value)] * 3) for name, value in (("temperature", air_c), ("humidity", 74.0)))
    return small_picture(SETTINGS, "nest", heat, damp, START_MS, int(at_ms[-1]), STYLE, width, ())


def pictured(air_c: float) -> list[str]:
    return [part for part in drawn(air_c).parts if "band" in part]


def test_on_a_telephone_no_words_of_the_chart_lie_on_others(tmp_path: Path) -> None:
    """Beside "Relative humidity, %" there was no room for "band 75 to 90, rises with warmth" at 360 px."""
    browser, heights = Browser(tmp_path), []
    for air_c in (26.0, WARM_C):
        drawing, file = drawn(air_c, 266.0), tmp_path / f"{air_c}.html"
        picture = f'<svg width="{drawing.width:g}" height="{drawing.y:g}">{"".join(drawing.parts)}</svg>'
        file.write_text(f"<!DOCTYPE html><meta charset=utf-8><title>-</title><style>{PAGE_STYLE}</style><body>{picture}")
        found = browser.measured(file, 360)
        assert (found["over"], found["out"]) == ([], [])
        heights.append(drawing.y)
    assert heights[1] > heights[0]  # the one that needs it has one line more


def test_the_chart_draws_the_band_as_high_as_it_is_judged() -> None:
    words, bands = ([part for part in pictured(WARM_C) if ('class="band"' in part) == drawn] for drawn in (False, True))
    assert any("band 70 to 90, rises with warmth" in part for part in words)
    assert not any("rises with warmth" in part for part in pictured(26.0))
    assert bands[1] != [part for part in pictured(26.0) if 'class="band"' in part][1]


@pytest.mark.parametrize(("air_c", "below"), [(26.0, 0.0), (WARM_C, 1.0)])
def test_shares_of_time_count_what_the_alarm_counts(air_c: float, below: float) -> None:
    at_ms, nothing = START_MS + np.arange(10) * MINUTE_MS, np.full(10, np.nan)
    heat, damp = np.full(10, air_c), np.full(10, 74.0)
    curve = Curve(
        at_ms, np.full(10, MINUTE_MS), *[heat] * 3, *[damp] * 3, dew_point_c=nothing, lid_c=nothing, condensate_g_m2=nothing,
        room_c=nothing,
    )  # fmt: skip
    assert shares(curve, CHAMBER, ZONE, 10 * MINUTE_MS)["humidity"].below == pytest.approx(below)
