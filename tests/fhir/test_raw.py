"""What was not changed comes back as it was written (I3)."""

import json
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.fhir import raw


def _whole(sign: str, number: int) -> str:
    return f"{sign}{number}" if number else "0"


def _fraction(number: str, rest: str) -> str:
    return f"{number}.{rest}"


def _power(number: str, letter: str, sign: str, power: int) -> str:
    return f"{number}{letter}{sign}{power}"


digits = st.text("0123456789", min_size=1, max_size=30)
whole = st.builds(_whole, st.sampled_from(["", "-"]), st.integers(0, 10**40))
fractions = st.builds(_fraction, whole, digits)
powers = st.builds(
    _power, whole | fractions, st.sampled_from("eE"), st.sampled_from(["", "+", "-"]), st.integers(0, 400)
)
numbers = whole | fractions | powers
# As the encoder writes strings: only what JSON forbids is escaped.
strings = st.text(st.characters(exclude_categories=["Cs"])).map(lambda text: msgspec.json.encode(text).decode())
words = numbers | strings | st.sampled_from(["true", "false", "null"])


def _array(parts: list[str]) -> str:
    return f"[{','.join(parts)}]"


def _object(parts: dict[str, str]) -> str:
    return f"{{{','.join(f'{name}:{value}' for name, value in parts.items())}}}"


documents = st.recursive(
    words,
    lambda inner: st.lists(inner, max_size=4).map(_array) | st.dictionaries(strings, inner, max_size=4).map(_object),
    max_leaves=20,
)


@given(documents)
def test_a_document_comes_back_byte_for_byte(text: str) -> None:
    assert raw.encode(raw.decode(text.encode())) == text.encode()


@given(documents, st.sampled_from(["\n", "\r\n\t", "  "]))
def test_blanks_between_values_are_all_that_is_lost(text: str, blank: str) -> None:
    loose = f"{blank}{text}{blank}"
    assert raw.encode(raw.decode(loose.encode())) == text.encode()


@given(documents)
def test_escapes_are_another_spelling_of_the_same_characters(text: str) -> None:
    escaped = json.dumps(json.loads(f"[{json.dumps(text)}]")[0], ensure_ascii=True)
    assert raw.decode(raw.encode(raw.decode(escaped.encode()))) == text


@given(st.dictionaries(st.sampled_from("abcdef"), numbers, min_size=2), st.data())
def test_a_change_touches_nothing_but_itself(members: dict[str, str], data: st.DataObject) -> None:
    changed = data.draw(st.sampled_from(sorted(members)))
    quoted = {f'"{name}"': number for name, number in members.items()}
    resource: dict[str, Any] = raw.decode(_object(quoted).encode())
    resource[changed] = "changed"
    assert raw.encode(resource) == _object({**quoted, f'"{changed}"': '"changed"'}).encode()


@pytest.mark.parametrize("broken", [b"", b"{", b"[NaN]", b'["\xff"]', b'["\\ud800"]', b"[1.]", b"[01]"])
def test_what_is_no_json_is_one_kind_of_error(broken: bytes) -> None:
    with pytest.raises(msgspec.DecodeError):
        raw.decode(broken)
