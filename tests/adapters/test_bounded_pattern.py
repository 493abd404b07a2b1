"""Every pattern that is taken ends on the worst lines; what needs backtracking is refused."""

from __future__ import annotations

import pytest

from adapters.bounded_pattern import LONGEST_LINE, PatternRefused, bounded_pattern


@pytest.mark.parametrize(
    "pattern",
    [
        r"(a+)+b", r"(a*)*b", r"(?:a|aa)+b", r"([0-9]+)*x", r"(?:.{1,9}){1,9}x", r"(.*)(.*)(.*)(.*)x", r"\d*\d*\d*\d*x",
        r"\d+,?\d+,?\d+,?\d+,?\d+x", r"(?:a?){30}a{30}b",
        # Found by fuzzing: choices hid the repeats inside them, and repeats closed by a literal were forgotten.
        r"\w+\w+\w+\w+\w+\w+!|c", r"(?:\w+\w+\w+\w+\w+!)?x$", r"(?:\w|.){60}!", r"(?:a|a){100}b", r"(?:\w|.)" * 50 + "!",
        r"\w+\w+=" * 30 + "!", r"(?:\w+\w+=)(?:\w+\w+=)(?:\w+\w+=)!", r"\d+.*H\d+.*H\d+.*H!",
        # Letters that are one letter to the library: the other case, and what lies beyond Latin-1.
        r"(?i)a+A+a+A+a+!", r"(?i:[a-c]+)(?i:[A-C]+)(?i:b+)(?i:B+)!", r"[а-я]+[б-ю]+[а-я]+[б-ю]+!",
        r"[^б]+[^в]+[^г]+[^д]+!",
    ],
)
def test_pattern_that_could_explode_elsewhere_ends_on_lines_made_to_delay_it(pattern):
    compiled = bounded_pattern(pattern)
    for piece in ("a", "0", "0,", "б", "а", "w=", " "):  # none holds what the pattern ends with
        assert compiled.search((piece * LONGEST_LINE)[:LONGEST_LINE]) is None


@pytest.mark.parametrize("pattern", [r"(a)\1", r"(?=a)b", r"(?<!a)b", r"(a)(?(1)b|c)", r"(?:.{1,900}){1,900}x"])
def test_pattern_that_no_linear_engine_takes_is_refused(pattern):
    with pytest.raises(PatternRefused, match="back-references and look-around"):
        bounded_pattern(pattern)


@pytest.mark.parametrize("pattern", ["(", "[z-a]", "a{2,1}", "(?P<a>x)(?P<a>y)", "\\", "*"])
def test_text_that_is_no_pattern_is_refused(pattern):
    with pytest.raises(PatternRefused, match="no regular expression"):
        bounded_pattern(pattern)


@pytest.mark.parametrize(
    ("pattern", "line"),
    [
        (r"T=(?P<t>-?\d+\.\d+)\s*C?\s+H=(?P<h>\d+(?:\.\d+)?)%", "#12 T=-25.25 C  H=81.5%"),
        (r"^(?P<t>[-+.\d]+),(?P<h>[-+.\d]+)$", "25.5,81"),
        (r"T=(?P<t>[-.\d]+)[^H]*H=(?P<h>[.\d]+)", "T=25.5 C, H=81"),
        (r".*T=(?P<t>\d+).*H=(?P<h>\d+)", "x T=25 y H=81"),
        (r"(?P<t>\d{2})(?:C|degC) (?P<h>\d{2,3})", "25degC 81"),
        (r"T=(?P<t>-?\d+\.?\d*) C, H=(?P<h>\d+\.?\d*)!", "T=25.5 C, H=81!"),
        (r"T=(?P<t>[-.\d]+)°C;? H=(?P<h>[.\d]+)%;? L=(?P<l>[-.\d]+)°C$", "T=25.5°C; H=81%; L=24.0°C"),
        (r"(?:air|tank) (?P<t>[-.\d]+)(?: C|°C)? (?P<h>[.\d]+) ?%", "tank 25.5°C 81 %"),
        (r"(?i:temp)\w*: (?P<t>[^ ]+) +hum: (?P<h>\S+)", "TEMPerature: 25.1  hum: 80"),
    ],
)
def test_ordinary_pattern_is_taken_and_ends_on_lines_made_to_delay_it(pattern, line):
    compiled = bounded_pattern(pattern)
    assert compiled.search(line)
    for piece in ("1", "T=1", "T=1 C, H=1", "T=1°C; H=1%;", "tank 1", "T=1H=", "25,", "TEMPa: b ", " ", ".", "1.1", "T=1.H=1."):
        compiled.search((piece * LONGEST_LINE)[:LONGEST_LINE])
