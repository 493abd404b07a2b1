"""Water on the lid and water in the air: looked at before it is dried, wiped where it hangs, and what was opened is closed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from advice_scenes import NOON_MS, alarms, devices, later, settings_of, situation, standing

from rules.advice.advisory import consider
from rules.advice.done import Begun, begun_at
from rules.advice.done import done as book
from rules.advice.put_back import opened
from rules.advice.state import AdviceState
from rules.advice.verification import noticed_relapse
from rules.advice.worth import held_against
from rules.climate.situation import Situation
from rules.keeper.state import DeviceChange
from rules.settings import Chamber, Heater, Mister, Vents
from rules.terms.events import HOUR_MS, AdviceEvent

DRIES = {"water:less", "vent:open", "fan:more", "mister:less"}
WATERS = {"water:more", "mister:more"}
BARE = Chamber(devices=devices(can_insulate_lid=False))
SHUT = Chamber(devices=devices(mister=None, vents=Vents(count=3, open=0), fan=None))


def told(chamber: Chamber, now: Situation, state: AdviceState | None = None) -> tuple[AdviceState, list[AdviceEvent]]:
    return consider(settings_of(chamber), "north", state or AdviceState(), now, alarms(now, chamber), "test")


def keys(events: list[AdviceEvent]) -> list[str]:
    return [f"{row.device}:{row.change}" for event in events if event.status in ("given", "updated") for row in event.actions]


def test_a_lid_that_is_wet_by_its_description_alone_is_looked_at_before_anything_is_dried():
    """A lid told wrongly was dried for days while nothing hung on it, and the garden with it (foreign simulation)."""
    film = situation(26.0, 84.0, 18.0, 45.0, 0.35, condensate_g_m2=30.0)
    state, events = told(BARE, film)
    assert keys(events) == ["lid:check"] and "inside of the lid" in events[0].headline
    state, _ = book(state, state.open, None, Begun(film.at_ms + HOUR_MS, 26.0))
    _, events = told(BARE, later(film, 13.0), state)
    assert DRIES & set(keys(events)), "asked once and not answered: it is dried as before"
    for known in (replace(film, lid_source="measured"), replace(film, lid_source="learned"), replace(film, lid_seen_wet=True)):
        _, events = told(BARE, known)
        assert DRIES & set(keys(events)) and "lid:check" not in keys(events)


def test_foam_goes_with_the_look_for_it_does_no_harm_on_a_dry_lid():
    _, events = told(Chamber(devices=devices()), situation(26.0, 84.0, 18.0, 45.0, 0.35))
    assert keys(events) == ["lid:insulate", "lid:check"]


@pytest.mark.parametrize(
    ("rose_k", "humidity_pct", "given_h", "first"),
    [(3.0, 98.0, None, "water:check"), (1.0, 98.0, None, ""), (3.0, 92.0, None, ""), (3.0, 98.0, 6.0, "")],
)
@pytest.mark.parametrize(("celsius", "room_c"), [(26.0, 20.0), (28.4, 27.8)])
def test_of_air_that_got_soaked_by_itself_the_ground_is_looked_at_first(celsius, room_c, rose_k, humidity_pct, given_h, first):
    """Half a litre was spilt on the ground: nine letters told of nine devices, and none of the water (attack from outside)."""
    wet = situation(celsius, humidity_pct, room_c, 45.0, vapour_fall_k=-rose_k)
    changes = () if given_h is None else (DeviceChange(wet.at_ms - round(given_h * HOUR_MS), "water", 1.4),)
    _, events = told(SHUT, replace(wet, changes=changes))
    assert (keys(events)[0] == "water:check") is bool(first)


@pytest.mark.parametrize("humidity_pct", [84.0, 93.0])
def test_water_that_hangs_is_wiped_away_with_the_first_step(humidity_pct):
    """Drops of 135 g/m2 hung over a garden for thirty hours beside two steps that dried the air (foreign simulation)."""
    drops = situation(26.0, humidity_pct, 18.0, 45.0, 0.35, lid_seen_wet=True, condensate_g_m2=135.0)
    state, events = told(BARE, drops)
    assert keys(events)[-1] == "lid:wipe" and DRIES & set(keys(events)) and len(events[0].actions) <= 3
    state, _ = book(state, state.open, None, Begun(drops.at_ms + HOUR_MS, 26.0))
    _, events = told(BARE, later(drops, 8.0), state)
    assert "lid:wipe" not in keys(events)  # who has just wiped it is not asked again at once


def test_ground_that_stands_in_water_is_soaked_up_and_more_than_a_third_may_go():
    flooded = situation(26.0, 97.0, 21.0, 80.0, 0.35, lid_seen_wet=True, condensate_g_m2=200.0)
    chamber = Chamber(devices=devices(mister=None, fan=None, vents=Vents(count=1, open=1), can_insulate_lid=False))
    _, events = told(chamber, flooded)
    (soaks,) = [row for row in events[0].actions if row.device == "water"]
    assert soaks.text.startswith("Soak up any water that stands on the ground") and soaks.amount == 70.0


def aired(hours: float, now: Situation, count: float = 2.0) -> Situation:
    """Return a box that has had vents open on advice for so long."""
    return replace(now, changes=(DeviceChange(now.at_ms - round(hours * HOUR_MS), "vents", count, "w"),))


def test_a_box_that_dries_through_a_vent_that_was_opened_on_advice_is_shut_before_it_is_watered():
    """Opened for a wet lid, and watered against the open vent a day later (foreign simulation)."""
    dry = situation(26.0, 62.0, 21.0, 45.0, 0.7)
    _, events = told(SHUT, dry)
    assert keys(events)[0] == "water:more"
    _, events = told(SHUT, aired(30.0, dry))
    assert keys(events)[0] == "vent:close" and events[0].actions[0].amount == 2.0


def test_no_water_goes_beside_what_stays_open():
    harmful = situation(26.0, 40.0, 21.0, 20.0, 0.7)
    _, events = told(SHUT, aired(30.0, harmful, 3.0))
    assert "vent:close" in keys(events)
    closes = next(row for row in events[0].actions if row.device == "vent")
    assert closes.amount == 3.0 or not WATERS & set(keys(events))


def test_what_was_opened_is_closed_once_the_lid_is_dry_and_not_before():
    well = situation(26.0, 77.0, 21.0, 45.0, 0.8)
    assert opened(SHUT, aired(30.0, well).changes) == {"close-vents"} and opened(SHUT, ()) == frozenset()
    _, events = told(SHUT, aired(30.0, well))
    assert keys(events) == ["vent:close"] and events[0].urgency == "digest"
    for not_yet in (
        aired(5.0, well),  # since this morning
        aired(30.0, situation(26.0, 88.0, 21.0, 45.0, 0.95)),  # still damper than it should be
        aired(30.0, replace(well, condensate_g_m2=40.0)),  # its lid has not dried yet
        well,
    ):
        assert told(SHUT, not_yet)[1] == []


def test_what_is_closed_again_is_told_once_and_is_over_when_it_is_done():
    well = aired(30.0, situation(26.0, 77.0, 21.0, 45.0, 0.8))
    state, _ = told(SHUT, well)
    assert state.open is not None and state.open.branch == "close-again"
    state, made = book(state, state.open, 2.0, Begun(well.at_ms + HOUR_MS, 26.0))
    assert opened(SHUT, (*well.changes, *made)) == frozenset()
    for hours in (3.0, 30.0):
        state, events = told(SHUT, later(well, hours, changes=(*well.changes, *made)), state)
        assert keys(events) == []


def test_a_vent_is_not_closed_where_the_lid_would_be_wet_again_behind_it():
    """Its dew point lies close under its lid with the vent open: shut in, the same ground would wet it."""
    near = situation(26.0, 79.0, 21.0, 45.0, 0.45)
    assert near.dew_margin_k is not None and near.dew_margin_k > 0.0
    assert told(SHUT, aired(30.0, near))[1] == []




def test_after_two_waterings_in_vain_another_cause_is_looked_for_before_more_water():
    """Water was doubled and doubled again beside a probe that read too low (attack from outside)."""
    now, state, asked = situation(26.0, 60.0, 21.0, 55.0, 0.8), AdviceState(), []
    for _ in range(4):
        state, events = told(SHUT, now, state)
        asked.append(keys(events))
        assert state.open is not None
        state, _ = book(state, state.open, None, Begun(now.at_ms + HOUR_MS, 26.0, 26.0, 60.0, now.dew_margin_k))
        now = later(now, 14.0)
    assert "water:more" in asked[0] and "water:more" in asked[1]
    assert asked[2] == ["probe:check", "lid:check"] and "water:more" in asked[3]


def test_water_that_helps_is_given_on():
    now, state = situation(26.0, 55.0, 21.0, 30.0, 0.8), AdviceState()
    for pct in (55.0, 61.0, 66.0):
        state, events = told(SHUT, replace(now, relative_humidity_pct=pct), state)
        assert "water:more" in keys(events), pct
        assert state.open is not None
        state, _ = book(state, state.open, None, Begun(now.at_ms + HOUR_MS, 26.0, 26.0, pct, now.dew_margin_k))
        now = later(now, 14.0)
    assert state.water_failures == 0


@pytest.mark.parametrize(
    ("t", "rh", "slope_k_h", "slope_pct_h", "waters"),
    [
        (25.3, 45.0, 0.0, 40.0, False),  # its lid was shut half an hour ago
        (22.3, 69.0, 0.2, 46.0, False),  # and so, with no heat
        (25.3, 69.5, 1.5, 0.0, False),  # power came back: it warms, and the ground gives as much vapour as that takes
        (25.3, 45.0, 0.0, 6.0, True),  # not within the hour
        (25.3, 69.0, -1.0, 4.0, True),  # damper by cooling alone
        (25.3, 45.0, 0.0, 0.0, True),
    ],
)
def test_air_that_climbs_into_its_band_by_itself_needs_no_water(t, rh, slope_k_h, slope_pct_h, waters):
    """Half an hour after its lid was shut a box at 69 %RH, rising by 46 an hour, was watered, and its lid was wet by noon of
    the next day (attack from outside)."""
    chamber = Chamber(devices=devices(mister=Mister(ml_per_press=1.0)))
    now = situation(t, rh, 21.0, 40.0, 0.7, temperature_slope_k_h=slope_k_h, humidity_slope_pct_h=slope_pct_h)
    _, events = consider(settings_of(chamber), "north", AdviceState(), now, alarms(now, chamber, "humidity-low"), "test")
    assert bool(WATERS & set(keys(events))) == waters


@pytest.mark.parametrize(("gave_pct", "grows"), [(2.0, True), (45.0, False)])
def test_the_first_water_is_the_least_and_grows_by_what_it_gave(gave_pct: float, grows: bool):
    """18 ml at once took a tight box of 8 l from 53 to 98 %RH within the hour, and its lid to 91 g/m2 by evening (attack from
    outside)."""
    chamber = Chamber(air_ml=8000.0, devices=devices(mister=None, can_insulate_lid=False))
    dry, state, given = situation(25.5, 50.0, 21.0, 30.0, 0.8), AdviceState(), []
    for hours in (0.0, 13.0):
        now = later(dry, hours)
        state, events = told(chamber, now, state)
        given += [row.amount for event in events if event.status == "given" for row in event.actions if row.device == "water"]
        assert state.open is not None
        state, _ = book(state, state.open, None, Begun(now.at_ms, 25.5, 25.5, 50.0, now.dew_margin_k))
        state = held_against(state, later(now, 1.0, relative_humidity_pct=50.0 + gave_pct))
    assert given[0] == 9.0 and (given[1] > given[0]) is grows


def test_mist_that_was_stopped_for_a_wet_lid_comes_back_before_water():
    sprayed = Chamber(devices=devices(vents=Vents(count=3, open=0), fan=None))
    dry = situation(26.0, 62.0, 21.0, 45.0, 0.7)
    stopped = replace(dry, changes=(DeviceChange(dry.at_ms - 30 * HOUR_MS, "mister", 0.0, "w"),))
    assert opened(sprayed, stopped.changes) == {"mist-more"}
    _, events = told(sprayed, stopped)
    assert keys(events)[0] == "mister:more" and events[0].actions[0].amount == 2.0


def test_no_mist_is_stopped_in_a_hot_box_on_its_dry_side():
    """At 66 %RH and 28.6 degC misting was stopped, and the box was at 50 %RH the next day (foreign simulation)."""
    sprayed = Chamber(
        air_ml=30_000, humidity={"low": 60.0, "high": 90.0}, garden={"volume_ml": 5000.0},
        devices=devices(
            heater=Heater(watts=6.0, thermostat=False), mister=Mister(ml_per_day=9.0), fan=None, vents=Vents(count=6, open=4)
        ),
    )  # fmt: skip
    warm = situation(28.6, 66.0, 24.4, 45.0, 0.7, garden_ml=5000.0, humidity_slope_pct_h=2.0)
    off = replace(warm, changes=(DeviceChange(warm.at_ms - 2 * HOUR_MS, "watts", 0.0, "w"),))
    asked = keys(told(sprayed, off)[1])
    assert asked and "mister:less" not in asked


def test_mist_that_was_stopped_comes_back_once_the_lid_is_dry():
    sprayed = Chamber(devices=devices(vents=Vents(count=3, open=0), fan=None))
    well = situation(26.0, 74.0, 21.0, 45.0, 0.85)
    _, events = told(sprayed, replace(well, changes=(DeviceChange(well.at_ms - 30 * HOUR_MS, "mister", 0.0, "w"),)))
    assert keys(events) == ["mister:more"] and events[0].never == ("Never spray the garden.",)


def test_the_mist_of_a_moment_is_not_aired_away_while_it_is_told_of_dry_air():
    """"Open 1 vent" stood in a letter about air of 58 %RH: it was misted a quarter of an hour before (attack from outside)."""
    damp = Chamber(devices=devices(can_insulate_lid=False, wet_granules=False))
    misted = situation(25.5, 94.0, 22.0, 45.0, 0.9, humidity_slope_pct_h=0.0)
    assert DRIES & set(keys(told(damp, misted)[1]))
    dry = {"humidity-low": standing("humidity-low")}
    assert consider(settings_of(damp), "north", AdviceState(), misted, dry, "test")[1] == []


@pytest.mark.parametrize(
    ("rh", "level", "names", "waters"),
    [
        (45.0, "harmful", (), True),
        (62.0, "outside", (), False),  # the cold is mended first
        (45.0, "harmful", ("moisture-lost",), False),  # it would go out of a lid that may stand ajar
    ],
)
def test_a_box_both_cold_and_harmfully_dry_is_told_of_both(rh: float, level: str, names: tuple[str, ...], waters: bool):
    """For 22 h a box at 19 degC and 45 %RH was told of its heat and its room, and of no water (attack from outside)."""
    chamber = Chamber(devices=devices())
    now = situation(19.0, rh, 19.5, 50.0, temperature_slope_k_h=-0.2)
    stands = alarms(now, chamber, "heater-failed", *names)
    stands |= {"humidity-low": standing("humidity-low", level=level)}
    state, events = consider(settings_of(chamber), "north", AdviceState(), now, stands, "test")
    asked = [f"{action.device}:{action.change}" for action in events[0].actions]
    first = ["heater:check", *(["lid:check"] if names else []), "room:more"]
    assert asked[: len(first)] == first
    assert ({"water:more", "mister:more"} & set(asked) != set()) is (waters and "vent:close" not in asked)
    assert state.open is not None
    # What was done against the cold is looked at again as soon as ever: the water shows in its own time.
    state, _ = book(state, state.open, None, begun_at(NOON_MS, 19.0, now))
    assert state.open is not None and state.open.look_again_ms - NOON_MS <= HOUR_MS
    state, _ = consider(settings_of(chamber), "north", state, later(now, 1.1), stands, "test")
    assert state.water_failures == 0


@pytest.mark.parametrize(("now_pct", "after_h", "asks"), [(45.0, 1.9, False), (45.5, 2.1, True), (51.0, 2.1, False)])
def test_air_that_wakes_and_no_water_moves_is_answered_before_half_a_day_is_over(now_pct: float, after_h: float, asks: bool):
    """Lid looked at, granules wetted, 45 %RH all the same: two letters in the next ten hours had no step (attack from
    outside)."""
    chamber = Chamber(devices=devices())
    dry = situation(25.5, 45.0, 20.0, 50.0)
    stands = {"humidity-low": standing("humidity-low", level="harmful", priority="wake", since_ms=NOON_MS - 9 * HOUR_MS)}
    state, events = consider(settings_of(chamber), "north", AdviceState(), dry, stands, "test")
    assert any(action.device == "water" for action in events[0].actions)
    assert state.open is not None
    state, changes = book(state, state.open, None, begun_at(NOON_MS, 25.5, dry))
    now = later(dry, after_h, relative_humidity_pct=now_pct, changes=tuple(changes))
    _, events = consider(settings_of(chamber), "north", state, now, stands, "test")
    assert any(event.status == "given" and event.actions for event in events) is asks


def dosed(*hours_before: float) -> tuple[DeviceChange, ...]:
    """Return the mist that was told so many hours before noon, each time more than before."""
    rows = enumerate(hours_before)
    return tuple(DeviceChange(NOON_MS - round(back * HOUR_MS), "mister", 9.0 + turn, f"w{turn}") for turn, back in rows)


def relapsed(*dry_since_h: float, doses: tuple[DeviceChange, ...]) -> AdviceState:
    """Return the state after it was found dry since each of these hours before noon."""
    state = AdviceState()
    for hours in dry_since_h:
        at_ms = NOON_MS - round(hours * HOUR_MS)
        now = replace(situation(26.0, 72.0, 20.0, 45.0), at_ms=at_ms, changes=tuple(one for one in doses if one.at_ms <= at_ms))
        dry = standing("humidity-low", since_ms=at_ms)
        state = noticed_relapse(MISTED, state, now, {"humidity-low": dry})
    return state


MISTED = Chamber(devices=devices(fan=None, vents=Vents(count=0, open=0), can_insulate_lid=False))


def test_what_is_right_after_each_dose_and_dry_again_within_the_day_is_looked_into_before_the_third():
    """Mist stepped up four times in 38 hours to 91 %RH, by a probe that crept downwards (attack from outside)."""
    doses = dosed(30.0, 15.0)
    dry = situation(26.0, 66.0, 20.0, 45.0, changes=doses)
    _, events = told(MISTED, dry, relapsed(18.0, 1.0, doses=doses))
    assert keys(events)[0] == "probe:check" and not WATERS & set(keys(events)) and "Look inside" in events[0].headline
    _, events = told(MISTED, dry, relapsed(1.0, doses=doses))  # one dose that did not last is no habit
    assert WATERS & set(keys(events)) and "probe:check" not in keys(events)


def test_a_dose_that_never_made_it_right_or_held_for_more_than_a_day_is_no_relapse():
    dose = dosed(30.0)
    assert relapsed(31.0, doses=dose).relapsed_ms == []  # dry since before it was given
    assert relapsed(5.0, doses=dose).relapsed_ms == []
    assert relapsed(7.0, 6.5, doses=dose).relapsed_ms == [NOON_MS - 30 * HOUR_MS]  # of one dose it counts once
