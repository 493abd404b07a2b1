"""What a mat's own probe proves of its day, on a box of three heat stores that is not the program's model."""

from __future__ import annotations

from heated_box import HeatedBox, advanced, always, chamber, settings_of

from adapters.wording.figures import Style
from adapters.wording.mat import mat_day_told
from rules.climate.situation import MatDay
from rules.physics.mat_ends import MatEnds, mat_ends
from rules.settings import Room
from rules.turn.present import advised_on

HOURS = 30.0


def day_of(box: HeatedBox) -> tuple[MatDay | None, MatEnds]:
    settings = settings_of(chamber(), mat_probe=True)
    done = advanced(settings, box.minutes(HOURS), HOURS)
    situation = advised_on(settings, done.state, "north")
    ends = mat_ends(settings.chambers["north"], Room())
    assert situation is not None and ends is not None
    return situation.mat_day, ends


def told(box: HeatedBox) -> str:
    settings = settings_of(chamber())
    day, ends = day_of(box)
    return "".join(mat_day_told(day, ends, Style("degC", settings.zone)))


def test_a_mat_that_switches_is_told_with_its_share_of_time():
    box = HeatedBox(room_c=always(20.0))
    day, _ = day_of(box)
    assert day is not None and day.heats == "by turns"
    needed = box.loss_w_k * (day.air_c - 20.0) / box.watts  # what the world itself takes
    assert needed < day.share < 2.0 * needed  # at most: it never reaches its full heat
    assert "it switches, on for at most" in told(box)


def test_a_mat_of_many_times_the_need_is_told_to_be_too_strong():
    assert "at least three times the power" in told(HeatedBox(room_c=always(23.5), watts=30.0))


def test_a_dead_mat_gave_no_heat():
    dead = told(HeatedBox(room_c=always(18.0), works=always(0.0)))
    assert dead.startswith("it gave no heat") and "see to plug, breaker and thermostat" in dead


def test_a_mat_that_never_rests_in_a_box_that_stays_cool_is_too_weak():
    weak = told(HeatedBox(room_c=always(16.0), watts=5.0))
    assert weak.startswith("it heated all the time") and "too weak to hold 24 °C in this room" in weak


def test_without_a_probe_on_the_mat_or_a_whole_day_nothing_is_claimed():
    settings = settings_of(chamber())
    plain = advised_on(settings, advanced(settings, HeatedBox().minutes(HOURS), HOURS).state, "north")
    young = settings_of(chamber(), mat_probe=True)
    short = advised_on(young, advanced(young, HeatedBox().minutes(20.0), 20.0).state, "north")
    assert plain is not None and short is not None
    assert plain.mat_day is None and short.mat_day is None
