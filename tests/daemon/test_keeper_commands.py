"""The keeper's commands about alarms, probes, lids and advice: real config, spool, rules and store."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import time_machine
from numpy.typing import NDArray

from daemon.cli import main
from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.store.history import History
from daemon.store.spool import Spool
from rules.keeper.devices import told_knobs
from rules.terms.events import DAY_MS, MINUTE_MS, AdviceEvent, Batch, Event, LetterEvent, MediumFault, WordEvent
from rules.turn.advance import advance, dump_state
from rules.turn.state import EngineState

CONFIG = """
[site]
name = "Ant shelf"
time_zone = "Europe/Berlin"
state_folder = "{folder}"

[room.study]

[chamber.nest]
title = "Nest"
room = "study"

[chamber.nest.garden]
volume_ml = 500

[chamber.nest.devices]
can_insulate_lid = true
wet_granules = true

[chamber.nest.devices.vents]
count = 2

[chamber.nest.devices.heater]
watts = 15
thermostat = true
setpoint_c = 28

[probe.air]
kind = "mqtt-topic"
place = "nest"
broker = "home"
interval = "1min"
topics = {{ air_temperature = "nest/t", relative_humidity = "nest/h" }}

[probe.study-air]
kind = "mqtt-topic"
place = "study"
broker = "home"
interval = "1min"
topics = {{ air_temperature = "study/t", relative_humidity = "study/h" }}

[broker.home]
host = "127.0.0.1"
"""
START_MS = 1_809_000_000_000  # 2027-04-29T13:20:00Z


Values = float | Sequence[float] | NDArray[np.float64]


class Shelf:
    """A daemon without lines: is fed readings, takes words from the spool, judges and records, whenever it is turned."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.config, self.capsys = folder, folder / "dewlid.toml", capsys
        self.config.write_text(CONFIG.format(folder=folder))
        self.settings = settings_of(load(self.config))
        self.spool = Spool(folder / "spool")
        self.spool.prepare()
        self.state: EngineState | None = None
        self.now_ms = START_MS
        self.events: list[Event] = []
        self.state_too = True

    def live(
        self, minutes: int, temperature: Values, humidity: Values = 80.0,
        room: tuple[Values, Values] = (20.0, 50.0),
    ) -> list[Event]:
        """Feed a reading of each series every minute and record."""
        at_ms = self.now_ms + MINUTE_MS * np.arange(1, minutes + 1)
        room = (room[0] + 0.1 * np.sin(at_ms / 4e5), room[1] + 0.1 * np.sin(at_ms / 3e5))  # dead flat would be a dead probe
        columns = [np.broadcast_to(np.asarray(v, float), minutes) for v in (temperature, humidity, *room)]
        names = tuple((probe, what) for probe in ("air", "study-air") for what in ("air_temperature", "relative_humidity"))
        batch = Batch(
            series=names,  # type: ignore[arg-type]
            series_index=np.tile(np.arange(4, dtype=np.int32), minutes),
            taken_ms=np.repeat(at_ms, 4),
            at_ms=np.repeat(at_ms, 4),
            value=np.column_stack(columns).ravel(),
        )
        self.now_ms = int(at_ms[-1])
        return self.record(batch)

    def turn(self) -> list[Event]:
        """Take what waits in the spool."""
        self.now_ms += 1000
        words, refused = self.spool.waiting(self.now_ms)
        assert refused == []
        events = self.record(Batch.of(items=[each.word for each in words]))
        self.spool.done(words)
        return events

    def record(self, batch: Batch) -> list[Event]:
        advanced = advance(self.settings, self.state, batch, self.now_ms + 1)
        self.state = advanced.state
        self.events += advanced.events
        history = History.open(self.folder / "dewlid.sqlite3", now_ms=self.now_ms)
        history.record(batch, advanced.events, dump_state(self.state) if self.state_too else None)
        history.close()
        return list(advanced.events)

    def say(self, *words: str, status: int = 0) -> str:
        """Run a command a second later and return what it prints."""
        with time_machine.travel((self.now_ms + 1000) / 1000, tick=False):
            assert main([words[0], "--config", str(self.config), *words[1:]]) == status
        told = self.capsys.readouterr()
        assert "Traceback" not in told.err
        return told.err if status else told.out

    def listed(self, *more: str) -> dict[str, Any]:
        return dict(json.loads(self.say("alarms", "--json", *more)))

    def heard(self) -> list[tuple[str, bool]]:
        return [(event.word, event.accepted) for event in self.turn() if isinstance(event, WordEvent)]


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Iterator[Shelf]:
    monkeypatch.setenv("USER", "keeper")
    monkeypatch.delenv("SUDO_USER", raising=False)
    yield Shelf(tmp_path, capsys)


