"""People read for what is asked of them say what reading everything about them says of it."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import islice
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.errors import InputRefused
from careplan_bridge.files.shipped import catalogue as shipped
from careplan_bridge.measures.feed import read_lines
from careplan_bridge.measures.outcome import Result
from careplan_bridge.measures.people import people
from careplan_bridge.measures.reader import Reader
from careplan_bridge.model.reading import Hint, Reading
from tests.measures.observations import OBSERVATIONS, SITES, spoiled

CATALOGUE = shipped()
READERS = st.sampled_from([Reader(CATALOGUE, site) for site in SITES])
MEASURES = st.sets(st.sampled_from([*CATALOGUE.measures, "finding"]) | st.sampled_from(
    ["knee_flexion", "knee_extension_deficit", "knee_hyperextension", "pain_nprs"]
), max_size=12).map(frozenset)  # fmt: skip


SIDES = st.sampled_from([frozenset({"left", "right", None}), frozenset({"left", None})])


def about(result: Result) -> Reading | Hint:
    return result if isinstance(result, Reading) else result.hint


@given(READERS, st.lists(OBSERVATIONS | OBSERVATIONS | spoiled(), max_size=8), MEASURES, SIDES)
def test_what_is_passed_over_is_not_asked_for(
    reader: Reader, feed: Sequence[Any], measures: frozenset[str], sides: frozenset[str | None]
):
    def wants(_measure: str, side: str | None, _qualifiers: Mapping[str, str]) -> bool:
        return side in sides

    def asked_for(results: Sequence[Result]) -> list[str]:
        hints = ((result, about(result)) for result in results)
        return sorted(
            repr(one) for one, hint in hints if hint.measure in measures and wants("", hint.side, hint.qualifiers)
        )

    lines = [msgspec.json.encode(one) for one in feed if isinstance(one, dict)]
    lines = [line for line in lines if b'"Observation"' in line]
    asked = reader.asked(measures, wants)
    for person in people(in_blocks(sorted(lines, key=lambda line: b"Patient/bo" in line))):
        whole = read_lines(person.lines, reader)
        assert asked_for(person.results(reader, asked)) == asked_for((*whole.readings, *whole.unusable))


def test_neighbours_about_the_same_person_are_one_person_however_they_are_named():
    named = ["Patient/1", "https://example.org/fhir/Patient/1", "Patient/1/_history/3", "Patient/2", None, "Patient/1"]
    found = people(in_blocks(map(observation, named)))
    assert [(person.reference, len(person.lines)) for person in found] == [
        ("Patient/1", 3),
        ("Patient/2", 1),
        (None, 1),
        ("Patient/1", 1),
    ]


def test_other_resources_and_blank_lines_are_passed_over():
    lines = [observation("Patient/1"), b"\n", b'{"resourceType":"Patient","id":7}', observation("Patient/1")]
    assert [len(person.lines) for person in people([lines])] == [2]


@pytest.mark.parametrize("line", [b'{"resourceType":"Bundle","entry":[]}', b"[]", b"1"])
def test_what_holds_other_entries_is_not_passed_over_unseen(line: bytes):
    with pytest.raises(InputRefused):
        list(people([[line]]))


def in_blocks(lines: Iterable[bytes]) -> Iterator[list[bytes]]:
    """Of three lines each, so that people stand in several blocks and blocks hold several people."""
    rest = iter(lines)
    return iter(lambda: list(islice(rest, 3)), [])


def observation(reference: str | None) -> bytes:
    subject = {"subject": {"reference": reference}} if reference else {}
    return msgspec.json.encode({"resourceType": "Observation", **subject})
