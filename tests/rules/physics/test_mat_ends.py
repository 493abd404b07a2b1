"""Heat mats: the loss of a box against ISO 6946, the ends against the trade's table, and what is safe by itself."""

from __future__ import annotations

from math import exp

import pytest

from rules.physics.mat_ends import LOSS_SPREAD, loss_w_k, mat_ends
from rules.settings import Chamber, Devices, Heater, Lid, Room


def ends(watts: float, room: Room, litres: float = 8.0, **changed):
    heater = Heater(watts=watts, cut_out_c=changed.pop("cut_out_c", None))
    found = mat_ends(Chamber(air_ml=litres * 1000.0, devices=Devices(heater=heater), **changed), room)
    assert found is not None
    return found


def test_a_bare_box_loses_what_iso_6946_gives_for_its_faces():
    # ISO 6946:2017 table 7, still air on both sides: 0.10 up, 0.13 sideways, 0.17 down; 3 mm acrylic 0.18 W/mK (ISO 10456);
    # the floor stands on 10 mm of foam (common practice, no source). A cube of 8 l has faces of 0.04 m2.
    pane = 0.003 / 0.18
    faces = 1 / (0.20 + pane) + 4 / (0.26 + pane) + 1 / (0.34 + pane + 0.010 / 0.035)
    assert loss_w_k(8000.0, Lid()) == pytest.approx(0.04 * faces, rel=0.15)


def test_foam_on_lid_and_walls_saves_what_keepers_tell():
    bare, warm = loss_w_k(8000.0, Lid()), loss_w_k(8000.0, Lid(walls="warm"))
    assert 0.30 < 1 - warm / bare < 0.60  # sides: 30 to 60 % of the power, common practice, no source
    assert 0.05 < 1 - loss_w_k(8000.0, Lid(insulation_mm=10.0)) / bare < 0.20  # the lid is one face of five


@pytest.mark.parametrize(("litres", "need_w"), [(1.5, 1.6), (10.0, 5.5), (60.0, 19.0)])
def test_need_and_ends_follow_the_trades_table(litres, need_w):
    # power for 6 K by size, and 32, 38 and 50 degC for a stuck mat of 2, 3 and 5 times that in a room of 20 degC: a lumped
    # model of the trade's notes, good to a factor of two
    assert 6.0 * loss_w_k(litres * 1000.0, Lid()) == pytest.approx(need_w, rel=0.12)
    for times, end_c in ((2, 32.0), (3, 38.0), (5, 50.0)):
        stuck = ends(times * need_w, Room(coldest_c=20.0, warmest_c=20.0), litres)
        assert stuck.stuck_c == pytest.approx(end_c, abs=0.12 * (end_c - 20.0))


def test_one_size_does_both_only_where_the_room_varies_little():
    # need: loss x (24 - coldest), limit: loss x (30 - warmest): without doubt a span of 6 K is the most, whatever the box
    doubt = exp(-LOSS_SPREAD)
    for litres in (0.8, 8.0, 60.0):
        assert ends(1.0, Room(coldest_c=20.0, warmest_c=24.0), litres).one_size_does_both == (doubt * 6.0 >= 4.0)
        assert not ends(1.0, Room(coldest_c=18.0, warmest_c=25.0), litres).one_size_does_both
        foam = ends(1.0, Room(coldest_c=18.0, warmest_c=25.0), litres, lid=Lid(insulation_mm=20.0, walls="warm"))
        assert not foam.one_size_does_both  # insulation scales both


@pytest.mark.parametrize(("coldest_c", "warmest_c"), [(20.0, 24.0), (21.0, 23.0), (22.0, 25.5), (15.0, 26.0), (25.0, 31.0)])
@pytest.mark.parametrize("litres", [0.8, 2.5, 8.0, 15.0, 60.0])
def test_what_is_proposed_holds_the_band_and_is_safe_wherever_a_size_is(coldest_c, warmest_c, litres):
    room = Room(coldest_c=coldest_c, warmest_c=warmest_c)
    first = ends(1.0, room, litres)
    if first.proposed_w == 0.0:
        assert coldest_c >= 24.0
        return
    taken = ends(first.proposed_w, room, litres)
    assert taken.safe_by_itself == first.one_size_does_both
    assert taken.held_c >= 24.0 - 0.1
    if taken.safe_by_itself:
        assert taken.stuck_span_c[1] <= 30.0 + 1e-6


def test_a_cut_out_guards_only_below_the_harm():
    room = Room()
    assert ends(12.0, room, cut_out_c=30.0).guarded
    assert not ends(12.0, room, cut_out_c=35.0).guarded
    assert not ends(12.0, room).guarded
    assert not ends(12.0, room, cut_out_c=30.0, species_group="highland", genus="Acromyrmex").guarded  # harm from 28 degC


def test_a_chamber_without_heater_has_no_mat_to_speak_of():
    assert mat_ends(Chamber(), Room()) is None


def test_its_own_course_tells_better_than_its_build():
    chamber = Chamber(devices=Devices(heater=Heater(watts=10.0)))
    found = mat_ends(chamber, Room(), lift_k=8.0, spread=0.05)
    assert found is not None
    assert found.loss_w_k == pytest.approx(1.25)
    assert found.stuck_c == pytest.approx(34.0)


def test_a_room_is_told_from_cold_to_warm():
    with pytest.raises(ValueError, match=r"coldest_c = 30 is above warmest_c = 20"):
        Room(coldest_c=30.0, warmest_c=20.0)