@pytest.fixture
def hot(shelf: Shelf) -> Shelf:
    """A shelf whose nest has been too warm for an hour, because its thermostat is set too high."""
    shelf.live(360, np.linspace(25.5, 28.6, 360))
    shelf.live(60, 28.6)
    return shelf


# ---------------------------------------------------------------- alarms


def test_alarms_say_what_stands_in_words_and_as_json(hot: Shelf) -> None:
    told = hot.say("alarms")
    assert "nest/temperature-high\n    Nest is too warm: 28.1 °C (limit 28.0 °C), since" in told
    assert "Now: 28.6 °C." in told
    assert "    for today, not acknowledged\n" in told
    assert "dewlid ack" in told
    found = hot.listed()
    row = next(row for row in found["alarms"] if row["key"] == "nest/temperature-high")
    assert (row["condition"], row["level"], row["acknowledged"], row["suppression"]) == ("active", "outside", False, "none")
    assert (row["value_now"], row["limit"], row["unit"], row["occurrence"]) == (28.6, 28.0, "degC", 1)
    assert row["since"].endswith("Z")


def test_what_is_over_is_listed_only_with_all(hot: Shelf) -> None:
    hot.live(90, 25.5)
    assert "temperature-high" not in hot.say("alarms")
    assert "nest/temperature-high" in [row["key"] for row in hot.listed("--all")["alarms"]]


def test_the_config_may_also_stand_first(hot: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["alarms", str(hot.config)]) == 0
    assert "nest/temperature-high" in capsys.readouterr().out


def test_readings_that_were_recorded_after_the_last_state_are_seen_too(hot: Shelf) -> None:
    """The daemon records its state every five minutes and readings every minute."""
    state, hot.state_too = hot.state, False
    hot.live(4, 29.5)
    assert hot.state is not state
    hot.now_ms += 55_000  # what came meanwhile is not on the disk yet
    found = hot.listed()
    assert [row["alarm"] for row in found["alarms"] if row["alarm"].startswith("probe")] == []
    row = next(row for row in found["alarms"] if row["key"] == "nest/temperature-high")
    assert (row["condition"], row["value_now"]) == ("active", 29.5)


def test_alarms_say_when_the_daemon_does_not_run(hot: Shelf) -> None:
    assert "does not run" not in hot.say("alarms")
    hot.now_ms += DAY_MS
    assert "The daemon does not run: this is what it knew at 2027-04-29" in hot.say("alarms")


def test_alarms_without_a_store_say_so(shelf: Shelf) -> None:
    told = shelf.say("alarms")
    assert "not recorded anything yet" in told
    assert "Nobody watches the chambers." in told
    assert "No alarm stands." not in told  # nobody can know


def test_alarms_are_no_greener_than_what_is_known(shelf: Shelf) -> None:
    shelf.live(30, 25.5)
    assert "No alarm stands." in shelf.say("alarms")
    shelf.now_ms += DAY_MS
    told = shelf.say("alarms")
    assert "Nobody watches the chambers." in told
    assert "No alarm stands." not in told


# ---------------------------------------------------------------- ack, shelve


