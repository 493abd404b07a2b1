"""The guided start on real parts: pty lines, Modbus units of a server library, a real broker."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import json
import os
import pty
import select
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from adapters import line_survey
from adapters.line_forms import form_of, form_of_lines
from adapters.probes.serial_text import SerialText
from daemon.config.configuration import load
from daemon.setup.colony import stage_of
from rules.settings import Chamber, Devices

ROOT = Path(__file__).parents[2]


def init(
    *options: str, answers: str | None = None, home: Path, zone: str = "Europe/Lisbon"
) -> subprocess.CompletedProcess[str]:
    environment = {"PATH": os.environ["PATH"], "HOME": str(home), "TZ": zone}
    return subprocess.run(
        [sys.executable, "-m", "daemon.cli", "init", "--listen", "1.5", *options], input=answers or "", text=True,
        capture_output=True, cwd=ROOT, env=environment, timeout=90,
    )


@pytest.fixture
def talking() -> Iterator[Callable[[Any, list[str]], None]]:
    """Let a probe say its lines over and over at the far end of a line."""
    ended, threads = threading.Event(), []

    def talk(line: Any, lines: list[str]) -> None:
        def run() -> None:
            while not ended.wait(0.15):
                line.say("".join(f"{one}\r\n" for one in lines).encode())

        threads.append(threading.Thread(target=run, daemon=True))
        threads[-1].start()

    yield talk
    ended.set()
    for thread in threads:
        thread.join(5)


@contextlib.contextmanager
def sending(server: Any, messages: Sequence[tuple[str, str]], user: str | None = None) -> Iterator[None]:
    """Let wireless probes send to a broker again and again."""
    ended = threading.Event()

    def publish() -> None:
        while not ended.wait(0.2):
            for topic, payload in messages:
                server.say(topic, payload, user=user)

    thread = threading.Thread(target=publish, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join(10)


@pytest.fixture
def modbus() -> Iterator[Callable[[str, list[SimDevice]], None]]:
    """Real Modbus servers at the far end of a line, each in a thread of its own."""
    running: list[tuple[threading.Thread, threading.Event]] = []

    def serve(port: str, devices: list[SimDevice]) -> None:
        ready, end = threading.Event(), threading.Event()

        async def main() -> None:
            server = ModbusSerialServer(devices, framer=FramerType.RTU, port=port, baudrate=9600)
            await server.serve_forever(background=True)
            ready.set()
            while not end.is_set():
                await asyncio.sleep(0.01)
            await server.shutdown()

        thread = threading.Thread(target=lambda: asyncio.run(main()), daemon=True)
        thread.start()
        assert ready.wait(10)
        running.append((thread, end))

    yield serve
    for thread, end in running:
        end.set()
        thread.join(10)


# ---------------------------------------------------------------- what a line says


@pytest.mark.parametrize(("lines", "values", "told"), [
    (["T=25.31 RH=83.2", "T=25.30 RH=83.1"], {"air_temperature": 25.31, "relative_humidity": 83.2}, True),
    (["temp: 25.3 °C, hum: 81 %"], {"air_temperature": 25.3, "relative_humidity": 81.0}, True),
    (["T= 25.3 P=1013.2 RH= 83.1"], {"air_temperature": 25.3, "relative_humidity": 83.1}, True),
    (["dew=21.1 t=25 h=80"], {"air_temperature": 25.0, "relative_humidity": 80.0}, True),
    (["Box 2: Temperature = 77 F  Humidity = 44 %"], {"air_temperature": 25.0, "relative_humidity": 44.0}, True),
    (["25.1;84;ok"], {"air_temperature": 25.1, "relative_humidity": 84.0}, False),
    (["1200 25.1 84"], {"air_temperature": 25.1, "relative_humidity": 84.0}, False),
    (['{"climate":{"tempF":77,"rh":44},"battery":3.1}'], {"air_temperature": 25.0, "relative_humidity": 44.0}, True),
    (['{"t":"25.1","h":0.84}'], {"air_temperature": 25.1, "relative_humidity": 84.0}, True),
    (['{"lid":{"t":22.3}}'], {"surface_temperature": 22.3}, True),
    (['[{"bn":"box/","n":"temp","u":"Cel","v":25.1},{"n":"rh","u":"%RH","v":80}]'],
     {"air_temperature": 25.1, "relative_humidity": 80.0}, True),
])  # fmt: skip
def test_usual_forms_are_recognised(lines: list[str], values: dict[str, float], told: bool) -> None:
    form = form_of(lines)
    assert form is not None
    assert form.told == told
    assert form.values == pytest.approx(values)


@pytest.mark.parametrize(("lines", "values", "comma"), [
    (["25,3\t81,2", "25,4\t81,1"], {"air_temperature": 25.3, "relative_humidity": 81.2}, True),
    (["25.3\t81.2"], {"air_temperature": 25.3, "relative_humidity": 81.2}, False),
    (["25,3;81,2"], {"air_temperature": 25.3, "relative_humidity": 81.2}, True),
    (["25,3;81"], {"air_temperature": 25.3, "relative_humidity": 81.0}, True),
    (["25,31 81,20"], {"air_temperature": 25.31, "relative_humidity": 81.2}, True),
    (["T=25,3 RH=81,2"], {"air_temperature": 25.3, "relative_humidity": 81.2}, True),
    (["Temperatur:\t25,3 °C\tFeuchte:\t81,2 %"], {"air_temperature": 25.3, "relative_humidity": 81.2}, True),
    (["Temp: 25.3\tHum: 81.2"], {"air_temperature": 25.3, "relative_humidity": 81.2}, False),
    (["25,81"], {"air_temperature": 25.0, "relative_humidity": 81.0}, False),
])  # fmt: skip
def test_tabs_and_decimal_commas_of_a_serial_probe_are_understood(
    lines: list[str], values: dict[str, float], comma: bool
) -> None:
    """What a hobby board prints by its tutorials' examples: common practice, no source."""
    form = form_of_lines(lines)
    assert form is not None
    assert form.values == pytest.approx(values)
    assert form.keys.get("decimal_comma", False) == comma
    probe = SerialText.model_validate({"place": "tank-1", "port": "/dev/ttyUSB0", "kind": "serial-text"} | form.keys)
    assert {one.quantity: one.value for one in probe.extract()(lines[0], None)} == pytest.approx(values)


