"""The report: a page from a real store, looked at by a real browser, and from every odd store a page and no traceback."""

from __future__ import annotations

import csv
import re
import sqlite3
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import time_machine
from browser import Browser
from shelf_store import fill, write_config

from daemon.cli import main
from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.desk.replay import slices
from daemon.report.chamber_chart import ticks
from daemon.report.chamber_part import predictions_held
from daemon.report.comparison import names_of
from daemon.report.curves import RAW_FOR_MS
from daemon.report.figures import rows, shares
from daemon.report.looks import STYLE
from daemon.report.outcomes import advice_lines, alarm_lines, lead_ms
from daemon.report.page import page
from daemon.report.record import Record, read_record
from daemon.report.svg import Scale, steps, thinned
from daemon.store.history import History
from rules.advice.state import Worth
from rules.alarms.load import occurrences
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, AdviceEvent, Batch, Reading
from rules.terms.words import CareDone, Observation
from rules.turn.advance import advance, dump_state

START_MS = round(datetime(2026, 3, 24, tzinfo=UTC).timestamp() * 1000)  # the clocks go forward on 29 March
DAYS = 6.98
END_MS = START_MS + round(DAYS * DAY_MS)
HOSTILE = "lid wet <b>all over</b> & more"
_VOID = {"meta", "link", "br"}