@pytest.mark.parametrize(
    "target",
    [("nest/temperature-high",), ("nest", "temperature-high"), ("temperature-high",), ("nest",), ("all",)],
    ids="/".join,
)
def test_an_alarm_is_acknowledged_however_it_is_named(hot: Shelf, target: tuple[str, ...]) -> None:
    assert "nest/temperature-high, occurrence 1, is acknowledged." in hot.say("ack", *target)
    assert ("acknowledge", True) in hot.heard()
    row = next(row for row in hot.listed()["alarms"] if row["key"] == "nest/temperature-high")
    assert row["acknowledged"]


@pytest.mark.parametrize(
    "target", [("site/medium-down/home",), ("site", "medium-down", "--probe", "home"), ("all",)], ids="/".join
)
def test_a_broker_that_is_down_is_acknowledged_by_its_name(shelf: Shelf, target: tuple[str, ...]) -> None:
    shelf.live(10, 25.5)
    shelf.now_ms += 1000
    shelf.record(Batch.of(items=[MediumFault(shelf.now_ms, "home", True, "connection refused")]))
    shelf.live(5, 25.5)
    assert "The home is down" in shelf.say("alarms")
    assert "site/medium-down/home, occurrence 1, is acknowledged." in shelf.say("ack", *target)
    assert shelf.heard() == [("acknowledge", True)]


def test_a_probe_of_the_room_is_acknowledged_by_the_room(shelf: Shelf) -> None:
    shelf.live(10, 25.5)
    shelf.live(10, 25.5, room=(np.full(10, np.nan), np.full(10, np.nan)))
    row = next(row for row in shelf.listed()["alarms"] if row["chamber"] == "study")
    assert row["key"] in ("study/probe-stale/study-air", "study/probe-fault/study-air")
    assert "is acknowledged." in shelf.say("ack", row["key"])
    assert shelf.heard() == [("acknowledge", True)]


def test_with_nothing_left_to_acknowledge_nothing_is_spooled(hot: Shelf) -> None:
    hot.say("ack", "all")
    hot.turn()
    assert "Nothing to acknowledge" in hot.say("ack", "all")
    assert hot.spool.waiting(0) == ([], [])


def test_a_shelf_hides_ends_by_itself_and_can_be_ended(hot: Shelf) -> None:
    assert "is shelved until 2027-04-30 01:0" in hot.say("shelve", "nest/temperature-high", "--for", "4h")
    assert hot.heard() == [("shelve", True)]
    assert list(hot.listed()["shelved"]) == ["nest/temperature-high"]
    assert "no longer shelved" in hot.say("unshelve", "all")
    assert hot.heard() == [("unshelve", True)]
    assert hot.listed()["shelved"] == {}
    hot.say("shelve", "nest", "--for", "5min")
    hot.turn()
    hot.live(10, 29.0)
    assert hot.listed()["shelved"] == {}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("ack", "nest/temperature-hihg"), "'temperature-hihg' is no alarm; allowed: temperature-high"),
        (("ack", "cellar/temperature-high"), "There is no chamber cellar. Chambers, rooms and the site: nest, study, site."),
        (("ack", "cellar"), "There is no chamber cellar"),
        (("ack", "nest/humidity-low"), "This alarm has never stood"),
        (("ack", "nest/probe-stale"), "is about one probe or line; name it"),
        (("ack", "nest/probe-stale/other"), "'other' is not in the config; allowed: air, study-air"),
        (("ack", "a/b/c/d"), "write CHAMBER/ALARM"),
        (("shelve", "nest/temperature-high", "--for", "30d"), "the time: found"),
        (("unshelve", "nest/temperature-high"), "This alarm is not shelved"),
        (("out-of-service", "lid"), "There is no probe lid. Probes: air, study-air."),
        (("out-of-service", "air", "--for", "20d"), "the time: found"),
        (("visit", "tank"), "There is no chamber tank. Chambers: nest."),
        (("visit", "nest", "--for", "1d"), "the time: found"),
        (("done", "nest-99"), "There is no advice 'nest-99'; there are: nest-1"),
        (("done", "nest", "--amount", "nan"), "amount: found nan"),
    ],
)  # fmt: skip
def test_what_the_rules_refuse_is_refused_at_once_and_never_spooled(hot: Shelf, words: tuple[str, ...], said: str) -> None:
    assert said in hot.say(*words, status=65)
    assert hot.spool.waiting(0) == ([], [])


