"""What is said of a heat mat: each case once, in both units, and read as a keeper reads it."""

from __future__ import annotations

from datetime import UTC

from adapters.wording.figures import Style
from adapters.wording.mat import mat_doubt, mat_found, mat_means, mat_remedy
from rules.physics.mat_ends import MatEnds

C, F = Style("degC", UTC), Style("degF", UTC)


def ends(watts: float, coldest_c: float, warmest_c: float, cut_out_c: float | None = None) -> MatEnds:
    return MatEnds(watts, 0.75, 0.25, coldest_c, warmest_c, hold_c=24.0, bear_c=30.0, cut_out_c=cut_out_c)


def test_a_mat_that_would_cook_names_the_cut_out_and_no_size_where_none_does_both() -> None:
    cooks = ends(12.0, 18.0, 26.0)
    assert mat_found(cooks, C) == (
        "a mat of 12 W that stays on ends near 42 °C (38 to 47 °C) in a room of 26 °C; dead, the box goes down to its room,"
        " 18 °C at the coldest"
    )
    assert "(100 to 117 °F) in a room of 79 °F" in mat_found(cooks, F)
    assert "cooks the garden: 30 °C harm it" in mat_means(cooks, C)
    assert mat_remedy(cooks, C) == (
        "no size of mat is enough, since 24 °C takes 4.5 W and at most 2.3 W do no harm: fit an independent cut-out set at"
        " 30 °C, which is a second switch in the mat's supply with a probe of its own at the garden's height, wired by licensed"
        " practice"
    )
    assert "set at 86 °F" in mat_remedy(cooks, F)
    assert "to a factor of 1.3" in mat_doubt(cooks)


def test_nobody_is_told_to_try_what_could_burn_the_house_and_no_box_ends_at_110_degrees() -> None:
    """Before: "ends near 110 °C", and "leave the mat on for a day without its thermostat" beside it."""
    fierce, weak = ends(25.0, 18.0, 26.0), ends(3.5, 18.0, 26.0)  # 26 + 25 / 0.75 = 59 °C, to 69; 26 + 3.5 / 0.75 = 31
    assert "ends above 52 °C in a room" in mat_found(fierce, C)
    assert "ends above 60 °C in a room" in mat_found(ends(60.0, 18.0, 26.0), C)
    assert "Do not try it" in mat_doubt(fierce) and "leave the mat on for" not in mat_doubt(fierce)
    assert "leave the mat on for a day" in mat_doubt(weak)


def test_a_mat_that_leaves_its_garden_in_the_cold_is_no_mat_that_is_well() -> None:
    cold = MatEnds(3.0, 0.75, 0.25, 12.0, 24.0, hold_c=24.0, bear_c=30.0, still_c=20.0)  # holds 12 + 3 / 0.75 = 16 °C
    assert mat_remedy(cold, C) == (
        "it takes 9.0 W to hold 24 °C in the coldest room: wrap its sides first, or a stronger mat with an independent"
        " cut-out set at 30 °C"
    )
    held = MatEnds(6.5, 0.75, 0.25, 12.0, 24.0, hold_c=24.0, bear_c=30.0, cut_out_c=30.0, still_c=20.0)  # 20.7 °C
    assert mat_remedy(held, C) == ""


def test_where_a_size_does_both_it_is_told_first() -> None:
    told = mat_remedy(ends(12.0, 20.0, 24.0), C)
    assert told.startswith("use a mat of 3.0 to 3.5 W: it holds 24 °C and does no harm by itself; or fit an independent")


def test_a_room_that_is_too_warm_by_itself_is_told() -> None:
    assert "in the warmest room any mat does harm" in mat_remedy(ends(4.5, 18.0, 31.0), C)


def test_a_guarded_and_a_safe_mat_have_nothing_to_do_but_a_weak_one_says_so() -> None:
    guarded, safe, weak = ends(12.0, 18.0, 26.0, 30.0), ends(3.2, 20.0, 24.0), ends(2.0, 18.0, 26.0)
    assert [mat_remedy(one, C) for one in (guarded, safe, weak)] == ["", "", ""]
    assert mat_means(guarded, C) == "its cut-out at 30 °C must end that: try it once a month"
    assert mat_means(safe, C) == "left on it does no harm by itself"
    assert mat_means(weak, C) == (
        "left on it does no harm by itself; in the coldest room it holds no more than 21 °C instead of 24 °C"
    )
