"""Properties of the advice over random states: what must never be said, whatever the figures."""

from __future__ import annotations

from dataclasses import replace

from advice_scenes import alarms, devices, settings_of, situation
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from rules.advice.advisory import AdviceState, consider
from rules.advice.cause import humidity_floor_pct
from rules.advice.done import Begun, done, told_as
from rules.advice.standing import Standing
from rules.climate.situation import Situation
from rules.settings import Chamber, Devices, Garden, Heater, Mister, Vents
from rules.terms.events import AdviceEvent
from rules.trade.practice import VERY_HOT_C

STATE = TypeAdapter(AdviceState)
MANY = settings(max_examples=120, deadline=None, derandomize=True)
temperatures = st.floats(16.0, 36.0)
humidities = st.floats(30.0, 99.0)
rooms = st.tuples(st.floats(10.0, 31.0), st.floats(20.0, 90.0))
slopes = st.floats(-4.0, 4.0)
chambers = st.builds(
    lambda setpoint, vents, fan, mist, heater, mount, thermostat, volume, foam, role: Chamber(
        devices=devices(
            setpoint_c=setpoint, vents=Vents(count=3, open=vents), fan=fan, mister=mist and Mister(ml_per_day=mist,
                max_ml_per_day=20.0),
            heater=Heater(setpoint_c=setpoint if thermostat else None, mount=mount, thermostat=thermostat) if heater else None,
            can_insulate_lid=foam,
        ),
        garden=Garden(volume_ml=volume), role=role,
    ),
    st.none() | st.floats(20.0, 30.0), st.integers(0, 3), st.none() | st.builds(lambda m: {"minutes_per_hour": m},
        st.floats(0.0, 20.0)),
    st.none() | st.floats(0.1, 15.0), st.booleans(), st.sampled_from(["side", "below"]), st.booleans(), st.floats(5.0, 9000.0),
    st.booleans(), st.sampled_from(["fungus", "fungus", "food", "waste"]),
)


def event_of(now: Situation, chamber: Chamber, *names: str) -> AdviceEvent | None:
    _, events = consider(settings_of(chamber), "north", AdviceState(), now, alarms(now, chamber, *names), "test")
    return events[0] if events else None


def changes(event: AdviceEvent | None) -> set[str]:
    return set() if event is None else {f"{action.device} {action.change}" for action in event.actions}


def scene(t, rh, room, slope=0.0, **changed):
    return situation(t, rh, room[0], room[1], temperature_slope_k_h=slope, garden_ml=None, **changed)


@MANY
@given(temperatures, humidities, rooms, slopes, chambers)
def test_a_message_is_short_and_changes_no_device_twice(t, rh, room, slope, chamber):
    event = event_of(scene(t, rh, room, slope), chamber)
    if event is not None:
        names = [action.device for action in event.actions]
        turned = [action.device for action in event.actions if action.change != "check"]  # foam lies on what is looked at
        felt = t > VERY_HOT_C and f"{event.actions[-1].device} {event.actions[-1].change}" == "heater check"
        assert 1 <= len(names) <= 2 + felt and len(set(turned)) == len(turned)  # a hand on the mat goes beside two that cool
        assert event.headline and event.reason and event.look_again_s > 0
        assert (event.device, event.change, event.amount) == (
            event.actions[0].device, event.actions[0].change, event.actions[0].amount,
        )


@MANY
@given(temperatures, humidities, rooms, slopes, chambers)
def test_no_message_pulls_the_humidity_both_ways(t, rh, room, slope, chamber):
    found = changes(event_of(scene(t, rh, room, slope), chamber))
    damper = {"water more", "mister more", "vent close", "fan less"} & found
    drier = {"water less", "mister less", "vent open", "fan more"} & found
    assert not (damper and drier)


@MANY
@given(temperatures, humidities, rooms, chambers)
def test_more_heat_is_never_advised_above_the_aim_nor_less_below_the_band(t, rh, room, chamber):
    found = changes(event_of(scene(t, rh, room), chamber))
    if t >= 25.5:
        assert "heater more" not in found
    if t < 24.0:
        assert not {"heater less", "heater stop"} & found


@MANY
@given(temperatures, st.floats(0.0, 10.0), humidities, rooms, chambers)
def test_a_hotter_chamber_never_gets_more_heat_where_the_cooler_one_gets_less(t, hotter, rh, room, chamber):
    cool, hot = changes(event_of(scene(t, rh, room), chamber)), changes(event_of(scene(t + hotter, rh, room), chamber))
    if {"heater less", "heater stop"} & cool:
        assert "heater more" not in hot