def test_a_harmful_alarm_is_not_shelved(hot: Shelf) -> None:
    hot.live(30, 31.0)
    assert "its level is harmful now" in hot.say("shelve", "nest/temperature-high", status=65).lower()


# ---------------------------------------------------------------- probes, visits, advice


def test_a_probe_goes_out_of_service_and_comes_back(hot: Shelf) -> None:
    assert "Probe air is out of service until" in hot.say("out-of-service", "air", "--for", "2d", "--reason", "in salt")
    hot.turn()
    assert list(hot.listed()["out_of_service"]) == ["air"]
    assert "Probe air is in service." in hot.say("out-of-service", "air", "back")
    hot.turn()
    assert hot.listed()["out_of_service"] == {}


def test_a_visit_is_announced_and_ends_by_itself_or_by_word(shelf: Shelf) -> None:
    shelf.live(30, 25.5)
    assert "Lid and humidity are quiet until" in shelf.say("visit", "nest", "--for", "20min")
    shelf.turn()
    assert "A visit in nest until" in shelf.say("alarms")
    assert "The visit is over." in shelf.say("visit", "nest", "--over")
    shelf.turn()
    assert shelf.listed()["visits"] == {}


def test_done_is_taken_for_the_open_advice_of_a_chamber_and_only_once(hot: Shelf) -> None:
    told = hot.say("done", "nest")
    assert "is done; what it does will be compared with what was predicted" in told
    assert hot.heard() == [("advice-done", True)]
    assert "was told as done before" in hot.say("done", told.split()[0])


def test_what_is_booked_is_what_the_letter_asked_for_though_the_advice_has_moved_on(shelf: Shelf) -> None:
    shelf.live(20, 28.9, 74.0)
    (read,) = [one for event in shelf.events if isinstance(event, LetterEvent) for one in event.about if one.kind == "advice"]
    assert (read.name, read.device, read.amount) == ("nest-1", "heater", 1.0)
    shelf.live(45, 28.9, 50.0)
    assert shelf.state is not None and shelf.state.advice["nest"].open is not None
    assert (shelf.state.advice["nest"].open.name, shelf.state.advice["nest"].open.amounts) == ("nest-1.2", [0.0])
    told = shelf.say("done", "nest-1")
    assert "Booked: Turn the heater's thermostat down from 28 to 27 °C." in told
    assert "nest-1.2 is still asked: Check that the lid is shut" in told  # of that nothing was done yet
    assert shelf.heard() == [("advice-done", True)]
    assert told_knobs(shelf.state.keeper.devices["nest"]) == {"setpoint": 27.0}
    assert "nest-1.2 is done; what it does" in shelf.say("done", "nest-1.2")
    assert shelf.heard() == [("advice-done", True)]
    assert told_knobs(shelf.state.keeper.devices["nest"]) == {"setpoint": 27.0}
    for name in ("nest-1", "nest-1.2"):
        assert "was told as done before" in shelf.say("done", name)


def test_an_amount_far_from_what_was_advised_is_asked_about(hot: Shelf) -> None:
    told = hot.say("done", "nest", "--amount", "5000000", status=65)
    assert "is far from what was advised" in told and "add --yes" in told
    assert hot.heard() == []
    hot.say("done", "nest", "--amount", "1")
    assert hot.heard() == [("advice-done", True)]


def test_a_heater_that_does_not_switch_off_is_told_as_left_out(hot: Shelf) -> None:
    told = hot.say("done", "nest", "--left-out")
    assert "Booked: the heater does not switch off and is left out" in told and hot.heard() == [("advice-done", True)]
    assert hot.state is not None and told_knobs(hot.state.keeper.devices["nest"])["heater_plugged"] == 0.0


