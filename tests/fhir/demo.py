"""The invented protocols and cases of fixtures/, read as a site would read them."""

from functools import cache
from pathlib import Path

from careplan_bridge.fhir.elements import Resource
from careplan_bridge.fhir.protocol_resources import protocol_resources
from careplan_bridge.files import shipped
from careplan_bridge.measures.conventions_file import read_conventions
from careplan_bridge.model.case import Case
from careplan_bridge.model.conventions import Clinic, Conventions
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.protocol import Protocol
from careplan_bridge.planning.draft import draft
from careplan_bridge.protocol.case_file import read_case
from careplan_bridge.protocol.protocol_file import read_protocol

FIXTURES = Path(__file__).parents[2] / "fixtures"
PROTOCOLS = ("acl-reconstruction", "achilles-repair", "knee-arthroplasty", "shoulder-stabilisation")
PROTOCOL_OF = {
    "acl-quay-01": "acl-reconstruction",
    "acl-quay-02": "acl-reconstruction",
    "achilles-quay-01": "achilles-repair",
    "arthroplasty-quay-01": "knee-arthroplasty",
    "shoulder-quay-01": "shoulder-stabilisation",
}
CASES = tuple(PROTOCOL_OF)


def catalogue() -> Catalogue:
    return shipped.catalogue()


@cache
def conventions() -> Conventions:
    return read_conventions(_read("conventions.toml"), "conventions.toml", catalogue())


def clinic() -> Clinic:
    found = conventions().clinic
    assert found is not None
    return found


@cache
def protocol(name: str) -> Protocol:
    return read_protocol(_read(f"protocols/{name}.yaml"), f"{name}.yaml", catalogue())


@cache
def case(name: str) -> Case:
    return read_case(_read(f"cases/{name}.yaml"), f"{name}.yaml")


@cache
def plan(name: str) -> Plan:
    return draft(protocol(PROTOCOL_OF[name]), case(name), catalogue(), conventions())


@cache
def definitions(name: str) -> tuple[Resource, ...]:
    return protocol_resources(protocol(name), catalogue(), clinic())


def _read(path: str) -> bytes:
    return (FIXTURES / path).read_bytes()
