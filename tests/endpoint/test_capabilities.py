"""A declaration is reduced to what is used; what cannot be read declares nothing."""

from typing import Any

import httpx
import pytest

from careplan_bridge.endpoint.capabilities import Capabilities, Offers, capabilities, declared
from careplan_bridge.endpoint.outcomes import Unreachable
from tests.endpoint.scripted import BASE, client_of, endpoint, json, outcome, script

STATEMENT: dict[str, Any] = {
    "resourceType": "CapabilityStatement",
    "fhirVersion": "4.0.1",
    "software": {"name": "some server"},
    "rest": [
        {"mode": "client", "interaction": [{"code": "batch"}]},
        {
            "mode": "server",
            "interaction": [{"code": "transaction"}, {}, "x"],
            "resource": [
                {
                    "type": "Goal",
                    "interaction": [{"code": "read"}, {"code": "create"}],
                    "versioning": "versioned-update",
                    "conditionalCreate": True,
                    "conditionalUpdate": "true",
                    "searchParam": [{"name": "patient"}, {"name": "identifier"}],
                }
            ],
        },
    ],
}


def test_a_statement_is_reduced_to_what_is_used() -> None:
    goal = Offers(
        interactions=frozenset({"read", "create"}),
        search=frozenset({"patient", "identifier"}),
        versioning="versioned-update",
        conditional_create=True,
    )
    expected = Capabilities(
        known=True, fhir_version="4.0.1", software="some server", transaction=True, types={"Goal": goal}
    )
    assert declared(STATEMENT) == expected
    assert expected.offers("Goal", "create")
    assert not expected.offers("Goal", "update")
    assert expected.of("CarePlan") == Offers()


@pytest.mark.parametrize(
    "answer",
    [
        httpx.Response(404),
        json(outcome(), 403),
        httpx.Response(200, text="<html>"),
        json({"resourceType": "Patient"}),
        json({"resourceType": "CapabilityStatement"}),
        json({"resourceType": "CapabilityStatement", "rest": "all"}),
        json({"resourceType": "CapabilityStatement", "rest": [{"mode": "client"}]}),
    ],
)
def test_what_cannot_be_read_declares_nothing(answer: httpx.Response) -> None:
    with script() as router, client_of(endpoint()) as client:
        router.get(f"{BASE}/metadata").mock(return_value=answer)
        nothing = capabilities(client)
    assert (nothing.known, nothing.transaction, nothing.of("Goal")) == (False, False, Offers())


def test_a_server_that_is_down_is_not_one_that_can_nothing() -> None:
    with script() as router, client_of(endpoint()) as client:
        router.get(f"{BASE}/metadata").mock(side_effect=httpx.ConnectError("x"))
        with pytest.raises(Unreachable):
            capabilities(client)


def test_the_declaration_is_asked_for_once_per_client() -> None:
    with script() as router, client_of(endpoint()) as client:
        route = router.get(f"{BASE}/metadata").mock(return_value=json(STATEMENT))
        assert capabilities(client) is capabilities(client)
        assert route.call_count == 1
