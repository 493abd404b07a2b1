from __future__ import annotations

from dataclasses import replace

import pytest
from advice_scenes import alarms, devices, later, settings_of, situation, standing

from rules.advice.advisory import consider
from rules.advice.cause import humidity_at_target_pct, humidity_floor_pct, reason_of, thermostat_of
from rules.advice.devices import allowed
from rules.advice.done import begun_at, done
from rules.advice.goal import goal_of
from rules.advice.heat import heat_comes_first
from rules.advice.state import AdviceState
from rules.keeper.devices import present_knobs
from rules.settings import Chamber, Garden, Heater, Vents
from rules.settings import Devices as DeviceSettings
from rules.settings.bands import HumidityBand
from rules.terms.events import HOUR_MS
from rules.trade.practice import Step


def reason(now, chamber=None, *names, **more):
    chamber = chamber or Chamber(devices=devices())
    return reason_of(chamber, now, alarms(now, chamber, *names), present_knobs(chamber, ()), **more)


@pytest.mark.parametrize(
    ("t", "rh", "star"),
    [(29.0, 60.0, 74.0), (22.0, 92.0, 75.0), (22.0, 62.0, 50.0), (29.0, 75.0, 92.0)],  # worked examples of the table
)
def test_the_humidity_at_target_temperature_is_that_of_the_worked_examples(t, rh, star):
    assert humidity_at_target_pct(situation(t, rh), 25.5) == pytest.approx(star, abs=1.0)


@pytest.mark.parametrize(
    ("room_c", "room_pct", "t", "floor"), [(21.0, 30.0, 26.0, 22.0), (28.0, 75.0, 26.0, 84.0)]  # worked by hand
)
def test_the_humidity_floor_is_that_of_the_worked_examples(room_c, room_pct, t, floor):
    assert humidity_floor_pct(situation(t, 80.0, room_c, room_pct)) == pytest.approx(floor, abs=0.6)


def test_without_a_room_probe_neither_floor_nor_lid_is_guessed():
    cause = reason(situation(26.0, 80.0, None, None))
    assert cause.humidity_floor_pct is None and not cause.lid_known
    assert not {"floor-dries", "floor-wets"} & cause.facts


def test_a_young_garden_is_aimed_moister_and_the_keepers_own_target_wins():
    young, grown = Chamber(garden=Garden(volume_ml=10.0)), Chamber(garden=Garden(volume_ml=5000.0))
    own = Chamber(humidity=HumidityBand(target=78.0))
    now = situation(26.0, 80.0, garden_ml=None)
    assert [goal_of(chamber, now).humidity_pct for chamber in (young, grown, own)] == [85.0, 80.0, 78.0]


def test_a_dry_waste_or_food_chamber_is_no_fault():
    for role in ("waste", "food"):
        cause = reason(situation(26.0, 45.0), Chamber(role=role, devices=devices()))
        assert cause.humidity == "ok" and cause.cell.number == 9


def test_heat_comes_first_at_32_degrees_and_when_running_away_but_not_for_a_warm_up_however_fast():
    calm = Chamber()

    def first(now, *names):
        return heat_comes_first(now, alarms(now, calm, *names) if names else {}, "unknown", goal_of(calm, now))

    assert first(situation(32.0, 50.0))
    assert not first(situation(28.5, 50.0, temperature_slope_k_h=6.0))
    assert first(situation(28.5, 50.0, temperature_slope_k_h=6.0), "heater-runaway")
    assert first(situation(27.0, 50.0), "heater-runaway")
    assert not first(situation(None, 50.0))


def test_a_lid_once_called_wet_stays_wet_until_its_margin_is_surely_positive():
    doubtful, dry = situation(26.0, 77.0, 20.0, 45.0), situation(26.0, 74.0, 20.0, 45.0)
    assert 0.0 < doubtful.dew_margin_k < 1.0 < dry.dew_margin_k
    assert not reason(doubtful).lid_wet
    assert reason(doubtful, lid_was_wet=True).lid_wet
    assert not reason(dry, lid_was_wet=True).lid_wet


def winter(**more):
    return situation(26.0, 62.0, 21.0, 25.0, **more)


CASES = [
    ("C1", situation(29.0, 60.0, 21.0, 40.0), ()),
    ("C2", situation(22.0, 92.0, 21.0, 60.0), ()),
    ("C3", winter(), ()),
    ("C4", situation(26.0, 93.0, 25.8, 88.0), ()),
    ("C5", situation(26.0, 84.0, 18.0, 40.0), ()),
    ("C6", situation(26.0, 66.0, 17.0, 45.0, room_slope_k_h=-1.0, humidity_slope_pct_h=-2.0), ()),
    ("C8", situation(25.5, 55.0, 21.0, 45.0, humidity_slope_pct_h=-80.0), ("lid-open",)),
    ("C9", situation(22.0, 75.0, 18.0, 45.0, temperature_slope_k_h=-3.0), ("heater-failed",)),
    ("C10", situation(29.5, 70.0, 21.0, 45.0, temperature_slope_k_h=6.0), ("heater-runaway",)),
    ("C11", situation(26.0, 99.0, 21.0, 45.0, saturated=True), ()),
    ("C12", situation(28.8, 75.0, 28.0, 60.0, temperature_slope_k_h=0.8, room_slope_k_h=0.8), ()),
    ("C18", situation(22.0, 80.0, 15.0, 50.0), ()),
]


