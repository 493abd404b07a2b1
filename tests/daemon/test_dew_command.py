"""`dewlid dew` as a keeper and a script use it."""

from __future__ import annotations

import json

import pytest

from daemon.cli import main

KEYS = [
    "dew_point_c", "absolute_humidity_g_m3", "vapour_pressure_pa", "vapour_pressure_deficit_pa", "lid_temperature_c",
    "dew_margin_k",
]  # fmt: skip


def answer(capsys: pytest.CaptureFixture[str], line: str) -> dict[str, float | str | None]:
    assert main(["dew", *line.split(), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert list(told)[:6] == KEYS
    return dict(told)


def test_without_room_and_lid_the_keys_of_the_lid_are_null(capsys: pytest.CaptureFixture[str]) -> None:
    told = answer(capsys, "--air 26 --rh 80")
    assert told["dew_point_c"] == pytest.approx(22.2815, abs=2e-3)  # IAPWS-95
    assert told["vapour_pressure_pa"] == pytest.approx(0.8 * 3363.8885, rel=1e-4)  # IAPWS-95
    assert (told["lid_temperature_c"], told["dew_margin_k"]) == (None, None)


def test_measured_lid_gives_the_margin_and_wins_over_the_room(capsys: pytest.CaptureFixture[str]) -> None:
    told = answer(capsys, "--air 26 --rh 85 --room 20 --lid 23.1")
    assert told["lid_temperature_c"] == 23.1
    assert told["dew_margin_k"] == pytest.approx(23.1 - float(told["dew_point_c"] or 0))


def test_room_and_build_give_an_estimated_lid(capsys: pytest.CaptureFixture[str]) -> None:
    thin = answer(capsys, "--air 26 --rh 85 --room 20 --lid-material acrylic --lid-thickness-mm 3")
    foam = answer(capsys, "--air 26 --rh 85 --room 20 --lid-build insulated --lid-insulation-mm 20 --walls warm")
    assert thin["lid_source"] == "estimated"
    assert 20.0 < float(thin["lid_temperature_c"] or 0) < float(foam["lid_temperature_c"] or 0) - 1.0


def test_text_gives_every_figure_with_its_unit(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["dew", "--air", "26", "--rh", "85", "--room", "20"]) == 0
    told = capsys.readouterr().out
    for figure in ("dew point                23.3 °C ±", " g/m3 ±", " Pa ±", "(estimated)", "-0.7 K ±", "81 %RH", "93 %"):
        assert figure in told


@pytest.mark.parametrize(
    ("line", "status", "said"),
    [
        ("--air 26 --rh 130", 65, "--rh: found 130; above 0 to 104 %RH is allowed"),
        ("--air 26 --rh 0", 65, "--rh: found 0; above 0"),
        ("--air 26 --rh nan", 65, "--rh: found nan"),
        ("--air -300 --rh 80", 65, "--air: found -300; -40 to 80 degC is allowed"),
        ("--air inf --rh 80", 65, "--air: found inf"),
        ("--air 26 --rh 80 --room 200", 65, "--room: found 200"),
        ("--air 26 --rh 80 --lid nan", 65, "--lid: found nan"),
        ("--air 26 --rh 80 --room 20 --lid-thickness-mm 99", 65, "--lid-thickness-mm: found 99; allowed is at most"),
        ("--air 26 --rh 80 --walls 99", 65, "argument --walls: invalid choice: '99' (choose from"),
        ("--air 26 --rh 80 --altitude 9000", 65, "--altitude: found 9000; -400 to 5000 m is allowed"),
        ("--air warm --rh 80", 65, '--air: "warm" is no number, such as 2.5'),
        ("--air 25,5 --rh 80", 65, '--air: "25,5" is no number: write it with a point, such as 25.5'),
        ("--air 26 --rh 80 --lid-material glas", 65, "did you mean glass?"),
        ("--rh 80", 64, "--air"),
    ],
)
def test_bad_input_is_named_and_gives_no_number(
    capsys: pytest.CaptureFixture[str], line: str, status: int, said: str
) -> None:
    try:
        ended = main(["dew", *line.split()])
    except SystemExit as leaving:  # argparse ends by itself
        ended = int(str(leaving.code))
    told = capsys.readouterr()
    assert (ended, told.out) == (status, "")
    assert said in told.err
    assert "Traceback" not in told.err
