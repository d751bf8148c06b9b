"""Laws of reading, over feeds that nobody wrote by hand."""

import copy
from collections.abc import Sequence
from typing import Any

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.files.shipped import catalogue as shipped
from careplan_bridge.measures.feed import read_lines
from careplan_bridge.measures.reader import Reader
from careplan_bridge.measures.reasons import REASONS
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.reading import Reading, Unusable
from tests.measures.observations import JSON, OBSERVATIONS, SITES, spoiled

CATALOGUE = shipped()
READERS = [(Reader(CATALOGUE, site), Reader(CATALOGUE, site, cached=False)) for site in SITES]
PAIRS = st.sampled_from(READERS)
FEEDS = st.lists(OBSERVATIONS, max_size=6)
PATIENTS = st.sampled_from([None, "Patient/ada"])


@given(PAIRS, JSON | spoiled() | OBSERVATIONS, PATIENTS)
def test_every_json_value_ends_as_a_reading_or_with_a_reason(
    pair: tuple[Reader, Reader], resource: Any, patient: str | None
):
    results = pair[0].read(resource, patient=patient)
    assert results
    for result in results:
        assert isinstance(result, Reading) or result.reason in REASONS


@given(PAIRS, st.lists(spoiled() | OBSERVATIONS, max_size=4), PATIENTS)
def test_reading_by_shape_says_what_careful_reading_says(
    pair: tuple[Reader, Reader], feed: Sequence[Any], patient: str | None
):
    quick, careful = pair
    for resource in feed:
        assert quick.read(resource, patient=patient) == careful.read(resource, patient=patient)


@given(PAIRS, FEEDS, st.randoms(use_true_random=False), PATIENTS)
def test_neither_order_nor_copies_change_anything(
    pair: tuple[Reader, Reader], feed: list[Any], chance: Any, patient: str | None
):
    reader = pair[0]
    expected = reader.read_all(feed, patient=patient)
    again = [copy.deepcopy(one) for one in feed + feed[:2]]
    chance.shuffle(again)
    assert reader.read_all(again, patient=patient) == expected
    lines = [msgspec.json.encode(one) for one in again]
    assert read_lines(lines, reader, patient=patient) == expected


@given(PAIRS, FEEDS)
def test_what_has_nothing_to_do_with_it_changes_no_reading(pair: tuple[Reader, Reader], feed: list[Any]):
    reader = pair[0]
    pulse = {
        "resourceType": "Observation",
        "id": "pulse",
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "8867-4"}]},
        "valueQuantity": {"value": 72, "code": "/min", "system": "http://unitsofmeasure.org"},
    }
    alone, with_it = reader.read_all(feed), reader.read_all([pulse, *feed])
    assert with_it.readings == alone.readings
    assert [one for one in with_it.unusable if one.source.resource != "Observation/pulse"] == list(alone.unusable)


@given(PAIRS, OBSERVATIONS)
def test_a_reading_lacks_nothing(pair: tuple[Reader, Reader], observation: Any):
    for result in pair[0].read(observation):
        if isinstance(result, Unusable) or result.measure not in CATALOGUE.measures:
            continue
        measure = CATALOGUE.measures[result.measure]
        assert (result.side is not None) >= (measure.side == "required")
        assert {one.name for one in measure.qualifiers if one.required} <= set(result.qualifiers)
        assert result.at.low <= result.at.high


@given(OBSERVATIONS)
def test_more_conventions_never_change_what_was_clear_without_them(observation: Any):
    """A site's word settles what is open; it does not turn a reading into another one."""
    plain, careful = Reader(CATALOGUE, Conventions()), Reader(CATALOGUE, Conventions(extension_sign="deficit-negative"))
    clear = [one for one in plain.read(observation) if isinstance(one, Reading)]
    assert all(one in careful.read(observation) for one in clear)


def test_two_contents_under_one_version_have_a_place_of_their_own():
    reader = Reader(CATALOGUE, Conventions())
    bare: dict[str, Any] = {"resourceType": "Observation", "id": "b", "status": "final", "meta": {"versionId": "1"}}
    feed = [bare, bare | {"effectiveDateTime": "2026-03-02T09:00:00+01:00"}]
    assert reader.read_all(feed) == reader.read_all(feed[::-1])