def test_done_of_a_chamber_asks_which_one_where_its_advice_has_changed_since_the_letter(shelf: Shelf) -> None:
    shelf.live(34, 28.9, 74.0)
    shelf.now_ms += 32 * MINUTE_MS  # the probe is silent: it is the probe that should be looked at, which no letter says yet
    shelf.turn()
    told = shelf.say("done", "nest", status=65)
    assert "nest-1: Turn the heater's thermostat down from 28 to 27 °C" in told
    assert "nest-1.2: Check the probe air" in told
    shelf.say("done", "nest-1")
    assert shelf.heard() == [("advice-done", True)]


# ---------------------------------------------------------------- chattering


def test_an_alarm_that_comes_and_goes_is_listed_with_a_proposal_from_its_own_noise(shelf: Shelf) -> None:
    noise = np.random.default_rng(5)
    shelf.live(8 * 1440, np.round(27.6 + 0.1 * noise.standard_normal(8 * 1440), 2))
    for _ in range(4):
        shelf.live(60, 28.6 + 0.02 * noise.standard_normal(60))
        shelf.live(60, 26.5 + 0.02 * noise.standard_normal(60))  # slower than any thermostat swings
    shelf.live(60, 28.6 + 0.02 * noise.standard_normal(60))
    row = next(row for row in shelf.listed()["alarms"] if row["key"] == "nest/temperature-high")
    assert row["chattering"]
    told = shelf.say("alarms")
    assert "comes and goes" in told
    assert "raises a day while hovering on the limit" in told
    assert "[chamber.nest.temperature]" in told


# ---------------------------------------------------------------- why


def test_why_lays_open_readings_quality_model_candidates_winner_and_runner_up(hot: Shelf) -> None:
    told = json.loads(hot.say("why", "nest", "--json"))
    assert {row["probe"]: row["flag"] for row in told["probes"]} == {"air": "good", "study-air": "good"}
    assert told["cell"] is not None
    assert told["searched"] > 10
    assert told["winner"]["changes"]
    assert told["winner"] != told["runner_up"]
    assert any(row.startswith("temperature-high: active") for row in told["standing"])
    text = hot.say("why", "nest")
    parts = ("air air temperature: 28.6 °C at", "dew point", "Model of the chamber (from its build", "winner:", "runner-up:")
    for part in (*parts, "doing nothing:", "Sources"):
        assert part in text
    titles = [line for line in text.splitlines() if line and not line.startswith(" ")]
    assert titles[1:4] == ["What stands", "Advice", "Do not"]  # first what to do, the numbers after
    assert max(len(line) for line in text.splitlines()) <= 100


def test_why_asks_for_what_the_letter_asks_and_for_nothing_while_that_is_judged(hot: Shelf) -> None:
    letter = next(event for event in reversed(hot.events) if isinstance(event, AdviceEvent))
    before = json.loads(hot.say("why", "nest", "--json"))
    assert before["advice"] == [action.text for action in letter.actions]
    hot.say("done", "nest")
    hot.turn()
    hot.live(10, 28.7, 74.0)
    (told,) = json.loads(hot.say("why", "nest", "--json"))["advice"]
    assert told.startswith(f"What you did ({letter.name}) is being judged: leave it so, and look again at ")
    assert "What was weighed, as if all might be changed now" in hot.say("why", "nest")


def test_why_says_that_nothing_is_asked_while_no_advice_is_open(shelf: Shelf) -> None:
    shelf.live(120, 26.0)
    shelf.live(3, 14.0)
    told = json.loads(shelf.say("why", "nest", "--json"))
    assert told["advice"] and not told["asked"]
    assert "Advice if it lasts; nothing is asked of you yet" in shelf.say("why", "nest")


def test_why_and_alarms_say_why_a_limit_of_dryness_lies_higher_than_written(shelf: Shelf) -> None:
    shelf.live(60, 25.5, 70.5)
    assert "raised" not in shelf.say("alarms")
    shelf.live(40, 31.0 + 0.05 * np.sin(np.arange(40)), 72.0 + 0.2 * np.sin(np.arange(40)))
    limit = next(row for row in shelf.listed()["alarms"] if row["key"] == "nest/humidity-low")["limit"]
    for told in (shelf.say("alarms"), shelf.say("why", "nest")):
        assert f"{limit:.0f} %, raised from 70 %: warm air dries more" in " ".join(told.split())


