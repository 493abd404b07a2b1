"""Every mistake in a config is told at its line, with what was found and what is allowed, all in one run, and no secret."""

# ruff: noqa: E501 - the table of mistakes holds whole messages, as they are told

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.config.checks import warnings
from daemon.config.configuration import Configuration, default_state_folder, duration_text, json_schema, load, load_text
from daemon.config.file import LARGEST_BYTES, ConfigurationError, parse_config, shown
from rules.settings import Chamber
from rules.settings.bands import TemperatureBand

SAMPLES = sorted((Path(__file__).parents[3] / "sample_config").glob("*.toml"))

GOOD = """
[chamber.tank-1]
room = "study"
[room.study]
[probe.tank-1-air]
kind = "serial-text"
place = "tank-1"
port = "/dev/ttyUSB0"
columns = { air_temperature = 1, relative_humidity = 2 }
[probe.study-air]
kind = "mqtt-topic"
place = "study"
broker = "home"
topics = { air_temperature = "study/t" }
[broker.home]
host = "localhost"
"""


def faults(text: str) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        load_text(text, "f.toml")
    return str(caught.value).splitlines()


def with_lines(*lines: str) -> str:
    """Return a good config with lines added at its top, where the first line is line 1."""
    return "\n".join(lines) + GOOD


def test_a_small_config_is_enough_and_the_rest_has_defaults() -> None:
    configuration = load_text(GOOD)
    assert configuration.chamber["tank-1"].temperature.high == 28.0
    assert configuration.probe["tank-1-air"].interval == 30_000
    assert configuration.site.time_zone == "UTC"


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)
def test_a_chamber_written_as_json_is_the_same_chamber_when_read(path: Path) -> None:
    """The daily fit is handed its chambers so; times of day in `by_time` once could not be read again."""
    for chamber in load(path).chamber.values():
        assert Chamber.model_validate_json(json.dumps(chamber.model_dump(mode="json"))) == chamber


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)
def test_every_sample_is_accepted_and_matches_the_published_schema(path: Path) -> None:
    load(path)
    jsonschema.Draft202012Validator(json_schema()).validate(_as_json(parse_config(path.read_bytes(), path.name).tables))


def _as_json(tables: object) -> object:
    return json.loads(json.dumps(tables))


def test_the_schema_is_a_schema_and_refuses_what_the_models_refuse() -> None:
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    for text in (with_lines('[site]\nnmae = "x"'), GOOD.replace('"tank-1"\nport', '"Tank 1"\nport')):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.Draft202012Validator(schema).validate(_as_json(parse_config(text.encode(), "x").tables))