class Tags(HTMLParser):
    """Notes that every element is closed, and what the page would fetch or run."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.fetched: list[str] = []
        self.names: set[str] = set()
        self.ids: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.add(tag)
        for key, value in attrs:
            if key in ("src", "href", "srcset", "data") and not (value or "").startswith(("data:", "#")):
                self.fetched.append(f"{tag} {key}={value}")
            if key.startswith("on"):
                self.fetched.append(f"{tag} {key}")
            if key == "id":
                self.ids.append(value or "")
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in _VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


def looked_at(text: str) -> Tags:
    tags = Tags()
    tags.feed(text)
    assert (tags.wrong, tags.open) == ([], [])
    assert tags.fetched == []
    assert "script" not in tags.names
    assert len(set(tags.ids)) == len(tags.ids)
    for found in re.findall(r"<svg.*?</svg>", text, re.DOTALL):
        ET.fromstring(found)
    assert "nan" not in re.sub(r"[a-z]*nan[a-z]+|[a-z]+nan", "", text.lower())
    return tags


@pytest.fixture(name="shelf", scope="module")
def _shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shelf")
    config = write_config(folder)
    at_ms = START_MS + 4 * DAY_MS
    said = [
        CareDone(taken_ms=at_ms, word_id="a", task="leaves", at_ms=at_ms),
        Observation(taken_ms=at_ms + 1, word_id="b", chamber="big-nest", at_ms=at_ms, text=HOSTILE),
    ]
    fill(config, START_MS, DAYS, items=said)
    return config


def read(config: Path, now_ms: int = END_MS, for_ms: int = 7 * DAY_MS) -> Record:
    configuration = load(config)
    return read_record(configuration.store, settings_of(configuration), now_ms, for_ms)


@pytest.fixture(name="record", scope="module")
def _record(shelf: Path) -> Record:
    return read(shelf)


# ---------------------------------------------------------------- the page


def test_the_page_says_first_who_needs_what_and_needs_nothing_else(record: Record) -> None:
    text = page(record)
    tags = looked_at(text)
    assert {"svg", "title", "desc", "table", "details"} <= tags.names
    first = re.sub(r"<[^>]+>", " ", text.split("<h2>")[0])
    assert "Act now" in first
    assert "Big nest needs you now: losing moisture and heat is failing" in first  # of the dead heater an old loss says nothing
    assert "Small nest is well." in first
    assert "Check the heat: plug, breaker or residual-current device" in first
    assert "dewlid done big-nest-" in first


def test_what_a_keeper_wrote_is_text_and_never_markup(record: Record) -> None:
    text = page(record)
    assert "<b>all over</b>" not in text
    assert "lid wet &lt;b&gt;all over&lt;/b&gt; &amp; more" in text


def test_every_picture_has_words_for_those_who_cannot_see_it(record: Record) -> None:
    text = page(record)
    pictures = re.findall(r'<svg [^>]*role="img" aria-labelledby="([^"]+)">(.*?)</svg>', text, re.DOTALL)
    assert len(pictures) == 4  # two chambers, wide and narrow
    for named, inside in pictures:
        title, description = named.split()
        assert f'<title id="{title}">' in inside
        assert re.search(rf'<desc id="{description}">Temperature 1?\d.* to .*, in band \d+ % of the time seen\.', inside)
    assert text.count("<caption>Least, mean and greatest") == 2


def test_a_browser_finds_no_fault_and_nothing_sticks_out_at_either_width(record: Record, tmp_path: Path) -> None:
    file = tmp_path / "report.html"
    file.write_text(page(record))
    browser = Browser(tmp_path)
    for width in (360, 1280):
        found = browser.measured(file, width)
        assert found["out"] == found["over"] == []
        assert found["scroll"] == width
        assert found["small"] == found["thin"] == 0
        assert isinstance(found["words"], int)
        assert found["words"] > 40


def test_it_prints_on_a_few_sheets_of_a4(record: Record, tmp_path: Path) -> None:
    file = tmp_path / "report.html"
    file.write_text(page(record))
    assert 4 <= Browser(tmp_path).sheets(file) <= 6  # the first, one for each chamber, one or two for alarms and probes


def luminance(colour: str) -> float:
    """Relative luminance, W3C WCAG 2.1 definition."""
    digits = colour if len(colour) == 6 else "".join(2 * digit for digit in colour)
    parts = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("look", ["light", "dark"])
def test_all_words_stand_out_from_their_ground(look: str) -> None:
    """At least 4.5 to 1, W3C WCAG 2.1 success criterion 1.4.3 (AA)."""
    light, dark = STYLE.split("@media print")[0].split("prefers-color-scheme:dark")
    colours = dict(re.findall(r"--([\w-]+):#([0-9a-f]{6}|[0-9a-f]{3})(?=[;}\s])", light if look == "light" else dark))
    pairs = [(name, ground) for name in ("ink", "quiet") for ground in ("ground", "sheet", "act-bg", "well-bg")]
    pairs += [(grade, ground) for grade in ("well", "look", "act", "unseen") for ground in (f"{grade}-bg", "sheet")]
    pairs += [(line, "sheet") for line in ("temperature", "humidity", "dew", "lid")]
    for name, ground in pairs:
        bright, dim = sorted((luminance(colours[name]), luminance(colours[ground])), reverse=True)
        assert (bright + 0.05) / (dim + 0.05) >= 4.5, (name, ground)


# ---------------------------------------------------------------- figures


def test_the_curves_are_what_the_rules_believed_that_day(record: Record) -> None:
    """The snapshot of the engine and the curve's last instant come by different ways and must agree."""
    for name, situation in record.situations.items():
        curve = record.curves[name]
        assert curve.temperature_c[-1] == pytest.approx(situation.temperature_c, abs=1e-4)
        assert curve.humidity_pct[-1] == pytest.approx(situation.relative_humidity_pct, abs=1e-4)
        assert curve.dew_point_c[-1] == pytest.approx(situation.dew_point_c, abs=1e-3)
        assert curve.margin_k[-1] == pytest.approx(situation.dew_margin_k, abs=0.05)


def test_a_day_of_twenty_three_hours_is_one_day_and_shares_add_up(record: Record) -> None:
    zone = ZoneInfo("Europe/Berlin")
    curve = record.curves["big-nest"]
    name, lines = rows(curve, record.since_ms, record.until_ms, zone)
    assert name == "day"
    assert [line.label for line in lines][-4:-1] == ["Sat 28 Mar", "Sun 29 Mar", "Mon 30 Mar"]
    assert lines[-3].seen == pytest.approx(1.0, abs=0.01)
    for share in shares(curve, record.settings.chambers["big-nest"], zone, record.until_ms - record.since_ms).values():
        assert share.below + share.inside + share.above + share.unseen == pytest.approx(1.0, abs=1e-3)


def test_no_excursion_is_lost_however_long_the_period() -> None:
    at_ms = np.arange(0, 365 * DAY_MS, 10 * MINUTE_MS)
    value = np.full(len(at_ms), 25.0)
    value[20_000] = 33.0
    columns = thinned(at_ms, value, value, value, Scale(0, 365 * DAY_MS, 0, 700), 32 * MINUTE_MS)
    assert len(columns.x) <= 701
    assert columns.most.max() == 33.0
    assert len(np.unique(columns.piece)) == 1


