"""Says in plain words what is wrong in a config that cannot be read at all: in which line, what stands there, what to write."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Callable, Sequence

_AT = re.compile(r"\(at line (\d+), column \d+\)$")
_KEY = r"""^\s*(?P<key>[\w.\-"']+)\s*"""
_STRING = re.compile(r"""\"\"\".*?\"\"\"|'''.*?'''|"(?:\\.|[^"\\])*"|'[^']*'""")
_SWITCHES = {
    "yes": "true", "on": "true", "y": "true", "true": "true", "no": "false", "off": "false", "n": "false", "false": "false",
}  # fmt: skip
_LONGEST = 1000
_QUOTES = "\"'"
_FORM = "a line is a table such as [chamber.tank-1], a key = value, or a comment that begins with #"


def syntax_fault(text: str, error: tomllib.TOMLDecodeError) -> tuple[int, str]:
    """Return the line to repair and what is wrong there; what the reader of TOML says of it is for programmers."""
    # As the reader of TOML counts them; what shows its fault only later than this is no line that somebody wrote.
    lines = [line[:_LONGEST].removesuffix("\r") for line in text.split("\n")]
    at = _AT.search(str(error))
    number = int(at[1]) if at else _opened(lines)
    line = lines[min(number, len(lines)) - 1]
    if "twice" in str(error) or "overwrite" in str(error) or "Duplicate" in str(error) or "mutate" in str(error):
        return number, _twice(lines, number, str(error))
    if "Unclosed" in str(error) and (begun := _list_begun(lines, number)) is not None:
        number, line = begun, lines[begun - 1]
    found = (told for look in _LOOKS if (told := look(line)))
    return number, next(found, f'"{_short(line)}" cannot be read; {_FORM}')


def _short(text: str) -> str:
    text = "".join(letter if letter.isprintable() else f"\\u{ord(letter):04x}" for letter in text.strip())
    return text if len(text) <= 60 else f"{text[:60]}..."


def _bare(line: str) -> str:
    """Return a line without its strings and its comment."""
    return _STRING.sub('""', line).partition("#")[0].rstrip()


def _opened(lines: Sequence[str]) -> int:
    """Return the line where something begins that is open at the end of the text: a quote, a list, a table."""
    for mark in ('"""', "'''"):
        counts = [line.count(mark) for line in lines]
        if sum(counts) % 2:
            return max(number for number, count in enumerate(counts, 1) if count % 2)
    quoted = next((number for number, line in enumerate(lines, 1) if _open_quote(line)), None)
    last = max((number for number, line in enumerate(lines, 1) if line.strip()), default=1)
    return quoted or _list_begun(lines, len(lines)) or last


def _list_begun(lines: Sequence[str], number: int) -> int | None:
    """Return the line, up to this one, where the list or table begins that is not closed there."""
    depth = 0
    for before in range(number, 0, -1):
        bare = _bare(lines[before - 1])
        if bare.lstrip().startswith("["):
            continue
        depth += bare.count("]") + bare.count("}") - bare.count("[") - bare.count("{")
        if depth < 0:
            return before
    return None


def _twice(lines: Sequence[str], number: int, said: str) -> str:
    line = lines[number - 1]
    if inner := re.search(r"inline table key '([^']*)'", said):
        return f"the key {_short(inner[1])} stands twice in one table; keep one of them"
    if header := re.match(r"\s*(\[[^\]]*\])", line):
        same = [one for one, other in enumerate(lines[: number - 1], 1) if other.strip().startswith(header[1])]
        first = f", first in line {same[0]}" if same else ""
        return f"{_short(header[1])} stands twice{first}; put all its keys below one of them, and remove the other"
    key = re.match(_KEY, line)
    name = key["key"] if key else _short(line)
    above = range(number - 1, 0, -1)
    of_table = next((one for one in above if lines[one - 1].lstrip().startswith("[")), 0)
    same = [one for one in above if one > of_table and re.match(rf"\s*{re.escape(name)}\s*[=.]", lines[one - 1])]
    first = f", first in line {same[-1]}" if same else " in this table"
    return f"the key {_short(name)} stands twice{first}; keep one of them"


# ---------------------------------------------------------------- what a line shows, the surest first


def _odd_signs(line: str) -> str:
    outside = _STRING.sub('""', line).partition("#")[0]
    if odd := re.search("[“”„«»‘’‚`´]", outside):
        return f'{odd[0]} is no quote here; write straight quotes: "..."'
    if odd := re.search("[\u00a0\u2000-\u200f\u2028-\u202f\u3000\ufeff]", outside):
        return f"an invisible sign (U+{ord(odd[0]):04X}) stands in this line; write it anew, with plain spaces"
    if odd := re.search(r"[\x00-\x08\x0b-\x1f\x7f]", line):
        return f"a control character (U+{ord(odd[0]):04X}) stands in this line; write it anew"
    return ""


def _open_quote(line: str) -> str:
    bare = _bare(line)
    if "\\" in line and bare.count('"') % 2 == 0 and re.search(r'"[^"]*\\[^"\\bfnrtuU]', line):
        return "a backslash in \"...\" must be doubled; or write the text in '...', where it stands for itself"
    threefold = next((one for one in ('"""', "'''") if line.count(one) % 2), "")
    rest = _STRING.sub("", line).partition("#")[0]
    mark = threefold or next((one for one in ('"', "'") if one in rest), "")
    return f"a quote in this line is never closed; write {mark} at the end of the text too" if mark else ""


def _open_bracket(line: str) -> str:
    bare = _bare(line).strip()
    if bare.startswith("[") and "=" not in bare:
        inner = bare.strip("[] ")
        if bare.count("[") != bare.count("]"):
            return f"the table's name is not closed; write [{_short(inner)}]"
        plain = unicodedata.normalize("NFKD", inner.casefold()).encode("ascii", "ignore").decode()
        named = re.sub(r"[^a-z0-9.]+", "-", plain).strip("-")
        return f"a table's name has letters, digits and hyphens, with points between; write such as [{_short(named)}]"
    if bare.endswith("]") and "[" not in bare:
        return f"a table begins with a bracket; write [{_short(bare.rstrip(']'))}]"
    for opening, closing, what in (("[", "]", "list"), ("{", "}", "table")):
        if bare.count(opening) > bare.count(closing):
            return f"the {what} that begins here is never closed; write {closing} at its end"
        if bare.count(opening) < bare.count(closing):
            return f"{closing} closes what was never begun; write {opening} where it begins, or remove it"
    return ""


def _comment(line: str) -> str:
    return "a comment begins with #" if re.match(r"\s*(//|;|--|/\*)", line) else ""


def _no_equals(line: str) -> str:
    if re.match(_KEY + r"=", line):
        return ""
    if pair := re.match(_KEY + r":\s*(?P<value>.+)$", line):
        return f"between key and value stands =; write {_short(pair['key'])} = {_short(pair['value'])}"
    if "=" in _bare(line):
        key = _bare(line).partition("=")[0].strip()
        named = re.sub(r"[^A-Za-z0-9_-]+", "_", key).strip("_").lower()
        return f'"{_short(key)}" is no key: keys have letters, digits, _ and -' + (f"; perhaps {named}" if named else "")
    if pair := re.match(_KEY + r"(?P<value>\S.*)$", line):
        return f"a = is missing; write {_short(pair['key'])} = {_short(pair['value'])}"
    return ""


def _value(line: str) -> str:
    """Return what is wrong with what stands behind the = of a line."""
    pair = re.match(_KEY + r"=\s*(?P<value>.*)$", line)
    if pair is None:
        return ""
    key, value = _short(pair["key"]), re.sub(r"\s+#.*$", "", pair["value"]).strip()
    value = "" if value.startswith("#") else value
    for form, said in _WRONG_VALUES:
        if found := form.search(value):
            parts = {name: _short(part or "") for name, part in found.groupdict().items()}
            return said.format(key=key, value=_short(value), **parts)
    if switch := _SWITCHES.get(value.lower()):
        return f"found {_short(value)}; allowed are true and false, in small letters: {key} = {switch}"
    return f'text stands in quotes; write {key} = "{_short(value.strip(_QUOTES))}"'


_UNIT = r"(?:%|°\s?[CF]|[CFKW]|degC|mm|cm|ml|l|V|Hz)"
_COMMA = r"(?P<whole>[-+]?\d+),(?P<rest>\d+)"
_WRONG_VALUES: tuple[tuple[re.Pattern[str], str], ...] = tuple((re.compile(form), said) for form, said in (
    (r"^=[=\s]*(?P<right>.*)$", "one = is enough: {key} = {right}"),
    (r"^$", "nothing stands behind {key} =; write its value, or remove the line"),
    (rf"^{_COMMA}$", "write the decimal comma as a point: {key} = {whole}.{rest}"),
    (r"^\+?(?P<sign>-?)0+(?P<rest>\d+(\.\d+)?)$", "a number begins with no needless 0: {key} = {sign}{rest}"),
    (rf"^{_COMMA}\s*{_UNIT}$", "the unit is not written here; write the number alone: {key} = {whole}.{rest}"),
    (rf"^(?P<number>[-+]?\d+(\.\d+)?)\s*{_UNIT}$", "the unit is not written here; write the number alone: {key} = {number}"),
    (r"""^(?P<text>"[^"]*"|'[^']*')\s*\S""", "behind {text} stands something more; one line holds one key = value"),
    (rf"(?P<inner>[\w-]+)\s*=\s*{_COMMA}\s*[,}}]", "write the decimal comma as a point: {inner} = {whole}.{rest}"),
    (r"^(?P<sign>[-+]?)\.(?P<rest>\d+)$", "a figure stands on both sides of the point: {key} = {sign}0.{rest}"),
    (r"^(?P<whole>[-+]?\d+)\.$", "a figure stands on both sides of the point: {key} = {whole}.0"),
    (r"{.*?[^,{\s]\s+(?P<inner>[\w-]+)\s*=", "a comma is missing before {inner}"),
    (r"\s[\w.-]+\s*=", "two keys stand in one line; give each a line of its own"),
    (r"^[\[{]", "this list or table cannot be read: {value}; texts in it stand in quotes, commas between its members"),
))  # fmt: skip
"""What a value is written like, and what to say of it; the first that fits."""


_LOOKS: tuple[Callable[[str], str], ...] = (_comment, _odd_signs, _open_quote, _open_bracket, _no_equals, _value)