def test_why_of_a_quiet_chamber_says_that_nothing_stands(shelf: Shelf) -> None:
    shelf.live(30, 25.5)
    assert "Nothing stands: nothing to do." in shelf.say("why", "nest")
    assert "There is no chamber study. Chambers: nest." in shelf.say("why", "study", status=65)


def test_why_lists_what_the_other_screens_list_though_something_else_explains_it(shelf: Shelf) -> None:
    wave = np.arange(60)
    shelf.live(60, 25.0 + 0.1 * np.sin(wave), 96.0 + 0.1 * np.cos(wave))
    shelf.say("visit", "nest")
    shelf.turn()
    shelf.live(2, (25.0, 25.1), (96.0, 96.1))
    assert "explained by another" in shelf.say("alarms")
    told = " ".join(shelf.say("why", "nest").split())
    assert "lid is wet (lid-dew): active, only in the daily digest; because of visit: work in the tank" in told
    assert "no alarm" not in told
    assert "Nothing stands" not in told


# ---------------------------------------------------------------- lid


def test_a_measured_lid_narrows_what_is_known_and_the_daemon_learns_the_same(shelf: Shelf) -> None:
    shelf.live(120, 26.0)
    before = json.loads(shelf.say("lid", "nest", "--json"))
    assert before["posterior"] == before["prior"]
    told = json.loads(shelf.say("lid", "nest", "measured", "23.0", "--uncertainty", "0.2", "--json"))
    assert told["posterior"]["mean"] > before["posterior"]["mean"] + 0.02
    assert told["posterior"]["standard_deviation"] < 0.7 * before["posterior"]["standard_deviation"]
    assert told["prior"] == before["prior"]
    assert ("lid-measured", True) in shelf.heard()
    after = json.loads(shelf.say("lid", "nest", "--json"))
    assert (after["posterior"], after["measurements"]) == (told["posterior"], 1)


def test_a_sighting_moves_what_is_known_to_its_side(shelf: Shelf) -> None:
    shelf.live(120, 26.0, 82.0)
    wet = json.loads(shelf.say("lid", "nest", "seen", "mist", "--json"))
    dry = json.loads(shelf.say("lid", "nest", "seen", "dry", "--json"))
    assert wet["posterior"]["mean"] < wet["prior"]["mean"] < dry["posterior"]["mean"]
    shown = shelf.say("lid", "nest", "show")
    for part in ("single acrylic, 3 mm, cold walls", "by the build", "as now known", "95 % within", "it is wet from"):
        assert part in shown


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("nest", "measured", "warm"), 'measured: "warm" is no number, such as 2.5'),
        (("nest", "measured", "nan"), "lid's temperature in °C: found nan"),
        (("nest", "measured", "-300"), "found -300; allowed is at least -20"),
        (("nest", "measured", "22", "--uncertainty", "0"), "uncertainty in K: found 0; allowed is more than 0"),
        (("nest", "seen", "rain"), "say what you see: droplets, mist or dry"),
        (("nest", "seen", "dry", "--at", "2030-01-01T10:00"), "lies in the future"),
        (("nest", "seen", "dry", "--at", "2027-01-01T10:00"), "Nothing is learned: it needs the chamber's temperature"),
        (("attic", "seen", "dry"), "There is no chamber attic"),
    ],
)
def test_a_lid_is_not_taught_by_what_cannot_be(shelf: Shelf, words: tuple[str, ...], said: str) -> None:
    shelf.live(120, 26.0)
    assert said in shelf.say("lid", *words, status=65)
    assert shelf.spool.waiting(0) == ([], [])


def test_a_measured_lid_needs_its_figure(shelf: Shelf) -> None:
    shelf.live(120, 26.0)
    assert "say how many degC" in shelf.say("lid", "nest", "measured", status=64)
    assert shelf.spool.waiting(0) == ([], [])