# What a keeper may get wrong, each with the whole line that must be told about it.
MISTAKES = [
    (["[site]", 'nmae = "x"'], "f.toml:2: site.nmae: this key is unknown; did you mean \"name\"; allowed here: "),
    (["[sight]", "a = 1"], "f.toml:1: sight: this key is unknown; did you mean \"site\"; allowed here: "),
    (["[site]", "altitude_m = 9000"], "f.toml:2: site.altitude_m: found 9000; allowed a number from -400 to 5000 m"),
    (["[site]", "altitude_m = nan"], "f.toml:2: site.altitude_m: found nan; allowed a number from -400 to 5000 m"),
    (["[site]", "altitude_m = true"], "f.toml:2: site.altitude_m: found true; allowed a number from -400 to 5000 m"),
    (["[site]", 'altitude_m = "90,5"'],
     'f.toml:2: site.altitude_m: found "90,5"; allowed a number from -400 to 5000 m; write it without quotes and with a decimal point'),
    (["[site]", 'time_zone = "Europe/Lisabon"'],
     'f.toml:2: site.time_zone: found "Europe/Lisabon"; allowed is an IANA name such as "Europe/Lisbon"; did you mean "Europe/Lisbon"'),
    (["[site]", 'time_zone = "../../etc/passwd"'], "f.toml:2: site.time_zone: found"),
    (["[chamber.Tank_2]"],
     "f.toml:1: chamber.Tank_2: this key is not allowed here; allowed an id of lower-case letters, digits and hyphens, such as tank-1"),
    (['[chamber.tank-2]', 'room = "studdy"'],
     'f.toml:2: chamber.tank-2.room: found "studdy", which is not a room of this config; there is: study; did you mean "study"'),
    (["[chamber.tank-2.temperature]", "hihg = 28"], 'f.toml:2: chamber.tank-2.temperature.hihg: this key is unknown; did you mean "high"'),
    (["[chamber.tank-2.humidity]", "low = 80", "high = 82"],
     "f.toml:2: chamber.tank-2.humidity.low: low = 80 and high = 82 are too close: high must be at least 7.5 above low"),
    (["[chamber.tank-2.humidity]", "on_delay = 10"],
     'f.toml:2: chamber.tank-2.humidity.on_delay: found 10; a duration is a number with its unit, such as "90s", "10min", "2h" or "1d"'),
    (["[chamber.tank-2.lid]", 'material = "acryl"'],
     'f.toml:2: chamber.tank-2.lid.material: found "acryl"; allowed "acrylic", "polycarbonate", "glass", "pet"; did you mean "acrylic"'),
    (["[room.attic]", "coldest_c = 30.0"], "f.toml:2: room.attic.coldest_c: coldest_c = 30 is above warmest_c = 26: exchange them"),
    (["[[chamber.tank-2.temperature.by_time]]", 'begin = "25:00"', 'end = "06:00"'],
     'f.toml:2: chamber.tank-2.temperature.by_time.0.begin: found "25:00"; a time of day is written "HH:MM"'),
    (["[chamber.study]"], "f.toml:1: chamber.study: a room on line 4 has the same id"),
    (["[chamber.site]"], 'f.toml:1: chamber.site: the id "site" stands for the whole installation'),
    (["[probe.b]", 'kind = "serial-txt"', 'place = "tank-1"'], 'f.toml:2: probe.b.kind: found "serial-txt"; allowed "'),
    (["[probe.b]", 'kind = "mqtt-topic"', 'place = "tank-1"', 'role = "substrate"', 'broker = "home"', 'topic = "x"'],
     'f.toml:4: probe.b.role: found "substrate"; allowed "air", "lid", "heater-surface"'),
    (["[probe.b]", 'place = "tank-1"'], 'f.toml:1: probe.b.kind: is missing; allowed "'),
    (["[probe.b]", 'kind = "mqtt-topic"', 'place = "tank1"', 'broker = "home"', 'topic = "x"', 'json_pointers = { air_temperature = "/t" }'],
     'f.toml:3: probe.b.place: found "tank1", which is not a chamber or room of this config; there is: tank-1, study; did you mean "tank-1"'),
    (["[probe.b]", 'kind = "mqtt-topic"', 'place = "tank-1"', 'broker = "hmoe"', 'topics = { air_temperature = "x" }'],
     'f.toml:4: probe.b.broker: found "hmoe", which is not a broker of this config; there is: home; did you mean "home"'),
    (["[probe.b]", 'kind = "mqtt-topic"', 'place = "tank-1"', 'broker = "home"', 'topics = { air_temperature = "a/#" }'],
     'f.toml:5: probe.b.topics.air_temperature: found "a/#"; a topic is exact: no wildcard (+ or #) and no control character'),
    (["[probe.b]", 'kind = "serial-text"', 'place = "tank-1"', 'port = "/dev/x"', "columns = { humidity = 1 }"],
     'f.toml:5: probe.b.columns.humidity: this key is not allowed here; allowed "air_temperature", "relative_humidity", "surface_temperature"'),
    (["[probe.b]", 'kind = "serial-text"', 'place = "tank-1"', 'port = "/dev/ttyUSB0"', "baud_rate = 19200", "columns = { air_temperature = 3 }"],
     "reads the same line /dev/ttyUSB0 with 19200; they must agree"),
    (["[probe.b]", 'kind = "mqtt-topic"', 'place = "tank-1"', 'broker = "home"', 'topics = { air_temperature = "study/t" }'],
     "reads the very same as probe b on line 1; change what it reads, or remove one of the two"),
    (["[broker.b]", 'host = "h"', "port = 99999"], "f.toml:3: broker.b.port: found 99999; allowed a whole number from 1 to 65535"),
    (["[broker.b]", 'host = "h"', 'user = "u"', 'password_file = "secret"'],
     'f.toml:4: broker.b.password_file: is not allowed; allowed text in quotes: an absolute path, or "credential:NAME"'),
]


@pytest.mark.parametrize(("lines", "told"), MISTAKES, ids=[mistake[1][:60] for mistake in MISTAKES])
def test_a_mistake_is_told_at_its_line_with_what_is_allowed(lines: list[str], told: str) -> None:
    [fault] = faults(with_lines(*lines))
    assert told in fault