def test_a_silence_breaks_the_line() -> None:
    at_ms = np.concatenate((np.arange(0, 6 * HOUR_MS, MINUTE_MS), np.arange(12 * HOUR_MS, 18 * HOUR_MS, MINUTE_MS)))
    value = np.full(len(at_ms), 25.0)
    columns = thinned(at_ms, value, value, value, Scale(0, DAY_MS, 0, 700), 32 * MINUTE_MS)
    assert len(np.unique(columns.piece)) == 2


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (18.3, 29.7), (-5.0, 5.0), (97.0, 97.001), (25.0, 25.0)])
def test_an_axis_has_round_values_inside_its_range(low: float, high: float) -> None:
    values = steps(low, high, 4)
    assert len(values) <= 5
    assert all(low - 1e-6 <= value <= high + 1e-6 for value in values)


def test_old_quarter_hours_and_new_readings_make_one_curve(tmp_path: Path) -> None:
    config = write_config(tmp_path)
    fill(config, START_MS, 3)
    whole = read(config, START_MS + 3 * DAY_MS, 3 * DAY_MS).curves["big-nest"]
    history = History.open(load(config).store, now_ms=START_MS + 3 * DAY_MS)
    while history.roll_up(START_MS + 2 * DAY_MS):
        pass
    history.close()
    mixed = read(config, START_MS + 3 * DAY_MS, 3 * DAY_MS).curves["big-nest"]
    assert 190 < int((mixed.at_ms < START_MS + 2 * DAY_MS).sum()) < 194  # of the first two days 192 quarters
    assert (np.diff(mixed.at_ms) > 0).all()
    for name in ("temperature_c", "humidity_pct", "dew_point_c"):
        one, other = getattr(whole, name), getattr(mixed, name)
        assert np.interp(mixed.at_ms[10:180], whole.at_ms, one) == pytest.approx(other[10:180], abs=2.5)
    assert float(np.nanmin(mixed.temperature_least_c)) == float(np.nanmin(whole.temperature_c))
    text = page(read(config, START_MS + 3 * DAY_MS, 3 * DAY_MS))
    looked_at(text)


_SLOW_DAYS = 40