@pytest.mark.parametrize(("case", "now", "names"), CASES)
def test_each_coupled_case_is_recognised_by_its_pattern(case, now, names):
    chamber = Chamber(devices=devices(setpoint_c=min(now.temperature_c, 27.0)))
    assert reason(now, chamber, *names).case == case


@pytest.mark.parametrize(("pace_k_h", "falls"), [(-3.0, True), (None, True), (0.0, True), (2.8, False)])
def test_a_box_that_warms_again_is_not_said_to_fall_while_the_alarm_of_its_heat_still_stands(pace_k_h, falls):
    """Its hourly probe said 17, 20, 23, 25.5 degC, and foam was laid "because the heat has failed: it falls" (attack from
    outside)."""
    now = situation(25.5, 82.0, 20.0, 50.0, temperature_slope_k_h=pace_k_h)
    assert (reason(now, Chamber(devices=devices(setpoint_c=25.5)), "heater-failed").case == "C9") is falls


def test_a_mat_below_a_wet_box_is_the_pump_of_case_7():
    chamber = Chamber(devices=devices(heater=Heater(mount="below", setpoint_c=26.0)))
    assert reason(situation(26.0, 80.0, 18.0, 45.0), chamber).case == "C7"


def test_mist_that_did_not_last_twice_is_case_13():
    chamber = Chamber(devices=DeviceSettings(vents=Vents(count=2, open=0)))
    assert reason(situation(26.0, 64.0, 21.0, 60.0), chamber, remembered=frozenset({"mist-useless"})).case == "C13"


def test_a_heater_at_its_limit_below_its_set_point_is_case_17():
    chamber = Chamber(devices=devices(setpoint_c=26.0))
    cause = reason(situation(23.0, 77.0, 16.0, 45.0, factor=0.7), chamber)
    assert cause.case == "C17" and "heater-at-limit" in cause.facts


@pytest.mark.parametrize("thermostat", [True, False])
def test_a_mat_without_a_thermostat_is_never_said_to_rest(thermostat):
    """A box at 28.3 degC in a room that became as warm: its 3 W heated on for ten hours while only the room was to be cooled
    (found in a foreign simulation)."""
    heater = Heater(thermostat=True, setpoint_c=25.5) if thermostat else Heater(thermostat=False, watts=3.4)
    chamber = Chamber(devices=devices(heater=heater))
    cause = reason(situation(28.6, 75.0, 28.2, 60.0, temperature_slope_k_h=0.4), chamber)
    assert ("heater-idle" in cause.facts) is thermostat
    step = next(step for step in cause.cell.order if step.act == "heat-down")
    assert allowed(step, cause) is not thermostat
    off = Chamber(devices=devices(heater=Heater(thermostat=False, watts=0.1)))
    knobs = present_knobs(off, ()) | {"watts": 0.0}
    assert thermostat_of(off, situation(28.6, 75.0, 28.2, 60.0), knobs) == "resting"


@pytest.mark.parametrize(("fell_k", "first"), [(None, "water"), (1.0, "water"), (2.5, "lid")])
def test_a_box_that_has_dried_by_itself_is_looked_at_before_it_is_watered(fell_k, first):
    """Lids that opened slowly, vents left open: they were watered five times in three days, in a foreign simulation."""
    chamber = Chamber(devices=devices())
    now = replace(situation(25.5, 65.0, 20.0, 40.0), vapour_fall_k=fell_k)
    _, events = consider(settings_of(chamber), "north", AdviceState(), now, alarms(now, chamber), "test")
    told = [(action.device, action.change) for action in events[0].actions]
    assert told[0][0] == first and ("water", "more") in told


@pytest.mark.parametrize(
    ("looked_h", "since_h", "first"),
    [(7.0, 0.1, "lid"), (7.0, 6.5, "water"), (7.0, 8.0, "water"), (13.0, 8.0, "lid"), (0.5, 0.1, "water")],
)
def test_a_lid_that_was_wiped_before_it_got_dry_is_looked_at_again(looked_h, since_h, first):
    """It was wiped at eight and ajar at three: it was watered for a night, for it had been looked at (foreign simulation)."""
    chamber = Chamber(devices=devices())
    now = replace(situation(25.5, 65.0, 20.0, 40.0), vapour_fall_k=3.0)
    now = replace(now, lid_looked_ms=now.at_ms - round(looked_h * HOUR_MS))
    stands = {key: replace(row, since_ms=now.at_ms - round(since_h * HOUR_MS)) for key, row in alarms(now, chamber).items()}
    _, events = consider(settings_of(chamber), "north", AdviceState(), now, stands, "test")
    assert events[0].actions[0].device == first