@MANY
@given(st.floats(16.0, 28.0), humidities, rooms, chambers)
def test_nothing_is_aired_to_dry_it_where_the_rooms_air_cannot_dry_and_no_fan_runs_in_a_dry_winter_room(t, rh, room, chamber):
    now = scene(t, rh, room)
    found, floor = changes(event_of(now, chamber)), humidity_floor_pct(now)
    if floor > rh - 10.0:
        assert not {"vent open", "fan more"} & found
    if floor < 60.0 and chamber.role == "fungus":  # for waste and leaf dry air is what is wanted
        assert "fan more" not in found
    if t < chamber.temperature.low:
        assert not {"vent open", "fan more"} & found


@MANY
@given(temperatures, humidities, rooms, chambers)
def test_the_garden_is_never_sprayed_and_no_founding_garden_misted(t, rh, room, chamber):
    event = event_of(scene(t, rh, room), chamber)
    for action in () if event is None else event.actions:
        assert "spray" not in action.text.lower()
        if action.device == "mister" and action.change == "more":
            assert "never the garden" in action.text and chamber.garden.volume_ml >= 20.0


@MANY
@given(temperatures, humidities, rooms, chambers)
def test_a_hot_chamber_is_not_covered_and_a_very_hot_one_is_unplugged_first(t, rh, room, chamber):
    event = event_of(scene(t, rh, room), chamber)
    if t > 28.0:
        assert "lid insulate" not in changes(event)
    if t >= 32.0:
        assert event is not None and event.urgency == "wake"
        heater = chamber.devices.heater
        setpoint = heater.setpoint_c if heater is not None else None
        # A thermostat that has long switched off in a room as warm as its set point: unplugging it changes nothing.
        rests = setpoint is not None and room[0] >= setpoint - 0.5 and t - room[0] <= 4.0
        if heater is not None and not rests:
            assert (event.actions[0].device, event.actions[0].change) == ("heater", "stop")


@MANY
@given(st.none() | temperatures, humidities, rooms, chambers, st.booleans())
def test_no_climate_advice_rests_on_a_probe_that_is_not_believed(t, rh, room, chamber, saturated):
    now = situation(t, None if not saturated else rh, room[0], room[1], saturated=saturated,
        lacking=("humidity probe not believed",))
    found = changes(event_of(now, chamber, "probe-fault"))
    assert not found & {"mister more", "mister less", "vent open", "vent close", "fan more", "fan less", "water more",
        "lid insulate"} or (
        t is not None and t >= 32.0
    )
    if t is None:
        assert found <= {"probe check"}


@MANY
@given(temperatures, st.floats(20.0, 69.0), rooms, chambers)
def test_a_dry_food_or_waste_chamber_is_never_watered(t, rh, room, chamber):
    if chamber.role != "fungus":
        assert not changes(event_of(scene(t, rh, room), chamber)) & {"water more", "mister more", "garden close"}


@MANY
@given(temperatures, humidities, rooms, chambers)
def test_devices_that_are_not_there_are_never_advised(t, rh, room, chamber):
    bare = chamber.model_copy(update={"devices": Devices(vents=Vents(count=0), can_insulate_lid=False, wet_granules=False)})
    found = {name.split()[0] for name in changes(event_of(scene(t, rh, room), bare))}
    assert found <= {"probe", "lid", "room", "garden", "water", "vent", "waste", "leaves"}
    assert "water more" not in changes(event_of(scene(t, rh, room), bare))


@MANY
@given(st.lists(st.tuples(temperatures, humidities, rooms, st.booleans()), min_size=2, max_size=8), chambers)
def test_one_advisory_is_open_at_a_time_and_ids_never_repeat_nor_depend_on_a_restart(steps, chamber):
    straight = restarted = AdviceState()
    settings, ids, open_ones, told = settings_of(chamber), [], set(), []
    for hour, (t, rh, room, obeys) in enumerate(steps):
        now = replace(scene(t, rh, room, at_ms=1_770_000_000_000 + hour * 3_600_000), changes=tuple(told))
        standing: dict[str, Standing] = alarms(now, chamber)
        straight, events = consider(settings, "north", straight, now, standing, "test")
        restarted, same = consider(settings, "north", STATE.validate_json(STATE.dump_json(restarted)), now, standing, "test")
        assert events == same and STATE.dump_json(straight) == STATE.dump_json(restarted)
        ids += [event.id for event in events]
        open_ones |= {event.advisory for event in events if event.status == "given"}
        open_ones -= {event.advisory for event in events if event.status in ("resolved", "withdrawn", "verified")}
        assert len(open_ones) <= 1
        if obeys and straight.open is not None and straight.open.done_ms is None:
            straight, changes = done(straight, straight.open, None, Begun(now.at_ms))
            restarted, same_changes = done(restarted, told_as(restarted, straight.open.name), None, Begun(now.at_ms))
            assert changes == same_changes
            told += changes
    assert len(set(ids)) == len(ids)
