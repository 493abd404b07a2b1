"""A config that cannot be read: the line to repair, and in plain words what stands there and what to write."""

from __future__ import annotations

import re
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.config.syntax import syntax_fault

GOOD = '''[site]
name = "shelf"

[chamber.tank-1]
title = "Nest"
air_ml = 800.0
temperature = { low = 24.0, high = 28.0 }

[probe.air]
kind = "serial-text"
port = "/dev/ttyUSB0"
interval = "10s"
'''
TITLE, AIR, BAND, PORT, SINCE = GOOD.splitlines()[4:7] + GOOD.splitlines()[10:]
RAW = re.compile(
    r"[Ee]xpected|[Ii]nvalid|[Ii]llegal|[Cc]annot (?!be read)|[Uu]nclosed|[Uu]nterminated|[Dd]uplicate|statement|document"
    r"|namespace|not TOML|column \d|[Uu]nescaped"
)
"""Words of the reader of TOML, which are for programmers."""


def told(text: str) -> tuple[int, str]:
    with pytest.raises(tomllib.TOMLDecodeError) as caught:
        tomllib.loads(text)
    return syntax_fault(text, caught.value)


@pytest.mark.parametrize(("old", "new", "line", "said"), [
    (TITLE, 'title = "Nest', 5, 'a quote in this line is never closed; write " at the end'),
    (TITLE, 'title = Nest"', 5, "a quote in this line is never closed"),
    (TITLE, "title = 'Nest", 5, "a quote in this line is never closed; write ' at the end"),
    (TITLE, 'title = """Nest', 5, "a quote in this line is never closed"),
    (TITLE, "title = Nest", 5, 'text stands in quotes; write title = "Nest"'),
    (TITLE, "title = “Nest”", 5, "“ is no quote here; write straight quotes"),
    (TITLE, 'title = „Nest"', 5, "„ is no quote here"),
    (TITLE, 'title\u00a0= "Nest"', 5, "an invisible sign (U+00A0)"),
    (TITLE, '\ufefftitle = "Nest"', 5, "an invisible sign (U+FEFF)"),
    (TITLE, 'title = "Ne\x07st"', 5, "a control character (U+0007)"),
    (TITLE, 'title = "Nest"\rx = 1', 5, "a control character (U+000D)"),
    (TITLE, 'title == "Nest"', 5, 'one = is enough: title = "Nest"'),
    (TITLE, 'title: "Nest"', 5, 'between key and value stands =; write title = "Nest"'),
    (TITLE, 'title "Nest"', 5, 'a = is missing; write title = "Nest"'),
    (TITLE, 'title = "Nest" colony = "atta"', 5, 'behind "Nest" stands something more'),
    (TITLE, "// my nest", 5, "a comment begins with #"),
    (TITLE, 'my title = "Nest"', 5, '"my title" is no key: keys have letters, digits, _ and -; perhaps my_title'),
    (AIR, "air_ml = 800,5", 6, "write the decimal comma as a point: air_ml = 800.5"),
    (AIR, "air_ml = 800,5 # measured", 6, "write the decimal comma as a point: air_ml = 800.5"),
    (AIR, "air_ml = 800 ml", 6, "the unit is not written here; write the number alone: air_ml = 800"),
    (AIR, "air_ml = 0800", 6, "a number begins with no needless 0: air_ml = 800"),
    (AIR, "air_ml = -07", 6, "a number begins with no needless 0: air_ml = -7"),
    (AIR, "air_ml = .8", 6, "a figure stands on both sides of the point: air_ml = 0.8"),
    (AIR, "air_ml =   # later", 6, "nothing stands behind air_ml ="),
    (AIR, "air_ml = 800.0\nair_ml = 900.0", 7, "the key air_ml stands twice, first in line 6; keep one of them"),
    (AIR, "air_ml = 800.0\n[chamber.tank-1]", 7, "[chamber.tank-1] stands twice, first in line 4"),
    (BAND, "temperature = { low = 24,0, high = 28.0 }", 7, "write the decimal comma as a point: low = 24.0"),
    (BAND, "temperature = { low = 24.0 high = 28.0 }", 7, "a comma is missing before high"),
    (BAND, "temperature = { low = 24.0, low = 28.0 }", 7, "the key low stands twice in one table"),
    (BAND, "temperature = { low = 24.0, high = 28.0", 7, "the table that begins here is never closed; write } at its end"),
    (BAND, "temperature = low = 24.0, high = 28.0 }", 7, "} closes what was never begun"),
    (BAND, "temperature = [24.0,\n28.0", 7, "the list that begins here is never closed; write ] at its end"),
    ("[chamber.tank-1]", "[chamber.tank-1", 4, "the table's name is not closed; write [chamber.tank-1]"),
    ("[chamber.tank-1]", "chamber.tank-1]", 4, "a table begins with a bracket; write [chamber.tank-1]"),
    ("[chamber.tank-1]", "[chamber.Große Kiste]", 4, "write such as [chamber.grosse-kiste]"),
    (PORT, "port = /dev/ttyUSB0", 11, 'text stands in quotes; write port = "/dev/ttyUSB0"'),
    (PORT, 'port = "C:\\dev\\x"', 11, 'a backslash in "..." must be doubled'),
    (SINCE, "interval = 10s", 12, 'text stands in quotes; write interval = "10s"'),
    (SINCE, "decimal_comma = yes", 12, "found yes; allowed are true and false, in small letters: decimal_comma = true"),
    (SINCE, "decimal_comma = False", 12, "in small letters: decimal_comma = false"),
    (SINCE, "since = 31.12.2026", 12, 'text stands in quotes; write since = "31.12.2026"'),
    (SINCE, "digest_at = 8:00", 12, 'text stands in quotes; write digest_at = "8:00"'),
])  # fmt: skip
def test_what_is_wrong_is_said_in_plain_words_with_what_to_write(old: str, new: str, line: int, said: str) -> None:
    found, words = told(GOOD.replace(old, new, 1))
    assert (found, RAW.search(words)) == (line, None), words
    assert said in words


@given(st.data())
def test_whatever_is_broken_no_word_of_the_reader_is_told(data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(GOOD)))
    cut = data.draw(st.integers(0, 3))
    broken = GOOD[:at] + data.draw(st.text("[]{}\"'=.,#\n a-1“\\é\t\r", max_size=4)) + GOOD[at + cut :]
    try:
        tomllib.loads(broken)
    except tomllib.TOMLDecodeError as error:
        line, words = syntax_fault(broken, error)
        assert 1 <= line <= broken.count("\n") + 1
        assert RAW.search(words.replace(broken.split("\n")[line - 1].strip()[:60], "")) is None, words
        assert words.isprintable()


def test_a_line_of_a_quarter_of_a_megabyte_is_told_at_once() -> None:
    for line in ("a = { " + "b " * 60_000, 'a = "' + "\\x" * 60_000, "a" * 120_000 + " = ,"):
        assert told(line)[0] == 1
