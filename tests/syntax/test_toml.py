"""TOML with positions: the values are the standard library's, the places are where a person would look."""

import tomllib
from contextlib import suppress
from decimal import Decimal
from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.errors import FileRefused
from careplan_bridge.syntax.node import Node, Place, at, plain
from careplan_bridge.syntax.toml import load

EVERYTHING = '''\
# a comment with key = "value" and [table]
base = "https://example.org" # = "no"
"quoted key" = 'it''s'
dotted.key . "with space" = 1.50
when = 2026-01-01T10:00:00Z
long = """
line with = and ] and "quotes" and \\""" too
second = 2"""
raw = \'\'\'
C:\\path\\\'\'\'
list = [ 1, # one
  "two, with ] and #",
  [3, { four = 4, five = [5] }],
]
inline = { a = { b = "c" }, d.e = true }

[table]
key = inf
[table."sub table"]
x = 0x1F

[[many]]
n = 1
[many.inside]
k = "first"
[[many]]
n = 2
[many.inside]
k = "second"
[[many.more]]
m = 3
'''.replace("'it''s'", "'its'")


def _place(root: Node, *path: str | int) -> Place:
    return at(root, path).place


def test_the_values_are_those_of_the_standard_library() -> None:
    assert plain(load(EVERYTHING.encode(), "a.toml")) == tomllib.loads(EVERYTHING, parse_float=Decimal)


@pytest.mark.parametrize(
    ("path", "starts"),
    [
        (("base",), '"https'),
        (("quoted key",), "'its'"),
        (("dotted", "key", "with space"), "1.50"),
        (("when",), "2026-01-01T"),
        (("long",), '"""'),
        (("raw",), "'''"),
        (("list", 1), '"two'),
        (("list", 2, 1, "five", 0), "5]"),
        (("inline", "a", "b"), '"c"'),
        (("inline", "d", "e"), "true"),
        (("table", "key"), "inf"),
        (("table", "sub table", "x"), "0x1F"),
        (("many", 0, "inside", "k"), '"first"'),
        (("many", 1, "inside", "k"), '"second"'),
        (("many", 1, "more", 0, "m"), "3\n"),
    ],
)
def test_a_value_is_found_where_it_stands(path: tuple[str | int, ...], starts: str) -> None:
    place = _place(load(EVERYTHING.encode(), "a.toml"), *path)
    assert EVERYTHING.split("\n", place.line - 1)[-1][place.column - 1 :].startswith(starts)


keys = st.text("abc-_", min_size=1) | st.text('ab .="#[]ü', min_size=1)
scalars = st.integers(-9, 9) | st.booleans() | st.text("ab\"'#=[]{}\\\nü", max_size=8) | st.decimals(-9, 9, places=2)
values = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3), max_leaves=8
)


def _text(value: Any) -> str:
    """A value as TOML, in one line."""
    match value:
        case bool():
            return str(value).lower()
        case str():
            return _quoted(value)
        case list():
            return f"[{', '.join(map(_text, value))}]"  # pyright: ignore[reportUnknownArgumentType]
        case dict():
            pairs = cast("dict[str, Any]", value)
            return f"{{ {', '.join(f'{_quoted(key)} = {_text(inner)}' for key, inner in pairs.items())} }}"
        case _:
            return str(value)


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{escaped}"'


@given(
    st.dictionaries(keys, values, max_size=4),
    st.dictionaries(keys, st.dictionaries(keys, values, max_size=3), max_size=3),
)
def test_every_key_is_found_where_it_stands(top: dict[str, Any], tables: dict[str, dict[str, Any]]) -> None:
    lines = [f"{_quoted(key)} = {_text(value)}" for key, value in top.items()]
    for name, inside in tables.items():
        if name not in top:
            lines += [
                f"  [{_quoted(name)}] # x = 1",
                *(f"\t{_quoted(key)}={_text(value)}" for key, value in inside.items()),
            ]
    text = "\n".join(lines) or "# nothing"
    root = load(text.encode(), "a.toml")
    assert plain(root) == tomllib.loads(text, parse_float=Decimal)
    _check_places(root, text.split("\n"))


def _check_places(node: Node, lines: list[str]) -> None:
    if isinstance(node.value, dict):
        for key, child in node.value.items():
            assert child.key_place is not None
            here = lines[child.key_place.line - 1][child.key_place.column - 1 :]
            assert here.startswith((_quoted(key), f"[{_quoted(key)}]"))
            _check_places(child, lines)
    elif isinstance(node.value, tuple):
        for child in node.value:
            _check_places(child, lines)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the file is empty"),
        ("a = 1\na = 2", "a.toml:2:"),
        ("a = ", "a.toml:1:4:"),
        ("a = [1,", "no TOML"),
        ("[" * 5000, "no TOML"),
        ("a = " + "[" * 100_000, "too deep"),
        ("a = 1e99999999999999999999", "no TOML"),
        ("a = " + "9" * 5000, "no TOML"),
        ('a = "\\u0000"', "control characters"),
        ("a = 'b\x01'", "U+0001"),
    ],
)
def test_what_is_no_file_of_ours_is_refused(text: str, said: str) -> None:
    with pytest.raises(FileRefused, match=r"a\.toml") as refused:
        load(text.encode(), "a.toml")
    assert said in str(refused.value)


@given(st.binary(max_size=200) | st.text("a=.[]{}\"'#,\n \\\t0", max_size=60).map(str.encode))
def test_any_bytes_are_a_tree_or_a_refusal(data: bytes) -> None:
    with suppress(FileRefused):
        assert load(data, "a.toml")