def test_two_probes_of_one_recorded_file_are_taken_unless_they_read_the_same_rows() -> None:
    def two(name: str) -> str:
        row = ['kind = "recorded-file"', 'place = "tank-1"', 'path = "/x/log.csv"', 'quantities = ["air_temperature"]']
        return with_lines("[probe.b]", *row, "[probe.c]", *row, *([f'name_in_file = "{name}"'] if name else []))

    load_text(two(""), "f.toml")
    load_text(two("other"), "f.toml")
    assert "reads the very same as probe b" in faults(two("b"))[0]


def test_many_mistakes_are_told_in_one_run_in_the_order_of_their_lines() -> None:
    found = faults(with_lines(
        "[site]", "altitude_m = 9000", 'nmae = "x"', '[chamber.tank-2]', 'room = "studdy"', "[chamber.tank-2.lid]", 'material = "x"',
    ))
    assert [int(re.match(r"f.toml:(\d+): ", fault)[1]) for fault in found] == [2, 3, 5, 7]


def test_too_many_tables_are_counted() -> None:
    [fault] = faults(with_lines(*(f'[broker.b{number}]\nhost = "localhost"' for number in range(20))))
    assert "broker: found a table of 21; allowed a table (at most 20 of them)" in fault


def test_an_empty_config_says_what_to_add() -> None:
    assert faults("") == [
        "f.toml:1: chamber: is missing; add at least one table [chamber.ID] (Chambers of the nests: their bands, lids, devices and gardens)",
        "f.toml:1: probe: is missing; add at least one table [probe.ID] (Probes: where each one is and how it is read)",
    ]


SECRET = "canary-5ecret"


@pytest.mark.parametrize("lines", [
    ["[broker.b]", 'host = "h"', f'password = "{SECRET}"'],
    ["[broker.b]", 'host = "h"', f'Passwort-token = "{SECRET}"'],
    ["[broker.b]", f'host = "mqtt://user:{SECRET}@h"'],
    ["[broker.b]", 'host = "h"', 'user = "u"', f'password_file = "{SECRET}"'],
    ["[site]", f'secret = "{SECRET}"'],
    [f'password = "{SECRET}"'],
])
def test_a_secret_written_into_the_config_is_refused_and_never_repeated(lines: list[str]) -> None:
    text = "\n".join(faults(with_lines(*lines)))
    assert SECRET not in text
    if "password =" in "".join(lines):
        assert "a secret is never written into the config" in text


def test_a_key_or_value_that_steers_a_terminal_is_shown_escaped() -> None:
    text = "\n".join(faults(with_lines('[site]', '"\\u001b[2J\\nx" = 1', 'temperature_unit = "\\u202e\\u0007"')))
    assert not set("\x1b\x07\u202e") & set(text)
    assert len(text.splitlines()) == 2


# ---------------------------------------------------------------- the file itself


def file_fault(path: Path) -> str:
    with pytest.raises(ConfigurationError) as caught:
        load(path)
    return str(caught.value)


def test_a_fifo_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "c.toml")
    assert "is not a regular file" in file_fault(tmp_path / "c.toml")


@pytest.mark.parametrize("path", ["/dev/zero", "/dev/null", "/"])
def test_what_is_no_file_is_refused(path: str) -> None:
    assert "is not a regular file" in file_fault(Path(path))


def test_who_may_not_read_it_is_told_how_to(tmp_path: Path) -> None:
    path = tmp_path / "dewlid.toml"
    path.write_text("")
    path.chmod(0)
    before = os.geteuid()
    if before == 0:
        os.seteuid(65534)  # root may read everything
    try:
        told = file_fault(path)
    finally:
        os.seteuid(before)
    assert "cannot be read: Permission denied; put sudo before it, or join the group of dewlid" in told


