"""A protocol as definitions: whole documents, and what holds for all of them."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import pytest

from careplan_bridge.fhir import raw
from careplan_bridge.fhir.bundles import collection
from careplan_bridge.fhir.elements import Resource
from careplan_bridge.fhir.extension_definitions import DEFINED
from careplan_bridge.fhir.protocol_resources import protocol_resources
from careplan_bridge.model import fhir_names as names
from tests.fhir import demo
from tests.snapshots import assert_matches

SNAPSHOTS = Path(__file__).with_name("snapshots")
SHARED = ("StructureDefinition", "CodeSystem-measure-1", "CodeSystem-level-1", "ConceptMap")
BORROWED = ("http://hl7.org/fhir/StructureDefinition/",)


def _file_of(resource: Resource, protocol: str) -> Path:
    name = f"{resource['resourceType']}-{resource['id']}"
    folder = "definitions" if name.startswith(SHARED) else f"protocols/{protocol}"
    return SNAPSHOTS / folder / f"{name}.json"


@pytest.mark.parametrize("name", demo.PROTOCOLS)
def test_the_definitions_of_a_protocol(name: str) -> None:
    for resource in demo.definitions(name):
        assert_matches(_file_of(resource, name), resource)


@pytest.mark.parametrize("name", demo.PROTOCOLS)
def test_no_snapshot_is_left_of_a_definition_that_is_gone(name: str) -> None:
    made = {_file_of(resource, name) for resource in demo.definitions(name)}
    kept = {*(SNAPSHOTS / "definitions").glob("*.json"), *(SNAPSHOTS / "protocols" / name).glob("*.json")}
    assert kept == made


@pytest.mark.parametrize("name", demo.PROTOCOLS)
def test_converting_twice_gives_the_same_bytes(name: str) -> None:
    again = protocol_resources(demo.protocol(name), demo.catalogue(), demo.clinic())
    assert [raw.encode(one) for one in again] == [raw.encode(one) for one in demo.definitions(name)]


@pytest.mark.parametrize("name", demo.PROTOCOLS)
def test_ids_and_canonicals_are_valid_and_unique(name: str) -> None:
    made = demo.definitions(name)
    assert all(re.fullmatch(r"[A-Za-z0-9.\-]{1,64}", one["id"]) for one in made)
    assert len({(one["resourceType"], one["id"]) for one in made}) == len(made)
    assert len({(one["url"], one["version"]) for one in made}) == len(made)
    urls = [entry["fullUrl"] for entry in collection(made)["entry"]]
    assert len(set(urls)) == len(urls)


def test_protocols_share_what_belongs_to_no_protocol() -> None:
    by_url: dict[str, set[bytes]] = {}
    for name in demo.PROTOCOLS:
        for one in demo.definitions(name):
            by_url.setdefault(f"{one['url']}|{one['version']}", set()).add(raw.encode(one))
    assert {len(contents) for contents in by_url.values()} == {1}


@pytest.mark.parametrize("name", demo.PROTOCOLS)
def test_every_canonical_and_goal_that_is_named_is_there(name: str) -> None:
    made = demo.definitions(name)
    there = {f"{one['url']}|{one['version']}" for one in made}
    plan = next(one for one in made if one["resourceType"] == "PlanDefinition")
    assert {value for key, value in _members(plan) if key == "definitionCanonical"} <= there
    goals = {goal["id"] for goal in plan["goal"]}
    assert {goal for key, value in _members(plan) if key == "goalId" for goal in value} == goals


@pytest.mark.parametrize("name", demo.PROTOCOLS)
def test_stages_follow_each_other_and_nothing_starts_or_stops_them(name: str) -> None:
    plan = next(one for one in demo.definitions(name) if one["resourceType"] == "PlanDefinition")
    (wrapper,) = plan["action"]
    stages = wrapper["action"]
    assert [stage["id"] for stage in stages] == [stage.id for stage in demo.protocol(name).stages]
    befores = [[(one["actionId"], one["relationship"]) for one in stage.get("relatedAction", ())] for stage in stages]
    assert befores == [[], *([(stage["id"], "after-end")] for stage in stages[:-1])]
    assert "condition" not in {key for key, _ in _members(plan)}


@pytest.mark.parametrize("name", demo.PROTOCOLS)
def test_unverified_codes_stand_in_the_concept_map_only(name: str) -> None:
    for one in demo.definitions(name):
        systems = {value for key, value in _members(one) if key == "system"}
        assert not systems & {names.LOINC, names.SNOMED}
    mapped = next(one for one in demo.definitions(name) if one["resourceType"] == "ConceptMap")
    comments = [value for key, value in _members(mapped) if key == "comment"]
    assert len(comments) == len(demo.catalogue().codes)
    assert all("unverified" in comment for comment in comments)


@pytest.mark.parametrize("name", demo.PROTOCOLS)
def test_every_extension_used_is_defined(name: str) -> None:
    used = {
        value
        for one in demo.definitions(name)
        for key, value in _members(one)
        if key == "url" and one["resourceType"] != "StructureDefinition" and str(value).startswith("http")
    }
    ours = {url for url in used if url.startswith(names.EXTENSIONS)}
    assert ours <= {defined.url for defined in DEFINED}


@pytest.mark.parametrize("name", demo.PROTOCOLS)
def test_codes_of_our_systems_are_in_them(name: str) -> None:
    made = demo.definitions(name)
    known = {one["url"]: {c["code"] for c in one["concept"]} for one in made if one["resourceType"] == "CodeSystem"}
    for one in made:
        for coding in _dicts(one):
            if coding.get("system") in known:
                assert coding["code"] in known[coding["system"]]


def _members(value: Any) -> Iterator[tuple[str, Any]]:
    for one in _dicts(value):
        yield from one.items()


def _dicts(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        element = cast("dict[str, Any]", value)
        yield element
        value = list(element.values())
    if isinstance(value, list):
        for inner in cast("list[Any]", value):
            yield from _dicts(inner)
