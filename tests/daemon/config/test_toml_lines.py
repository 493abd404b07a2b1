"""Every key of a TOML document is found on the line where a reader would look for it."""

import tomllib

from hypothesis import given
from hypothesis import strategies as st

from daemon.config.toml_lines import KeyPath, line_map


def paths_of(node: object, path: KeyPath = ()) -> set[KeyPath]:
    found: set[KeyPath] = {path} if path else set()
    if isinstance(node, dict):
        for key, value in node.items():
            found |= paths_of(value, (*path, key))
    if isinstance(node, list):
        for index, value in enumerate(node):
            found |= paths_of(value, (*path, index))
    return found


def test_tables_keys_arrays_and_inline_tables_are_found() -> None:
    text = '\n'.join([
        '# first line',
        'a = 1',                                # 2
        '[chamber."no 1"]',                     # 3
        'band.low = 24.0   # dotted',           # 4
        'words = ["x",',                        # 5
        '  # a comment with ] and "',           # 6
        '  "y"]',                               # 7
        'point = { x = 1, y = [2, { z = 3 }] }',  # 8
        'note = """',                           # 9
        'key = not a key',                      # 10
        '"""',                                  # 11
        '[[probe]]',                            # 12
        'id = 1979-05-27 07:32:00',             # 13
        '[[probe]]',                            # 14
        '[probe.line]',                         # 15
        "path = 'C:\\'",                        # 16
        'end = true',                           # 17
    ])
    lines = line_map(text)
    assert {path: lines[path] for path in (
        ("a",), ("chamber",), ("chamber", "no 1"), ("chamber", "no 1", "band", "low"),
        ("chamber", "no 1", "words", 0), ("chamber", "no 1", "words", 1),
        ("chamber", "no 1", "point", "y", 1, "z"), ("chamber", "no 1", "note"),
        ("probe", 0), ("probe", 0, "id"), ("probe", 1), ("probe", 1, "line"), ("probe", 1, "line", "path"),
        ("probe", 1, "line", "end"),
    )} == {
        ("a",): 2, ("chamber",): 3, ("chamber", "no 1"): 3, ("chamber", "no 1", "band", "low"): 4,
        ("chamber", "no 1", "words", 0): 5, ("chamber", "no 1", "words", 1): 7,
        ("chamber", "no 1", "point", "y", 1, "z"): 8, ("chamber", "no 1", "note"): 9,
        ("probe", 0): 12, ("probe", 0, "id"): 13, ("probe", 1): 14, ("probe", 1, "line"): 15,
        ("probe", 1, "line", "path"): 16, ("probe", 1, "line", "end"): 17,
    }
    assert set(lines) == paths_of(tomllib.loads(text))


def test_windows_line_ends_count_once() -> None:
    assert line_map("a = 1\r\n\r\nb = 2\r\n")[("b",)] == 3


KEYS = st.text("abc-_1", min_size=1, max_size=3) | st.text(st.characters(codec="ascii"), max_size=3).map(
    lambda text: '"' + "".join(f"\\u{ord(letter):04x}" for letter in text) + '"'
) | st.sampled_from(['"a.b"', "'['", "'='", '"#"', '"\\""'])
SCALARS = st.sampled_from([
    "1", "-0.5", "inf", "true", '"text # no comment"', "'lit]'",
    '"esc \\" \\\\"', '"""a\n"b""c"""', "'''x\n'''''", '""', "''",
    "1979-05-27T07:32:00Z", "07:32:00", "0x1f", '"""\\\n  x\\""""', '""""quote"""""',
])


def arrays(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    gap = st.sampled_from(["", " ", "\n", " # note ] }\n\t"])
    return st.builds(
        lambda members, blank, comma: "".join(
            ["[", blank, ("," + blank).join(members), blank + "," if comma and members else "", blank, "]"]
        ),
        st.lists(inner, max_size=3), gap, st.booleans(),
    )


def inline_tables(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.dictionaries(KEYS, inner, max_size=3).map(
        lambda pairs: "{ " + ", ".join(f"{key} = {value}" for key, value in pairs.items()) + " }"
    )


VALUES = st.recursive(SCALARS, lambda inner: arrays(inner) | inline_tables(inner), max_leaves=6)
DOTTED = st.lists(KEYS, min_size=1, max_size=3).map(" . ".join)
NOTES = st.sampled_from(["", "  # why = [", "\t"])
PAIRS = st.builds(lambda key, value, note: f"{key} = {value}{note}", DOTTED, VALUES, NOTES)
HEADERS = DOTTED.map("[{}]".format) | DOTTED.map("[[ {} ]] # note".format) | DOTTED.map("[[{}]]".format)
DOCUMENTS = st.lists(PAIRS | HEADERS | st.sampled_from(["", "# [x]"]), max_size=12)


def accepted(statements: list[str]) -> str:
    """Return the statements that are valid TOML together: each one that would spoil the text is left out."""
    kept: list[str] = []
    for statement in statements:
        try:
            tomllib.loads("\n".join([*kept, statement]))
        except tomllib.TOMLDecodeError:
            continue
        kept.append(statement)
    return "\n".join(kept)


@given(DOCUMENTS)
def test_any_document_has_a_line_for_exactly_its_key_paths(statements: list[str]) -> None:
    text = accepted(statements)
    lines = line_map(text)
    assert set(lines) == paths_of(tomllib.loads(text))
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())


NAMED = st.tuples(st.text("xyz", min_size=4, max_size=9), VALUES)


@given(st.lists(NAMED, unique_by=lambda pair: pair[0], max_size=8))
def test_a_key_is_found_on_the_line_that_spells_it(pairs: list[tuple[str, str]]) -> None:
    text, expected = "", {}
    for key, value in pairs:
        text += "\n# note\n"
        expected[(key,)] = text.count("\n") + 1
        text += f"{key} = {value}"
    lines = line_map(text)
    assert {path: line for path, line in lines.items() if len(path) == 1} == expected
