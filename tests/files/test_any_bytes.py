"""Whatever bytes a file of ours has, reading gives a value or says what to mend; nothing else ever comes out."""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple, TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.endpoint.endpoint_file import check_endpoint, read_endpoint
from careplan_bridge.errors import Fault, FileRefused
from careplan_bridge.files.shipped import catalogue
from careplan_bridge.measures.conventions_file import check_conventions, read_conventions
from careplan_bridge.model.digest import canonical
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.protocol.case_file import check_case, read_case
from careplan_bridge.protocol.protocol_file import check_protocol, read_protocol
from tests.fixtures.demo import FIXTURES

Result = TypeVar("Result")


def _of_catalogue(function: Callable[[bytes, str, Catalogue], Result]) -> Callable[[bytes, str], Result]:
    return lambda data, name: function(data, name, catalogue())


class Kind(NamedTuple):
    example: Path
    read: Callable[[bytes, str], object]
    check: Callable[[bytes, str], tuple[Fault, ...]]


KINDS = {
    "protocol": Kind(
        FIXTURES / "protocols/acl-reconstruction.yaml", _of_catalogue(read_protocol), _of_catalogue(check_protocol)
    ),
    "case": Kind(FIXTURES / "cases/acl-quay-01.yaml", read_case, check_case),
    "conventions": Kind(
        FIXTURES / "conventions.toml", _of_catalogue(read_conventions), _of_catalogue(check_conventions)
    ),
    "endpoint": Kind(FIXTURES / "endpoints/production-example.toml", read_endpoint, check_endpoint),
}
STRANGE = ("[]", "{}", "''", "-1", "on", "1e9", "month", "ü", "[[x]]", "{x: y}", "0", "%", "9" * 400, "\\", "", "\x00")
each_kind = pytest.mark.parametrize("kind", KINDS)


def _agree(kind: str, data: bytes) -> None:
    """`check` finds a fault if and only if reading refuses the file, and both say the same."""
    faults = tuple(fault for fault in KINDS[kind].check(data, "f") if not fault.warning)
    said: tuple[Fault, ...] = ()
    try:
        assert canonical(KINDS[kind].read(data, "f"))
    except FileRefused as refused:
        said = refused.faults
    assert said == faults
    assert all(fault.line >= 1 and fault.column >= 1 and fault.what and fault.mend for fault in faults)


@each_kind
@given(data=st.binary(max_size=80))
def test_any_bytes(kind: str, data: bytes) -> None:
    _agree(kind, data)


@each_kind
@given(data=st.data())
def test_a_good_file_with_a_line_gone_doubled_or_moved(kind: str, data: st.DataObject) -> None:
    lines = KINDS[kind].example.read_bytes().splitlines(keepends=True)
    place = st.integers(0, len(lines) - 1)
    here, there = data.draw(place), data.draw(place)
    change = data.draw(st.sampled_from((b"", lines[here] * 2, lines[there], b"  " + lines[here])))
    _agree(kind, b"".join([*lines[:here], change, *lines[here + 1 :]]))


@each_kind
@given(data=st.data())
def test_a_good_file_with_a_value_of_another_kind(kind: str, data: st.DataObject) -> None:
    text = KINDS[kind].example.read_text(encoding="utf-8")
    words = sorted(set(text.replace(",", " ").replace('"', " ").split()))
    _agree(kind, text.replace(data.draw(st.sampled_from(words)), data.draw(st.sampled_from(STRANGE))).encode())
