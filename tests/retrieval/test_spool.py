"""A retrieval file holds what a server sent, digit by digit, and one that was cut short is noticed."""

from datetime import UTC, datetime
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.errors import InputRefused
from careplan_bridge.fhir import raw
from careplan_bridge.model.cautions import CAUTIONS
from careplan_bridge.model.retrieval import Query, Retrieval, RetrievalHeader
from careplan_bridge.retrieval.spool import decode, encode

OBSERVATIONS = [
    b'{"resourceType":"Observation","id":"a","valueQuantity":{"value":90.00},"referenceRange":[{"low":{"value":1.30E2}}]}',
    b'{"resourceType":"Observation","id":"b","valueString":"f\xc3\xbcnf\\n\xe2\x80\xa8","valueInteger":-5,"x":0.0000001}',
]


def retrieval(*observations: bytes, promised: int | None = None) -> Retrieval:
    header = RetrievalHeader(
        plan="plan-1",
        endpoint="sandbox",
        started=datetime(2026, 3, 4, 11, 30, tzinfo=UTC),
        ended=datetime(2026, 3, 4, 11, 31, 5, 250000, tzinfo=UTC),
        complete=False,
        queries=(Query(asked="Observation", pages=1, entries=2, complete=False, why="there are more than 9 pages"),),
        observations=len(observations) if promised is None else promised,
    )
    return Retrieval(header=header, observations=tuple(map(raw.decode, observations)))


def test_the_file_is_a_header_line_and_a_line_for_each_observation_as_it_was_written() -> None:
    first, *rest = encode(retrieval(*OBSERVATIONS)).split(b"\n")
    header = msgspec.json.decode(first)
    assert tuple(header.pop("cautions")) == CAUTIONS
    assert header == {
        "document": "retrieval",
        "version": 1,
        "plan": "plan-1",
        "endpoint": "sandbox",
        "started": "2026-03-04T11:30:00Z",
        "ended": "2026-03-04T11:31:05.250000Z",
        "complete": False,
        "identity": "",
        "queries": [
            {"asked": "Observation", "pages": 1, "entries": 2, "complete": False, "why": "there are more than 9 pages"}
        ],
        "observations": 2,
    }
    assert rest == [*OBSERVATIONS, b""]


def test_it_is_read_back_as_it_was() -> None:
    given = retrieval(*OBSERVATIONS)
    spool = decode(encode(given).splitlines(keepends=True), "pulled.ndjson")
    assert (spool.header, list(spool.observations)) == (given.header, OBSERVATIONS)


@pytest.mark.parametrize(("promised", "has"), [(3, 2), (1, 2)])
def test_a_file_that_was_cut_short_or_added_to_is_refused(promised: int, has: int) -> None:
    lines = encode(retrieval(*OBSERVATIONS[:has], promised=promised)).split(b"\n")
    with pytest.raises(InputRefused, match=f"promises {promised} Observations and the file has {has}"):
        decode(lines, "pulled.ndjson")


@pytest.mark.parametrize(
    "first", [b"", b"{", b'{"resourceType":"Observation"}', b"\xff\xfe", b"[]", b'{"document":"plan","version":1}']
)
def test_a_file_that_is_no_retrieval_is_refused_by_name(first: bytes) -> None:
    with pytest.raises(InputRefused, match=r"^pulled\.ndjson:1:1: "):
        decode([first], "pulled.ndjson")


plain = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**63) | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text("abc", min_size=1), inner, max_size=3),
    max_leaves=8,
)


@given(st.lists(st.dictionaries(st.text("abc", min_size=1), plain, max_size=4), max_size=4))
def test_no_content_breaks_the_lines(resources: list[dict[str, Any]]) -> None:
    observations = [msgspec.json.encode(resource) for resource in resources]
    spool = decode(encode(retrieval(*observations)).split(b"\n"), "x")
    assert list(spool.observations) == observations
