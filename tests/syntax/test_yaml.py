"""YAML as text with positions, and what is refused of it."""

import json
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.errors import FileRefused
from careplan_bridge.syntax.node import Place, at, plain
from careplan_bridge.syntax.text import LARGEST
from careplan_bridge.syntax.yaml import DEEPEST, load, read


def _tree(text: str) -> object:
    return plain(load(text.encode(), "a.yaml"))


def _refusal(data: bytes) -> str:
    with pytest.raises(FileRefused) as refused:
        load(data, "a.yaml")
    return str(refused.value)


@pytest.mark.parametrize(
    "scalar", ["on", "no", "yes", "null", "~", "1.0", "1e3", "0x1F", "60:30", "2026-03-02", "0o17", ".inf", "1_000"]
)
def test_scalars_are_text_as_written(scalar: str) -> None:
    assert _tree(f"key: {scalar}\n{scalar}: value\n") == {"key": scalar, scalar: "value"}


def test_an_empty_value_is_none_and_an_empty_text_is_text() -> None:
    assert _tree("empty:\ntext: ''\n") == {"empty": None, "text": ""}


def test_every_key_and_value_knows_its_place() -> None:
    root = load("# Größe\na: {b: [x, 'ÿ y']}\n".encode(), "a.yaml")
    a, b = at(root, ("a",)), at(root, ("a", "b"))
    assert (a.key_place, a.place, b.key_place, b.place) == (Place(2, 1), Place(2, 4), Place(2, 5), Place(2, 8))
    assert [at(b, (index,)).place for index in (0, 1)] == [Place(2, 9), Place(2, 12)]


words = st.text("abcdefg ü", min_size=1).map(str.strip).filter(bool)
trees = st.recursive(
    words, lambda inner: st.lists(inner, min_size=1) | st.dictionaries(words, inner, min_size=1), max_leaves=12
)


@given(st.dictionaries(words, trees, min_size=1))
def test_what_is_written_is_read(tree: dict[str, object]) -> None:
    # JSON is YAML.
    assert _tree(json.dumps(tree, ensure_ascii=False)) == tree


def test_a_key_given_twice_keeps_the_first_and_is_a_fault() -> None:
    root, faults = read(b"a: 1\nb: 2\na: 3\n", "a.yaml")
    assert plain(root) == {"a": "1", "b": "2"}
    assert [(fault.line, fault.column) for fault in faults.sorted()] == [(3, 1)]


@pytest.mark.parametrize("text", ["a: !!python/object:os.system ls", "a: !!int 5", "a: ! x", "!x {a: b}", "!x\n- a"])
def test_tags_are_refused(text: str) -> None:
    assert "a tag (!)" in _refusal(text.encode())


def test_aliases_are_refused_before_anything_is_multiplied() -> None:
    lines = ["a0: &a0 [x, x]"] + [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 40)]
    said = _refusal("\n".join(lines).encode())
    assert said.count("an anchor (&)") == 40
    assert said.count("an alias (*)") == 39 * 9


def test_a_deep_file_is_refused_where_it_gets_too_deep() -> None:
    deep = b"[" * (DEEPEST + 1) + b"]" * (DEEPEST + 1)
    assert f"a.yaml:1:{DEEPEST + 1}: parts lie more than {DEEPEST} deep" in _refusal(deep)
    assert plain(load(deep[1:-1], "a.yaml"))


@pytest.mark.parametrize("opening", [b"[", b"- ", b"{a: ", b"? "])
def test_a_very_deep_file_is_refused(opening: bytes) -> None:
    assert _refusal(opening * 100_000)


@pytest.mark.parametrize("size", [LARGEST + 1, 50 * 1024 * 1024])
def test_a_large_file_is_refused_before_it_is_parsed(size: int) -> None:
    # Were it parsed, the bracket that is never closed would be the fault.
    assert f"the file has {size:,} bytes" in _refusal(b"[" + b" " * (size - 1))


def test_the_largest_file_is_read() -> None:
    assert _tree("a: b\n" + "#" * (LARGEST - 5)) == {"a": "b"}


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "the file is empty"),
        (b" \n\t\n", "the file is empty"),
        (b"a: \xff", "a.yaml:1:4: byte 0xff is not UTF-8"),
        ("a: ü\nb: ".encode() + b"\xc3", "a.yaml:2:4: byte 0xc3 is not UTF-8"),
        ("a: b".encode("utf-16"), "byte 0xff is not UTF-8"),
        (b"a: b\x00", "U+0000"),
        (b"a:\n\tb: c", "a.yaml:2:1: a tab stands in the indentation"),
        (b"a: 1\n...\n---\nb: 2\n", "a second document begins"),
        (b"a: b\n---\n", "a second document begins"),
        (b"? {a: b}\n: c", "a key is one plain text"),
        (b"a: &x b\n? *x\n: c", "an alias stands where a key belongs"),
        (b'a: "\\ud800"', "a.yaml:1:"),
        (b'a: "\\0"', "control characters"),
        (b"a: 'b", "this is no YAML"),
        (b"a: @b", "this is no YAML"),
        (b"%YAML 9.9\n---\na: b", "this is no YAML"),
        (b"a: *b", "an alias (*)"),
    ],
)
def test_what_is_no_file_of_ours_is_refused(data: bytes, said: str) -> None:
    assert said in _refusal(data)


def test_a_byte_order_mark_is_no_fault() -> None:
    assert plain(load(b"\xef\xbb\xbfa: b", "a.yaml")) == {"a": "b"}


@given(st.binary(max_size=200) | st.text("a:-[]{}&*!|>'\"#%@,? \n\t0", max_size=60).map(str.encode))
def test_any_bytes_are_a_tree_or_a_refusal(data: bytes) -> None:
    with suppress(FileRefused):
        assert load(data, "a.yaml")
