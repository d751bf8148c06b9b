"""A person's Observations from a real server: all of them, over many pages, as they were stored."""

from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import pytest

from careplan_bridge.endpoint.capabilities import capabilities
from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.outcomes import Ambiguous, Refused, Stale
from careplan_bridge.endpoint.read import Missing, Stored, read
from careplan_bridge.endpoint.search import search
from careplan_bridge.endpoint.send import Answer, create, transaction, update
from careplan_bridge.fhir import raw
from careplan_bridge.model.endpoint import Limits
from careplan_bridge.retrieval.pull import pull
from careplan_bridge.retrieval.spool import decode, encode
from tests.endpoint.scripted import MOMENT, Waits, client_of, endpoint
from tests.retrieval.plans import plan_of

OBSERVATIONS, IN_ONE_TRANSACTION, ON_A_PAGE = 1000, 200, 90
SYSTEM = "https://example.org/alder-quay/identifier/made-up"


@pytest.fixture
def waits() -> Waits:
    return Waits()


@pytest.fixture
def client(hapi_base: str, waits: Waits) -> Iterator[Client]:
    with client_of(endpoint(hapi_base, limits=Limits(page_size=ON_A_PAGE, timeout=60)), waits) as one:
        yield one


def _patient(identifier: str = "") -> dict[str, Any]:
    return {
        "resourceType": "Patient",
        "active": True,
        "identifier": [{"system": SYSTEM, "value": identifier or str(uuid4())}],
    }


def _observation(patient: str, number: int) -> dict[str, Any]:
    # 90.10 keeps its last digit only where nobody made a number of it.
    value = raw.decode(
        b'{"value":%d.%d0,"unit":"deg","system":"http://unitsofmeasure.org","code":"deg"}' % divmod(number, 10)
    )
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "made-up"},
        "subject": {"reference": patient},
        "effectiveDateTime": "2026-03-01",
        "valueQuantity": value,
    }


def _store(client: Client, resources: list[dict[str, Any]]) -> list[Answer]:
    entries = [
        {
            "fullUrl": f"urn:uuid:{uuid4()}",
            "resource": resource,
            "request": {"method": "POST", "url": resource["resourceType"]},
        }
        for resource in resources
    ]
    answer = transaction(client, {"resourceType": "Bundle", "type": "transaction", "entry": entries})
    return list(answer.entries)


def test_a_thousand_observations_come_over_many_pages_as_they_were_stored(client: Client, waits: Waits) -> None:
    mine, other = (create(client, _patient(), if_none_exist=None).reference for _ in range(2))
    _store(client, [_observation(other, number) for number in range(20)])
    for start in range(0, OBSERVATIONS, IN_ONE_TRANSACTION):
        _store(client, [_observation(mine, number) for number in range(start, start + IN_ONE_TRANSACTION)])

    retrieval = pull(client, plan_of(mine), now=lambda: MOMENT)

    header = retrieval.header
    assert [(query.asked, query.complete, query.why) for query in header.queries] == [
        ("read Patient", True, ""),
        ("Observation", True, ""),
    ]
    assert (header.complete, header.observations) == (True, OBSERVATIONS)
    assert header.queries[1].pages == -(-OBSERVATIONS // ON_A_PAGE)
    values = sorted(raw.encode(resource["valueQuantity"]["value"]) for resource in retrieval.observations)
    assert values == sorted(b"%d.%d0" % divmod(number, 10) for number in range(OBSERVATIONS))
    assert waits == []

    spool = decode(encode(retrieval).splitlines(), "pulled.ndjson")
    assert spool.observations == tuple(map(raw.encode, retrieval.observations))


def test_a_person_who_was_merged_makes_a_retrieval_incomplete(client: Client) -> None:
    kept = create(client, _patient(), if_none_exist=None).reference
    merged = create(
        client, _patient() | {"link": [{"other": {"reference": kept}, "type": "replaced-by"}]}, if_none_exist=None
    )
    header = pull(client, plan_of(merged.reference), now=lambda: MOMENT).header
    assert not header.complete
    assert "identity changed" in header.queries[0].why


def test_writes_are_guarded_as_this_server_guards_them(client: Client) -> None:
    identifier = str(uuid4())
    condition = f"identifier={SYSTEM}|{identifier}"
    first = create(client, _patient(identifier), if_none_exist=condition)
    again = create(client, _patient(identifier), if_none_exist=condition)
    assert (first.created, again.created, again.reference, again.version) == (
        True,
        False,
        first.reference,
        first.version,
    )
    stored = read(client, first.reference)
    assert isinstance(stored, Stored)
    assert stored.version == first.version == "1"
    changed = update(client, stored.resource | {"active": False}, version=stored.version)
    assert (changed.created, changed.reference, changed.version) == (False, first.reference, "2")
    with pytest.raises(Stale):
        update(client, stored.resource | {"gender": "unknown"}, version=stored.version)
    create(client, _patient(identifier), if_none_exist=None)
    with pytest.raises(Ambiguous):
        create(client, _patient(identifier), if_none_exist=condition)
    assert len(search(client, "Patient", [("identifier", f"{SYSTEM}|{identifier}")]).resources) == 2


def _both(patient: Answer, version: str | None) -> dict[str, Any]:
    """One transaction: a new Observation, and an update of the person that expects a version."""
    assert patient.resource is not None
    put = {"method": "PUT", "url": patient.reference, "ifMatch": f'W/"{version}"'}
    entries: list[dict[str, Any]] = [
        {"resource": _observation(patient.reference, 1), "request": {"method": "POST", "url": "Observation"}},
        {"resource": patient.resource | {"active": False}, "request": put},
    ]
    listed = [{"fullUrl": f"urn:uuid:{uuid4()}"} | entry for entry in entries]
    return {"resourceType": "Bundle", "type": "transaction", "entry": listed}


def test_a_transaction_that_comes_too_late_leaves_nothing_behind(client: Client) -> None:
    patient = create(client, _patient(), if_none_exist=None)
    with pytest.raises(Stale):
        transaction(client, _both(patient, "9"))
    assert search(client, "Observation", [("patient", patient.reference)]).resources == ()
    done = transaction(client, _both(patient, patient.version)).entries
    assert [(entry.created, entry.version) for entry in done] == [(True, "1"), (False, "2")]
    assert done[1].reference == patient.reference


def test_an_unknown_parameter_is_refused_instead_of_answered_with_everything(client: Client) -> None:
    with pytest.raises(Refused):
        search(client, "Observation", [("no-such-parameter", "x")])


def test_what_is_not_there_is_told_apart_and_what_it_can_do_is_declared(client: Client) -> None:
    assert read(client, "Patient/never-was") is Missing.NEVER_WAS
    can = capabilities(client)
    assert (can.known, can.fhir_version, can.transaction) == (True, "4.0.1", True)
    assert can.of("CarePlan").conditional_create
    assert {"patient", "category"} <= can.of("Observation").search