def _hourly_house(lost: tuple[range, ...]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return hours, degC and %RH of a real house (tests/data/SOURCES.md), 9 K warmer and 45 % damper so that it comes and
    goes through the bands, without the hours that were lost."""
    with (Path(__file__).parents[1] / "data" / "half_heated_house.csv").open(encoding="utf-8") as file:
        rows_ = list(csv.DictReader(file))[: 24 * _SLOW_DAYS]
    gone = {hour for hours in lost for hour in hours}
    hour = np.array([one for one in range(len(rows_)) if one not in gone])
    air_c, damp_pct = (np.array([float(rows_[one][key]) for one in hour]) for key in ("room_c", "room_pct"))
    return hour, air_c + 9.0, np.minimum(damp_pct + 45.0, 98.0)


@pytest.mark.parametrize("every_h", [1, 2])
def test_time_in_band_of_a_slow_probe_is_that_of_its_readings_after_the_roll_up(tmp_path: Path, every_h: int) -> None:
    """Held against a plain sum over the readings: each stands for three hours, three of its intervals, or until the next."""
    hour, air_c, damp_pct = (column[::every_h] for column in _hourly_house((range(300, 312), range(600, 700))))
    config = write_config(tmp_path)
    config.write_text(config.read_text().replace('"1min"', '"1h"'))
    at_ms, end_ms = START_MS + hour * HOUR_MS, START_MS + _SLOW_DAYS * DAY_MS
    columns = np.repeat(at_ms, 2), np.stack((air_c, damp_pct), axis=1).ravel()
    batch = Batch((("big-air", "air_temperature"), ("big-air", "relative_humidity")),
        np.tile(np.array([0, 1], np.int32), len(at_ms)), columns[0], columns[0], columns[1])  # fmt: skip
    history = History.open(load(config).store, now_ms=end_ms)
    for part in slices(batch, 96):
        history.record(part)
    history.record(Batch(), [], dump_state(advance(settings_of(load(config)), None, Batch(), end_ms).state))
    while history.roll_up(end_ms - 8 * DAY_MS):
        pass
    history.close()
    configuration = load(config)
    record = read_record(configuration.store, settings_of(configuration), end_ms, _SLOW_DAYS * DAY_MS, ("big-nest",))
    chamber = record.settings.chambers["big-nest"]
    told = shares(record.curves["big-nest"], chamber, UTC, _SLOW_DAYS * DAY_MS)
    stands_ms = np.minimum(np.diff(at_ms, append=end_ms), 3 * HOUR_MS)
    for name, value, band in (("temperature", air_c, chamber.temperature), ("humidity", damp_pct, chamber.humidity)):
        above, below = (value > (band.high or np.inf)), value < (band.low or -np.inf)
        inside = stands_ms[~above & ~below].sum() / (_SLOW_DAYS * DAY_MS)
        assert told[name].inside == pytest.approx(inside, abs=0.01)
        assert told[name].unseen == pytest.approx(1 - stands_ms.sum() / (_SLOW_DAYS * DAY_MS), abs=0.01)


# ---------------------------------------------------------------- odd stores


def test_no_store_gives_a_page_that_says_how_it_begins(tmp_path: Path) -> None:
    text = page(read(write_config(tmp_path)))
    looked_at(text)
    assert "Nothing has been recorded yet. It begins with: dewlid run." in text


def test_a_store_without_a_record_gives_a_page(tmp_path: Path) -> None:
    config = write_config(tmp_path)
    History.open(load(config).store, now_ms=START_MS).close()
    text = page(read(config))
    looked_at(text)
    assert "Nothing has been recorded yet" in text


def record_one(config: Path, readings: list[Reading], now_ms: int) -> None:
    settings = settings_of(load(config))
    history = History.open(load(config).store, now_ms=now_ms)
    batch = Batch.of(readings)
    advanced = advance(settings, None, batch, now_ms)
    history.record(batch, advanced.events, dump_state(advanced.state), [])
    history.close()


@pytest.mark.parametrize("number", [1, 2])
def test_one_reading_or_two_give_a_page(tmp_path: Path, number: int) -> None:
    config = write_config(tmp_path)
    readings = [Reading(at_ms, "big-air", "air_temperature", 25.0, at_ms) for at_ms in (START_MS, START_MS + MINUTE_MS)]
    record_one(config, readings[:number], START_MS + MINUTE_MS + 10)
    text = page(read(config, START_MS + MINUTE_MS + 20))
    looked_at(text)
    assert text.count("Nothing believable was measured here in this time.") == 3 - number  # first both
    dots = re.findall(r'<path class="temperature" d="M[\d.]+ [\d.]+L[\d.]+ [\d.]+"/>', text)
    assert len(dots) == 2 * (number - 1)  # wide and narrow; the very first value of a probe is not believed alone


def test_a_gap_of_weeks_gives_a_page_and_the_time_unseen(tmp_path: Path) -> None:
    config = write_config(tmp_path)
    fill(config, START_MS, 1)
    later_ms = START_MS + 30 * DAY_MS
    settings = settings_of(load(config))
    history = History.open(load(config).store, now_ms=later_ms)
    times = range(later_ms, later_ms + HOUR_MS, MINUTE_MS)
    readings = [Reading(at_ms, "big-air", "air_temperature", 25.0 + at_ms // MINUTE_MS % 2 / 10, at_ms) for at_ms in times]
    state = read(config, START_MS + DAY_MS).state
    batch = Batch.of(readings)
    advanced = advance(settings, state, batch, later_ms + HOUR_MS)
    history.record(batch, advanced.events, dump_state(advanced.state), [])
    history.close()
    record = read(config, later_ms + HOUR_MS, 32 * DAY_MS)
    text = page(record)
    looked_at(text)
    zone, chamber = ZoneInfo("Europe/Berlin"), record.settings.chambers["big-nest"]
    assert shares(record.curves["big-nest"], chamber, zone, 32 * DAY_MS)["temperature"].unseen > 0.9


def test_a_record_that_ended_long_ago_says_so_first_and_shows_its_end(shelf: Path) -> None:
    record = read(shelf, END_MS + 40 * DAY_MS)
    text = page(record)
    looked_at(text)
    assert record.until_ms == pytest.approx(END_MS, abs=MINUTE_MS)
    assert "Nobody has watched since" in text
    assert "See why nothing is recorded: dewlid check." in text


def test_a_chamber_that_was_renamed_keeps_its_curve_and_its_past_is_told(shelf: Path, tmp_path: Path) -> None:
    old = load(shelf)
    config = tmp_path / "renamed.toml"
    config.write_text(shelf.read_text().replace("big-nest", "old-nest").replace('title = "Big nest"', 'title = "Old nest"'))
    settings = settings_of(load(config))
    record = read_record(old.store, settings, END_MS, 7 * DAY_MS)
    text = page(record)
    looked_at(text)
    assert len(record.curves["old-nest"].at_ms) > 9_000
    assert "chambers that are no longer in the config" in text
    assert "big-nest is too cool" in text


def test_temperatures_are_told_in_the_keepers_unit(shelf: Path, tmp_path: Path) -> None:
    config = tmp_path / "fahrenheit.toml"
    config.write_text(shelf.read_text().replace('name = "North shelf"', 'name = "North shelf"\ntemperature_unit = "degF"'))
    text = page(read_record(load(shelf).store, settings_of(load(config)), END_MS, 2 * DAY_MS))
    looked_at(text)
    assert "Temperature, °F" in text
    assert "°C" not in text


@pytest.mark.parametrize("for_ms", [HOUR_MS, 30 * HOUR_MS, 20 * DAY_MS, 100 * DAY_MS, 400 * DAY_MS])
def test_every_length_of_period_has_its_axis_and_its_table(shelf: Path, for_ms: int) -> None:
    text = page(read(shelf, for_ms=for_ms))
    looked_at(text)
    wanted = {HOUR_MS: "hour", 30 * HOUR_MS: "hour", 20 * DAY_MS: "day", 100 * DAY_MS: "week"}.get(for_ms, "month")
    assert f"Figures by {wanted}" in text
    assert for_ms <= RAW_FOR_MS or "<tr><td>Mar 2026</td>" in text or "from 23 Mar" in text


# ---------------------------------------------------------------- the command


def test_the_command_writes_the_file_whole_and_says_where(shelf: Path, tmp_path: Path, capsys: Any) -> None:
    file = tmp_path / "page.html"
    with time_machine.travel(END_MS / 1000, tick=False):
        assert main(["report", str(shelf), "--chamber", "small-nest", "--since", "2d", "--out", str(file)]) == 0
    assert str(file) in capsys.readouterr().out
    text = file.read_text()
    looked_at(text)
    assert 'id="small-nest"' in text
    assert 'id="big-nest"' not in text
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]
    assert file.stat().st_mode & 0o777 == 0o644


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (["--chamber", "nowhere", "--out", "x.html"], 65, "There is no chamber 'nowhere'. Chambers: big-nest, small-nest."),
        (["--out", "/nonexistent/x.html"], 73, "/nonexistent/x.html cannot be written"),
        (["--out", "/"], 73, "is a folder: name a file in it"),
        (["--out", "/tmp/" + 300 * "x"], 73, "cannot be written: File name too long"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_said_in_words(shelf: Path, arguments: list[str], status: int, said: str, capsys: Any) -> None:
    assert main(["report", str(shelf), *arguments]) == status
    assert said in capsys.readouterr().err


def test_the_page_goes_to_standard_output_for_a_pipe(shelf: Path) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "daemon.cli", "report", str(shelf), "--out", "-"], capture_output=True, text=True, timeout=60
    )
    assert (ran.returncode, ran.stderr) == (0, "")
    looked_at(ran.stdout)


def test_a_damaged_store_is_told_and_not_traced(shelf: Path, tmp_path: Path, capsys: Any) -> None:
    config = write_config(tmp_path)
    store = load(config).store
    store.write_bytes(load(shelf).store.read_bytes()[:20_000])
    assert main(["report", str(config), "--out", str(tmp_path / "x.html")]) == 74
    assert "damaged" in capsys.readouterr().err


def test_the_report_only_reads(shelf: Path, record: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[str] = []
    real: Callable[..., sqlite3.Connection] = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda name, **more: (opened.append(name), real(name, **more))[1])
    read(shelf)
    assert opened
    assert all(name.endswith("?mode=ro") for name in opened)


@pytest.mark.parametrize("width", [120.0, 242.0, 328.0, 774.0])
@pytest.mark.parametrize("hours", [1, 24, 47, 48, 50, 54, 240, 400, 2000])
def test_every_period_has_a_time_axis_at_every_width(record: Record, hours: int, width: float) -> None:
    marks = ticks(START_MS, START_MS + hours * HOUR_MS, record.settings, width)
    assert marks or hours < 24
    assert all(START_MS <= at_ms < START_MS + hours * HOUR_MS for at_ms, _ in marks)


# ---------------------------------------------------------------- against the time before, and what it brought


def test_a_week_is_told_against_the_week_before(shelf: Path) -> None:
    for_ms = round(6.6 * DAY_MS)
    record = read(shelf, for_ms=for_ms)
    text = page(record)
    looked_at(text)
    earlier = read_record(load(shelf).store, record.settings, END_MS, for_ms, until_ms=record.since_ms).curves["big-nest"]
    mean_c = float(np.nanmean(earlier.temperature_c))
    row = re.search(r"Temperature, mean</td>(.*?)</tr>", text.split('id="big-nest"')[1])
    assert row is not None
    assert f">{mean_c:.1f} °C<" in row[1]
    assert text.count("Week against week") == 2
    assert "Week against week" not in page(read(shelf, for_ms=DAY_MS))


@pytest.mark.parametrize(("days", "title"), [
    (7, "Week against week"), (28, "Month against month"), (31, "Month against month"), (14, "Against the 14 days before"),
])  # fmt: skip
def test_a_period_is_called_by_its_length(days: int, title: str) -> None:
    assert names_of(days * DAY_MS)[2] == title


def advice(effect: Any, number: int, status: Any = "verified") -> AdviceEvent:
    return AdviceEvent(
        id=f"o.{number}.{status}", at_ms=END_MS - number * HOUR_MS, chamber="big-nest", advisory=f"big-nest-{number}",
        status=status, device="heater", change="more", amount=None, unit=None, reason="", effect=effect,
    )  # fmt: skip


def test_what_advice_brought_is_counted(record: Record) -> None:
    effects = ["works", "more than expected", "too little", "no effect", "cannot tell", None]
    events = [advice(None, number, "given") for number in range(8)] + [advice(one, at) for at, one in enumerate(effects)]
    told = advice_lines(replace(record, events=tuple(events)))
    assert told == [
        "Advice: 8 pieces given, 6 carried out: 2 worked, 1 helped less than expected, 1 had no effect,"
        " 2 whose own share in what came cannot be told."
    ]
    assert advice_lines(replace(record, events=())) == []


def test_how_early_an_alarm_came_is_told(record: Record) -> None:
    """Beside what the events themselves say, one occurrence after the other."""
    found = 0
    for one in occurrences(record.alarm_events):
        same = [event for event in record.alarm_events if (event.chamber, event.alarm) == (one.chamber, one.alarm)]
        mine = [event for event in same if one.raised_ms <= event.at_ms <= (one.ended_ms or END_MS)]
        harmed = [event.at_ms for event in mine if event.level == "harmful"]
        shown = [event.at_ms for event in mine if event.condition == "active" and event.suppression == "none"]
        if harmed and shown:
            found += harmed[0] > shown[0]
            assert lead_ms(record, one) == max(harmed[0] - shown[0], 0)
        elif not harmed:
            assert lead_ms(record, one) is None
    assert found
    told = " ".join(alarm_lines(record))
    assert re.search(r"Alarms: \d+ alarms told, \d+ of them came to harm\. \d+ of the \d+ were told before: half", told)
    assert alarm_lines(replace(record, alarm_events=())) == []


def test_the_page_tells_how_many_predictions_held_what_was_stated() -> None:
    worth = {"temperature 24": Worth(0.1, 3, 2), "temperature 1": Worth(0.0, 9, 9), "humidity 1": Worth(0.2, 9, 8)}
    assert predictions_held(worth) == [
        "Of 18 figures predicted for 1 hour ahead, 17 came within what was stated; 19 of 20 are wanted.",
        "Of 3 figures predicted for 24 hours ahead, 2 came within what was stated; 19 of 20 are wanted.",
    ]