@pytest.mark.parametrize("lines", [
    ["hello world"], ["25,3;81"], ["boot 1.2.3 ok"], ['{"battery": 3.1}'], ['{"alarm":"x","advisory_only":true,"t":25}'],
    ["T=150 RH=83"], ["$GPGGA,092750.000,5321.6802,N"], [""],
])  # fmt: skip
def test_what_is_no_climate_is_not_taken_for_one(lines: list[str]) -> None:
    assert form_of(lines) is None


def test_ports_are_named_so_that_they_survive_replugging(tmp_path: Path) -> None:
    for folder in ("serial/by-id", "serial/by-path"):
        (tmp_path / folder).mkdir(parents=True)
    for name in ("ttyUSB0", "ttyUSB1", "ttyAMA0"):
        (tmp_path / name).touch()
    (tmp_path / "serial/by-id/usb-probe").symlink_to("../../ttyUSB0")
    (tmp_path / "serial/by-path/port-1").symlink_to("../../ttyUSB0")
    (tmp_path / "serial/by-path/port-2").symlink_to("../../ttyUSB1")
    found = [path.removeprefix(f"{tmp_path}/") for path in line_survey.ports(tmp_path)]
    assert found == ["serial/by-id/usb-probe", "serial/by-path/port-2", "ttyAMA0"]


def test_a_probe_that_sends_rarely_is_waited_for_until_a_whole_line_has_come(serial_pair: Any) -> None:
    line, listen_s = serial_pair(), 3.0

    def speak() -> None:
        for wait_s in (0.5 * listen_s, 0.7 * listen_s):  # the second comes after the listening time, the first may be torn
            time.sleep(wait_s)
            line.say(b"22.8,64.0\r\n")

    probe = threading.Thread(target=speak)
    probe.start()
    heard = line_survey.listen(line.near, listen_s)
    probe.join()
    assert heard.form is not None
    assert heard.baud_rate == line_survey.SPEEDS[0]
    assert heard.gap_s == pytest.approx(0.7 * listen_s, rel=0.3)