@pytest.mark.parametrize("figure", ["22,5", "72F", "droplets"])
def test_a_figure_of_a_lid_alone_is_asked_what_it_is(shelf: Shelf, figure: str) -> None:
    told = shelf.say("lid", "nest", figure, status=64)
    assert f"found {figure}" in told and "`dewlid lid nest measured 22.5`" in told and "`dewlid lid nest seen droplets`" in told


def test_a_room_or_all_stands_for_every_chamber_in_it(hot: Shelf) -> None:
    many = len(hot.listed()["alarms"])
    assert many > 1
    told = hot.say("ack", "study")
    assert told.count("is acknowledged.") == many
    hot.turn()
    assert all(row["acknowledged"] for row in hot.listed()["alarms"])
    assert "Nothing to acknowledge" in hot.say("ack", "nest", "study")
    assert "is done; what it does" in hot.say("done", "study")
    hot.turn()
    assert "No advice is open there." in hot.say("done", "all", status=65)
    assert "There is no chamber cellar." in hot.say("ack", "nest", "cellar", status=65)


# ---------------------------------------------------------------- undo


def test_undo_takes_the_last_word_back_and_list_shows_what_is_left(hot: Shelf) -> None:
    assert "There is nothing to take back." in hot.say("undo", status=65)
    hot.say("ack", "nest/temperature-high")
    hot.turn()
    hot.say("garden", "nest", "--ml", "600")
    hot.turn()
    listed = hot.say("undo", "--list")
    garden, seen = "The garden of Nest holds 600 ml.", "nest/temperature-high, occurrence 1, is acknowledged."
    assert listed.index(garden) < listed.index(seen)
    told = hot.say("undo")
    assert told.startswith('Taken back: "The garden of Nest holds 600 ml". The size before it holds again')
    assert hot.heard() == [("take-back", True)]
    assert hot.state is not None
    assert hot.state.keeper.gardens == {}
    assert 'nest/temperature-high, occurrence 1, is acknowledged". If it still stands, reminders' in hot.say("undo")
    hot.turn()
    assert [row["acknowledged"] for row in hot.listed()["alarms"]] == [False] * len(hot.listed()["alarms"])
    assert "There is nothing to take back." in hot.say("undo", status=65)


def test_undo_takes_back_all_that_one_command_said_and_may_name_an_older_one(hot: Shelf) -> None:
    assert len(hot.listed()["alarms"]) > 1
    hot.say("ack", "all")
    hot.turn()
    hot.say("visit", "nest")
    hot.turn()
    named = hot.say("undo", "--list").splitlines()[2].split()[1]
    hot.say("undo", named)
    assert set(hot.heard()) == {("take-back", True)}
    assert not any(row["acknowledged"] for row in hot.listed()["alarms"])
    assert set(hot.listed()["visits"]) == {"nest"}
    assert "no word 'ffff' to take back" in hot.say("undo", "ffff", status=65)


def test_what_the_daemon_has_not_heard_yet_is_taken_back_before_it_does_anything(hot: Shelf) -> None:
    hot.say("visit", "nest")
    hot.turn()
    hot.say("garden", "nest", "--ml", "600")
    hot.say("ack", "all")
    assert "Not heard yet by the daemon: " in hot.say("undo", "--list")
    assert "the daemon has not heard it yet" in hot.say("undo")
    assert "the daemon has not heard it yet" in hot.say("undo")
    assert "lid and humidity are quiet" in hot.say("undo").casefold()  # what it has heard comes last
    assert all(accepted for _, accepted in hot.heard())
    assert hot.state is not None
    assert (hot.state.keeper.gardens, hot.state.keeper.visits, hot.state.keeper.said) == ({}, {}, [])
    assert not any(row["acknowledged"] for row in hot.listed()["alarms"])


def test_nothing_is_rehearsed_where_nobody_would_send_it(hot: Shelf) -> None:
    assert "no outlet: nothing could arrive" in hot.say("rehearse", status=78)
    hot.now_ms += DAY_MS
    assert "A rehearsal is sent by the daemon. The daemon does not run" in hot.say("rehearse", status=75)
    assert hot.heard() == []