@pytest.mark.parametrize(("rise_pct", "first"), [(1.0, "lid"), (4.0, "lid"), (7.0, "water")])
def test_water_that_gave_nothing_is_followed_by_a_look_where_it_goes_and_that_once(rise_pct, first):
    """A lid that opened within 36 hours was watered five times, in a foreign simulation."""
    chamber, state, firsts = Chamber(devices=devices()), AdviceState(), []
    now = situation(25.5, 61.0, 20.0, 40.0)
    for turn in range(3):
        state, events = consider(settings_of(chamber), "north", state, now, alarms(now, chamber), "test")
        firsts.append(next(event for event in events if event.status == "given").actions[0].device)
        assert state.open is not None
        state, changes = done(state, state.open, None, begun_at(now.at_ms + HOUR_MS // 4, 25.5, now))
        rises = rise_pct if turn == 0 else 0.0
        now = later(now, 13.0, changes=(*now.changes, *changes), relative_humidity_pct=61.0 + rises)
    assert firsts[0] == "water" and firsts[1] == first
    assert firsts.count("lid") <= 1


@pytest.mark.parametrize(
    ("now", "room", "source", "foam"),
    [
        (situation(28.2, 62.0, 18.0, 45.0, temperature_slope_k_h=2.5), False, True, False),  # a mat that runs away at night
        (situation(28.2, 62.0, 27.0, 45.0, temperature_slope_k_h=2.5), True, False, False),  # a day that gets hot
        (situation(26.9, 67.0, 18.0, 45.0, temperature_slope_k_h=3.7), False, False, False),  # its thermostat switches on
        (situation(26.9, 67.0, 18.0, 45.0, temperature_slope_k_h=0.3), False, False, True),  # so cold a room heats nothing
        (situation(26.9, 67.0, 25.5, 45.0, temperature_slope_k_h=0.3), True, False, True),
        (situation(24.2, 67.0, 18.0, 45.0, temperature_slope_k_h=3.7), False, False, True),  # it only comes back
    ],
)
def test_a_box_that_rises_far_above_its_room_is_not_cooled_by_the_room_nor_covered_with_foam(now, room, source, foam):
    cause = reason(now, Chamber(devices=devices(can_insulate_lid=True)))

    def held(act, *facts):
        return any(allowed(Step(act, when=facts), cause) for facts in ((fact,) if fact else () for fact in facts or ("",)))

    assert (held("cool-room"), held("find-source", "heats-itself", "rises-alone"), held("insulate-lid")) == (room, source, foam)


@pytest.mark.parametrize(("heater", "humidity_pct", "airs"), [(True, 94.0, True), (True, 85.0, False), (False, 94.0, False)])
def test_without_a_room_probe_a_heated_box_that_is_too_humid_may_be_aired(heater, humidity_pct, airs):
    """Without one a wet lid was wiped for a week and never dried (foreign simulation); a home's air is drier than that."""
    held = devices() if heater else devices(heater=None)
    cause = reason(situation(26.0, humidity_pct, None, None), Chamber(devices=held))
    assert allowed(Step("open-vents", when=("floor-dries",)), cause) == airs


@pytest.mark.parametrize(("felt_h_ago", "slope_k_h", "pulls"), [(1.0, 0.3, True), (0.2, 0.3, False), (1.0, -1.0, False)])
def test_who_has_felt_the_mat_and_it_stays_too_warm_is_told_to_pull_its_plug(felt_h_ago, slope_k_h, pulls):
    """Without a room probe the mat was to be felt five times while it got 31 degC (foreign simulation)."""
    chamber = Chamber(devices=devices())
    now = situation(29.2, 75.0, None, None, temperature_slope_k_h=slope_k_h)
    state = AdviceState(heater_seen_ms=now.at_ms - round(felt_h_ago * HOUR_MS))
    stands = {"temperature-high": standing("temperature-high", since_ms=now.at_ms - 2 * HOUR_MS)}
    _, events = consider(settings_of(chamber), "north", state, now, stands, "test")
    told = {(action.device, action.change) for event in events for action in event.actions}
    assert (("heater", "stop") in told) == pulls


@pytest.mark.parametrize(("lead_k", "suspected"), [(9.0, False), (2.0, True)])
def test_a_mat_that_nothing_switches_is_no_suspect_where_its_box_is_as_far_above_its_room_as_ever(lead_k, suspected):
    """Its keeper was sent to feel the mat, a night and a morning long, while the room fell by 8 K (foreign simulation)."""
    chamber = Chamber(devices=devices(heater=Heater(watts=4.0, thermostat=False)))
    cold = situation(21.5, 85.0, 21.5 - lead_k, 50.0, usual_lead_k=5.0, hourly_trend_k_h=-0.6, temperature_slope_k_h=-0.6)
    facts = reason(cold, chamber).facts
    assert bool(facts & {"heater-suspect", "falls-freely"}) is suspected, facts