def test_what_is_no_text_is_tried_at_every_speed(serial_pair: Any) -> None:
    line = serial_pair()
    ended, noise = threading.Event(), bytes(range(0x80, 0xB0))

    def hiss() -> None:
        while not ended.wait(0.05):
            line.say(noise)

    probe = threading.Thread(target=hiss)
    probe.start()
    heard = line_survey.listen(line.near, 60.0)  # it is left at once, however long one would listen
    ended.set()
    probe.join()
    assert (heard.form, heard.lines) == (None, ())
    assert heard.octets


def test_a_young_colony_is_told_of_dryness_sooner() -> None:
    lows = [Chamber().humidity_for(stage_of("Atta", months).garden_ml).low for months in (1, 6, 12, 60)]
    assert lows == sorted(lows, reverse=True)
    assert stage_of("Acromyrmex", 10).garden_ml < stage_of("Atta", 10).garden_ml


# ---------------------------------------------------------------- the whole start


@pytest.mark.parametrize("said", ["T=25.31 RH=83.2", "25,31\t83,2"])
def test_a_probe_on_a_line_is_found_shown_live_and_written(serial_pair: Any, talking: Any, tmp_path: Path, said: str) -> None:
    line = serial_pair()
    talking(line, [said])
    out = tmp_path / "dewlid.toml"
    done = init("--yes", "--port", line.near, "--age", "6", "--broker", "-", "--out", str(out), home=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "air temperature 25.3 °C, relative humidity 83 %" in done.stdout
    configuration = load(out)
    tank = configuration.chamber["tank-1"]
    assert (tank.humidity_for(tank.garden.volume_ml).low, tank.species_group) == (75.0, "tropical")
    assert configuration.site.time_zone == "Europe/Lisbon"
    assert configuration.probe["tank-1-air"].model_dump()["port"] == line.near
    assert out.stat().st_mode & 0o777 == 0o640
    assert out.read_text().count("#") > 10


def test_the_same_by_answers_typed_and_a_wrong_one_is_asked_again(serial_pair: Any, talking: Any, tmp_path: Path) -> None:
    line = serial_pair()
    talking(line, ["25.1;84;ok"])
    answers = ["North shelf", "Europe/Lisbn", "Europe/Berlin", "high", "410", "-", "Nest 1", "nest-1"]
    answers += ["warm", "20 to 23", "acro", "north", "south", "3", "10x10", "10 x 10 x 8"]
    answers += ["glass", "many", "2", "yes", "", "", "0.5", "-", "y"]
    out = tmp_path / "dewlid.toml"
    done = init("--port", line.near, "--out", str(out), answers="\n".join(answers) + "\n", home=tmp_path, zone="UTC")
    assert done.returncode == 0, done.stderr
    assert '"Europe/Lisbn" is no time zone' in done.stdout
    assert 'perhaps "nest-1"' in done.stdout
    configuration = load(out)
    assert (configuration.site.name, configuration.site.altitude_m) == ("North shelf", 410.0)
    nest = configuration.chamber["nest-1"]
    assert (nest.air_ml, nest.devices.vents.count, nest.devices.mister is None) == (800.0, 2, False)
    assert "write length, width and height in cm" in done.stdout
    assert configuration.chamber["nest-1"].genus == "Acromyrmex"
    assert configuration.chamber["nest-1"].temperature.high == 27.0  # southern
    assert '"north" is none of tropical, southern, highland' in done.stdout
    assert '"warm" is not a number from -20 to 45' in done.stdout
    # southern Acromyrmex, 21 to 29 degC; 0.8 l of air lose 0.16 W/K: 0.5 W hold it and end at 26 degC in the warmest room
    heater = configuration.chamber["nest-1"].devices.heater
    assert heater is not None
    assert heater.watts == 0.5
    assert "- if you do not know; 0.5 W would hold" in done.stdout
    assert "Take care" not in done.stdout
    assert "left on it does no harm by itself" in out.read_text().lower()
    assert "Only the size of the numbers told which is which" in out.read_text()


def test_a_mistyped_broker_is_asked_for_again_and_so_is_a_port_without_a_probe(broker: Any, tmp_path: Path) -> None:
    server = broker()
    out = tmp_path / "dewlid.toml"
    answers = ["", "", "127.0.0.1:1", "", "-", "yes", f"127.0.0.1:{server.port}", "", "box"]
    with sending(server, [("attic/box/temperature", "25.3")]):
        done = init("--port", "-", "--out", str(out), answers="\n".join(answers) + "\n" * 15, home=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Correct it, or say - to go on without a broker." in done.stdout
    assert "No probe was found. Plug one in or name its broker. Look again (yes, no)" in done.stdout
    written = load(out)
    assert (written.broker["home"].port, list(written.chamber)) == (server.port, ["box"])


def test_nothing_is_advised_that_nobody_told_of(serial_pair: Any, talking: Any, tmp_path: Path) -> None:
    line, out = serial_pair(), tmp_path / "dewlid.toml"
    talking(line, ["T=25.31 RH=83.2"])
    options = ["--yes", "--port", line.near, "--broker", "-", "--out", str(out)]
    bare = init(*options, home=tmp_path)
    assert bare.returncode == 0 and "no letter leaves this machine" in bare.stdout and "must arrive" not in bare.stdout
    assert load(out).chamber["tank-1"].devices == Devices()
    second = ["--mail", "me@example.org", "--mail-user", "-", "--second", "near@example.org", "--mist", "yes", "--vents", "1"]
    with_mail = init(*options, *second, "--foam", "yes", "--granules", "yes", home=tmp_path)
    assert with_mail.returncode == 0 and "a test letter must arrive" in with_mail.stdout
    written = load(out)
    assert written.outlet["mail"].model_dump()["second"] == ["near@example.org"]
    devices = written.chamber["tank-1"].devices
    assert (devices.vents.count, devices.mister is None) == (1, False)
    assert (devices.can_insulate_lid, devices.wet_granules) == (True, True)


@pytest.mark.parametrize(("genus", "said"), [("Atta", "Give no food"), ("Acromyrmex", "an Acromyrmex queen forages")])
def test_a_queen_alone_has_her_path_first(tmp_path: Path, genus: str, said: str) -> None:
    done = init("--yes", "--genus", genus, "--age", "0", "--port", "-", "--broker", "-", home=tmp_path)
    assert said in done.stdout.split("No serial port was found")[0]


def test_a_typed_password_is_on_no_disk_before_the_readings_were_seen(broker: Any, tmp_path: Path) -> None:
    server = broker(users={"ant": "s3cret-word"})
    out, hidden = tmp_path / "etc" / "dewlid.toml", "s3cret-word"
    environment = {"PATH": os.environ["PATH"], "HOME": str(tmp_path), "TZ": "Europe/Lisbon", "TERM": "dumb"}
    options = ["--port", "-", "--out", str(out), "--listen", "1.5"]
    with sending(server, [("attic/box/temperature", "25.3")], "ant"):
        session = Typed([sys.executable, "-m", "daemon.cli", "init", *options], environment)
        for question, answer in (
            ("call this place", ""), ("Height above", ""), ("name or address", f"127.0.0.1:{server.port}"),
            ("User at the broker", "ant"), ("not shown", hidden), ("probe 1 is in", "box"),
        ):
            session.answer(question, answer)
        while "Write this to" not in session.told:
            session.answer("]: ", "", "Write this to")
    assert [path for path in tmp_path.rglob("*") if path.is_file() and hidden in path.read_text(errors="replace")] == []
    assert "25.3" in session.told.split("as this config reads them")[1]
    session.answer("", "yes")
    assert session.ended() == 0
    secret = out.parent / "secrets" / "broker-password"
    assert (secret.read_text(), secret.stat().st_mode & 0o777) == (f"{hidden}\n", 0o600)
    assert hidden not in session.told


class Typed:
    """A command in a pseudo-terminal, answered question by question."""

    def __init__(self, command: list[str], environment: dict[str, str]) -> None:
        self._ours, theirs = pty.openpty()
        self._process = subprocess.Popen(
            command, stdin=theirs, stdout=theirs, stderr=theirs, cwd=ROOT, env=environment, start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )  # fmt: skip
        os.close(theirs)
        self.told, self._read = "", 0

    def answer(self, question: str, answer: str, *others: str) -> None:
        """Wait until it asks this (or one of the others, which is left unanswered), and answer."""
        deadline_s = time.monotonic() + 30
        while question not in self.told[self._read :] or not self.told.endswith(": "):
            assert time.monotonic() < deadline_s, self.told[-800:]
            ready, _, _ = select.select([self._ours], [], [], 0.1)
            if ready:
                self.told += os.read(self._ours, 65_536).decode(errors="replace")
        self._read = len(self.told)
        if not any(other in self.told.splitlines()[-1] for other in others):
            os.write(self._ours, f"{answer}\n".encode())

    def ended(self) -> int:
        """Return its status."""
        with contextlib.suppress(OSError):
            while data := os.read(self._ours, 65_536):
                self.told += data.decode(errors="replace")
        os.close(self._ours)
        return self._process.wait(30)


def test_a_mat_that_would_cook_the_garden_is_told_and_a_fitting_one_proposed(
    serial_pair: Any, talking: Any, tmp_path: Path
) -> None:
    line, out = serial_pair(), tmp_path / "dewlid.toml"
    talking(line, ["T=25.31 RH=83.2"])
    options = ["--yes", "--port", line.near, "--broker", "-", "--out", str(out), "--age", "12", "--listen", "0.5"]
    done = init(*options, "--heater", "12", home=tmp_path)  # what `init` itself proposed for this box until now
    assert done.returncode == 0, done.stderr
    # 8 l of air, bare plastic: 0.75 W/K, so 12 W lift by 16 K over the 26 degC of a room of which nothing was said
    assert "Take care: a mat of 12 W that stays on ends near 42 °C (38 to 47 °C) in a room of 26 °C" in done.stdout
    assert "fit an independent cut-out set at 30 °C" in done.stdout
    assert "# cut_out_c = 30.0" in out.read_text()
    done = init(*options, "--room-span", "20 to 24", home=tmp_path)
    assert done.returncode == 0, done.stderr
    assert load(out).chamber["tank-1"].devices.heater is None  # nobody said that there is one
    assert "Nothing is advised of one that is not written here. 3 W would hold 24 °C." in out.read_text()  # 4 K up
    assert "Take care" not in done.stdout


def test_an_older_config_is_never_lost(serial_pair: Any, talking: Any, tmp_path: Path) -> None:
    line = serial_pair()
    talking(line, ["T=25.31 RH=83.2"])
    out = tmp_path / "dewlid.toml"
    for text in ("first\n", "second\n"):
        out.write_text(text)
        done = init("--yes", "--port", line.near, "--broker", "-", "--out", str(out), home=tmp_path)
        assert done.returncode == 0, done.stderr
        assert "the older one is kept as" in done.stdout
    kept = sorted(path.read_text() for path in tmp_path.glob("dewlid.toml.2*"))
    assert kept == ["first\n", "second\n"]


def test_no_answer_writes_nothing(serial_pair: Any, talking: Any, tmp_path: Path) -> None:
    line = serial_pair()
    talking(line, ["T=25.31 RH=83.2"])
    out = tmp_path / "dewlid.toml"
    done = init("--port", line.near, "--out", str(out), answers="\n" * 16 + "no\n", home=tmp_path)
    assert (done.returncode, out.exists()) == (0, False), done.stdout
    assert "Nothing was written." in done.stdout


@pytest.mark.parametrize("answered", [0, 12])
def test_answers_that_end_early_write_nothing_and_guess_nothing(
    serial_pair: Any, talking: Any, tmp_path: Path, answered: int
) -> None:
    line = serial_pair()
    talking(line, ["T=25.31 RH=83.2"])
    out = tmp_path / "dewlid.toml"
    done = init("--port", line.near, "--out", str(out), answers="\n" * answered, home=tmp_path)
    assert (done.returncode, out.exists(), list(tmp_path.iterdir())) == (65, False, []), done.stdout
    assert 'The answers ended at "' in done.stderr
    assert "Nothing was written: no config, no password." in done.stderr


def test_without_any_probe_it_says_what_to_do(tmp_path: Path) -> None:
    done = init("--yes", "--port", "/dev/serial/by-id/none", "--broker", "-", "--out", str(tmp_path / "x"), home=tmp_path)
    assert done.returncode == 65
    assert "there is no such port; is the adapter plugged in?" in done.stdout
    assert "Plug one in, give its port with --port" in done.stderr


def test_modbus_units_are_found_and_their_registers_recognised(serial_pair: Any, modbus: Any, tmp_path: Path) -> None:
    line = serial_pair()
    modbus(line.far, [
        SimDevice(id=3, simdata=[SimData(0, values=[0, 253, 841, 7, 0, 0, 0, 0], datatype=DataType.REGISTERS)]),
        SimDevice(id=5, simdata=[SimData(0, values=[24.6, 78.7, 1.0, 2.0], datatype=DataType.FLOAT32)]),
    ])
    out = tmp_path / "dewlid.toml"
    options = ["--yes", "--port", line.near, "--addresses", "1-6", "--broker", "-", "--place", "rack-1", "--place", "room"]
    done = init(*options, "--out", str(out), home=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    probes = load(out).model_dump()["probe"]
    assert probes["rack-1-air"]["address"] == 3
    assert probes["rack-1-air"]["registers"]["air_temperature"] | {"function": 0} == {
        "number": 1, "function": 0, "form": "signed16", "word_order": "high-first", "scale": 0.1, "offset": 0.0, "unit": None,
    }
    assert probes["room-air"]["registers"]["relative_humidity"]["form"] == "float32"
    assert "air temperature 25.3 °C, relative humidity 84 %" in done.stdout
    assert "air temperature 24.6 °C, relative humidity 79 %" in done.stdout
    assert "Only the size of the numbers told which is which" in out.read_text()


def test_topics_that_look_like_a_climate_are_listed_and_taken(broker: Any, tmp_path: Path) -> None:
    server = broker(users={"ant": "s3cret-word"})
    password = tmp_path / "password"
    password.write_text("s3cret-word\n")
    password.chmod(0o600)
    messages = [
        ("attic/box/temperature", "25.3"), ("attic/box/humidity", "81"), ("attic/plug/power", "14.2"),
        ("attic/window", json.dumps({"climate": {"tempF": 68.9, "rh": 44}})), ("attic/hello", "world"),
    ]  # fmt: skip
    out = tmp_path / "dewlid.toml"
    options = ["--broker", f"127.0.0.1:{server.port}", "--broker-user", "ant", "--broker-password-file", str(password)]
    with sending(server, messages, "ant"):
        options += ["--place", "glass-box", "--place", "room"]
        done = init("--yes", "--port", "-", *options, "--out", str(out), home=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "5 topics; 2 look like a temperature or humidity" in done.stdout
    probes = load(out).model_dump()["probe"]
    assert probes["glass-box-air"]["topics"] == {
        "air_temperature": "attic/box/temperature", "relative_humidity": "attic/box/humidity",
    }
    assert probes["room-air"]["units"] == {"air_temperature": "degF"}
    assert "air temperature 20.5 °C" in done.stdout


def test_a_wrong_password_at_the_broker_is_told(broker: Any, tmp_path: Path) -> None:
    server = broker(users={"ant": "s3cret-word"})
    done = init("--yes", "--port", "-", "--broker", f"127.0.0.1:{server.port}", "--out", str(tmp_path / "x"), home=tmp_path)
    assert done.returncode == 65
    assert "Not authorized" in done.stdout
    assert "check user, password" in done.stdout