def test_a_missing_file_a_loop_of_links_and_a_nul_are_told(tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    assert "cannot be read: No such file" in file_fault(tmp_path / "none.toml")
    assert "dewlid init" in file_fault(tmp_path / "none.toml")
    assert "cannot be read: Too many levels of symbolic links" in file_fault(tmp_path / "loop")
    assert "NUL" in file_fault(Path("a\0b"))


@pytest.mark.parametrize(("octets", "words"), [
    (b"#" * (LARGEST_BYTES + 1), "is larger than 256 KiB"),
    (GOOD.encode("utf-16"), "is written in UTF-16; allowed is UTF-8"),
    (b"# caf\xe9\n" + GOOD.encode(), ":1: byte 0xe9 is not UTF-8"),
    (b"\n\na = [" + b"[" * 100_000, "nested too deeply"),
    (b"a = " + b"9" * 10_000, "a number in it is far too long"),
    (b"a = \n", ":1: nothing stands behind a =; write its value, or remove the line"),
    (b'a = """\n\n', ":1: a quote in this line is never closed"),
    (b"\x00", ":1: a control character (U+0000) stands in this line; write it anew"),
    (b"a = 1\na = 2", ":2: the key a stands twice, first in line 1; keep one of them"),
])
def test_what_is_no_toml_is_told_with_its_line(tmp_path: Path, octets: bytes, words: str) -> None:
    (tmp_path / "c.toml").write_bytes(octets)
    assert words in file_fault(tmp_path / "c.toml")


def test_a_byte_order_mark_and_windows_line_ends_are_fine(tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load(tmp_path / "c.toml") == load_text(GOOD)


def test_a_config_that_anyone_may_change_is_refused(tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_text(GOOD)
    (tmp_path / "c.toml").chmod(0o666)
    assert "anyone on this machine may change it; take that right away: chmod o-w" in file_fault(tmp_path / "c.toml")


TOML_TEXT = st.text(st.sampled_from(list("[]{}\"'=.,#\n abc-_0129:T\\é\x00")), max_size=60)


@given(TOML_TEXT | st.binary(max_size=60) | st.lists(st.sampled_from(GOOD.splitlines()), max_size=20).map("\n".join))
def test_no_text_at_all_gives_anything_but_a_config_or_a_config_error(text: str | bytes) -> None:
    octets = text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass")
    try:
        configuration = load_text(octets.decode("utf-8", "surrogateescape").encode("utf-8", "replace").decode())
    except ConfigurationError as error:
        assert error.faults
    else:
        assert isinstance(configuration, Configuration)


LEAVES = st.none() | st.booleans() | st.integers(-10**20, 10**20) | st.floats() | st.text(max_size=5)


@given(st.data())
def test_any_value_at_any_key_is_a_config_or_a_config_error(data: st.DataObject) -> None:
    paths = [("site", "altitude_m"), ("site", "time_zone"), ("site", "state_folder"), ("chamber",), ("chamber", "tank-1"),
             ("chamber", "tank-1", "temperature"), ("chamber", "tank-1", "temperature", "low"), ("chamber", "tank-1", "lid", "material"),
             ("probe", "tank-1-air"), ("probe", "tank-1-air", "kind"), ("probe", "tank-1-air", "columns"), ("probe", "x", "place"),
             ("broker",), ("broker", "home", "port"), ("telling", "quiet_begin"), ("telling", "wake_remind")]
    path = data.draw(st.sampled_from(paths))
    value = data.draw(LEAVES | st.lists(LEAVES, max_size=3) | st.dictionaries(st.text(max_size=4), LEAVES, max_size=3))
    from daemon.config.configuration import validated
    from daemon.config.file import ConfigText

    config = parse_config(GOOD.encode(), "f.toml")
    tables = json.loads(json.dumps(config.tables))
    node = tables
    for key in path[:-1]:
        node = node.setdefault(key, {})
    node[path[-1]] = value
    try:
        validated(ConfigText("f.toml", tables, dict(config.lines)))
    except ConfigurationError as error:
        assert all(fault.text for fault in error.faults)


# ---------------------------------------------------------------- warnings and folders


def warned(text: str) -> list[str]:
    config = parse_config(text.encode(), "f.toml")
    return [fault.told("f.toml") for fault in warnings(load_text(text).model_dump(), config)]


def test_a_delay_shorter_than_two_readings_is_a_warning() -> None:
    text = GOOD.replace("[room.study]", 'temperature.on_delay = "45s"\n[room.study]')
    assert any("chamber.tank-1.temperature.on_delay: is 45s, but the probe is read only every 30s" in told for told in warned(text))
    assert not any("on_delay" in told for told in warned(text.replace("45s", "60s")))


def test_a_chamber_without_probe_a_shelf_without_outlet_and_a_heater_below_are_warnings() -> None:
    told = "\n".join(warned(GOOD + '[chamber.tank-2]\n[chamber.tank-1.devices.heater]\nmount = "below"\n'))
    assert 'chamber.tank-2: no probe is here: add one with place = "tank-2"' in told
    assert "there is no outlet, so nobody is told" in told
    assert "a heater below the chamber drives water out of the garden" in told


def test_a_box_without_any_opening_is_a_warning_since_a_garden_breathes() -> None:
    sealed = GOOD + "[chamber.tank-2]\nlid.vent_share = 0.0\ndevices.vents.count = 0\n"
    assert any("chamber.tank-2: no vent and a lid without any opening" in told for told in warned(sealed))
    assert not any("without any opening" in told for told in warned(sealed.replace("0.0", "0.001")))


def test_a_config_that_relied_on_foam_and_granules_hears_in_one_line_what_to_add() -> None:
    boxes = "".join(f"[chamber.old-{number}]\n" for number in range(4)) + '[chamber.tip]\nrole = "waste"\n'
    told = [one for one in warned(GOOD + boxes) if "foam" in one]
    assert told == [
        "f.toml:2: chamber: foam on the lid and wet granules are advised only where they are written: add"
        " devices.can_insulate_lid = true and devices.wet_granules = true to tank-1, old-0, old-1 and 2 more"
        " (false where there are none)"
    ]
    said = GOOD.replace('room = "study"', 'room = "study"\ndevices = { can_insulate_lid = false, wet_granules = true }', 1)
    assert "foam" not in "".join(warned(said))


@pytest.mark.parametrize(("environment", "folder"), [
    ({"STATE_DIRECTORY": "/var/lib/dewlid"}, "/var/lib/dewlid"),
    ({"STATE_DIRECTORY": "/var/lib/dewlid:/var/lib/other"}, "/var/lib/dewlid"),
    ({"XDG_STATE_HOME": "/home/ann/state"}, "/home/ann/state/dewlid"),
    ({"XDG_STATE_HOME": "relative"}, str(Path.home() / ".local/state/dewlid")),
    ({}, str(Path.home() / ".local/state/dewlid")),
])
def test_the_state_folder_is_systemds_or_the_users(environment: dict[str, str], folder: str) -> None:
    assert str(default_state_folder(environment, Path("/nowhere"))) == folder


def test_a_command_beside_the_service_finds_the_services_store(tmp_path: Path) -> None:
    assert default_state_folder({"XDG_STATE_HOME": "/home/ann/state"}, tmp_path) == tmp_path
    assert default_state_folder({"STATE_DIRECTORY": "/srv/dewlid"}, tmp_path) == Path("/srv/dewlid")


@given(st.integers(0, 999_999).map(lambda n: n * 1_000))
def test_a_duration_is_written_so_that_it_is_read_back(duration_ms: int) -> None:
    text = duration_text(duration_ms)
    band = TemperatureBand.model_validate({"on_delay": text}, context={"written": True})
    assert band.on_delay == duration_ms


def test_shown_text_is_short_and_without_user_and_password() -> None:
    assert shown("mqtt://ann:pw@host/x") == "mqtt://(hidden)@host/x"
    assert shown("x" * 100) == "x" * 60 + "..."


def test_checking_a_config_needs_none_of_the_heavy_libraries() -> None:
    code = "import sys, daemon.config.configuration as c; c.load(sys.argv[1]); print(sorted({'resvg_py', 'apscheduler', 'rich'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code, str(SAMPLES[0])], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_key_of_an_earlier_version_that_is_gone_stops_nothing_and_is_named() -> None:
    old = GOOD + '[chamber.tank-1.lid_dew]\nprobability = 0.95\ncaution_margin_k = 0.7\n[telling]\nflood_window = "20min"\n'
    assert load_text(old).chamber["tank-1"].lid_dew.caution_margin_k == 0.7
    told = warned(old)
    assert [line.split(":")[0] for line in told if "sets nothing any more" in line] == ["f.toml", "f.toml"]


@pytest.mark.parametrize(("old", "new", "said"), [
    ("[chamber.tank-1]", "[chamber.tank-1]\nair_ml = 800,5", "write the decimal comma as a point: air_ml = 800.5"),
    ("[chamber.tank-1]", '[chamber.tank-1]\ntitle = "Nest', "a quote in this line is never closed"),
    ("[chamber.tank-1]", "[chamber.tank-1]\nhumidity = { low = 0.7 }", "humidity is written in percent: 70"),
    ("[chamber.tank-1]", "[chamber.tank-1]\ntemperature = { low = 75 }", "if that is degF, write 23.9: the config is in degC"),
])  # fmt: skip
def test_what_keepers_of_other_countries_write_is_told_with_its_remedy(old: str, new: str, said: str) -> None:
    with pytest.raises(ConfigurationError) as refused:
        load_text(GOOD.replace(old, new, 1))
    assert said in str(refused.value)
