"""What the cases shared with HAPI do not say: digits, pages under writes, the order of a transaction, every refusal."""

from typing import Any

import httpx
import pytest

from careplan_bridge.sandbox.server import Sandbox
from careplan_bridge.sandbox.strictness import faults
from tests.sandbox.bodies import SYSTEM, entry, goal, observation, patient, transaction

FIRST, SECOND = (f"urn:uuid:6f0a0b1c-0000-4000-8000-00000000000{n}" for n in (1, 2))


def ids(bundle: dict[str, Any]) -> list[str]:
    return [hit["resource"]["id"] for hit in bundle.get("entry", [])]


def following(bundle: dict[str, Any]) -> str:
    return next(link["url"] for link in bundle["link"] if link["relation"] == "next")


@pytest.mark.parametrize("digits", ["1.50", "1.30E2", "0.0000001", "90.00", "-0.0", "1e400", "12345678901234567890.10"])
def test_digits_come_back_as_they_were_sent(client: httpx.Client, digits: str) -> None:
    text = (
        f'{{"resourceType":"Observation","status":"final","code":{{"text":"x"}},"valueQuantity":{{"value":{digits}}}}}'
    )
    created = client.post("Observation", content=text)
    assert f'"value":{digits}}}' in created.text
    assert f'"value":{digits}}}' in client.get(f"Observation/{created.json()['id']}").text


def test_pages_show_what_the_search_saw_whatever_is_written_meanwhile(client: httpx.Client) -> None:
    made = [client.post("Patient", json=patient(f"p{n}")).json()["id"] for n in range(5)]
    page = client.get("Patient?_count=2").json()
    client.post("Patient", json=patient("late"))
    client.delete(f"Patient/{made[3]}")
    client.put(f"Patient/{made[4]}", json=patient(id=made[4], gender="other"))
    second = client.get(following(page)).json()
    third = client.get(following(second)).json()
    assert ids(page) + ids(second) + ids(third) == made
    assert "gender" not in third["entry"][0]["resource"]
    assert [link["relation"] for link in third["link"]] == ["self"]


def test_a_page_that_is_not_kept_is_gone(client: httpx.Client, sandbox: Sandbox) -> None:
    assert client.get(f"{sandbox.base}?_page=nothing-2").status_code == 410


def test_a_large_count_is_cut_to_the_largest_page() -> None:
    with Sandbox(page_size=3) as small, httpx.Client(base_url=f"{small.base}/") as client:
        for number in range(4):
            client.post("Patient", json=patient(f"p{number}"))
        assert len(ids(client.get("Patient").json())) == 3
        assert len(ids(client.get("Patient?_count=1000000").json())) == 4


def test_a_total_is_left_out_on_request(client: httpx.Client) -> None:
    assert "total" not in client.get("Patient?_total=none").json()


def test_the_self_link_says_what_was_understood(client: httpx.Client) -> None:
    answer = client.get("Patient?banana=1&gender=male", headers={"Prefer": "handling=lenient"})
    assert answer.json()["link"][0]["url"].endswith("/Patient?gender=male")


def test_a_transaction_deletes_before_it_creates(client: httpx.Client, sandbox: Sandbox) -> None:
    person = client.post("Patient", json=patient()).json()["id"]
    old = client.post("Goal", json=goal("g", f"Patient/{person}")).json()["id"]
    replacing = entry(FIRST, goal("g2", f"Patient/{person}"))
    leaving = {"request": {"method": "DELETE", "url": f"Goal/{old}"}}
    answer = client.post(sandbox.base, json=transaction(replacing, leaving)).json()
    assert [e["response"]["status"] for e in answer["entry"]] == ["201 Created", "204 No Content"]
    assert client.get(f"Goal/{old}").status_code == 410


def test_a_reference_reaches_what_a_conditional_create_found(client: httpx.Client, sandbox: Sandbox) -> None:
    person = client.post("Patient", json=patient()).json()["id"]
    sent = transaction(
        entry(FIRST, goal("g", SECOND)),
        entry(SECOND, patient(), ifNoneExist=f"identifier={SYSTEM}|p1"),
    )
    answer = client.post(sandbox.base, json=sent, headers={"Prefer": "return=representation"}).json()
    assert answer["entry"][0]["resource"]["subject"]["reference"] == f"Patient/{person}"


def test_a_refused_transaction_leaves_nothing_and_names_its_entry(client: httpx.Client, sandbox: Sandbox) -> None:
    person = client.post("Patient", json=patient()).json()["id"]
    sent = transaction(entry(FIRST, goal("g", f"Patient/{person}")), entry(SECOND, goal("h", "Patient/nobody")))
    refused = client.post(sandbox.base, json=sent)
    assert refused.json()["issue"][0]["expression"] == ["Bundle.entry[1]"]
    assert client.get("Goal").json()["total"] == 0
    assert client.get("Patient/2").status_code == 404


def test_a_deleted_resource_can_come_back_under_its_next_version(client: httpx.Client) -> None:
    client.put("Patient/own", json=patient(id="own"))
    client.delete("Patient/own")
    back = client.put("Patient/own", json=patient(id="own"))
    assert (back.status_code, back.headers["etag"]) == (201, 'W/"3"')
    assert [e["request"]["method"] for e in client.get("Patient/own/_history").json()["entry"]] == [
        "PUT",
        "DELETE",
        "PUT",
    ]


def test_the_client_does_not_choose_version_or_moment(client: httpx.Client) -> None:
    stated = {"versionId": "7", "lastUpdated": "2001-01-01T00:00:00Z", "tag": [{"code": "kept"}]}
    meta = client.post("Patient", json=patient(meta=stated)).json()["meta"]
    assert meta == {"versionId": "1", "lastUpdated": "2026-03-04T11:30:00.000Z", "tag": [{"code": "kept"}]}


def test_what_it_says_of_itself_is_valid(client: httpx.Client) -> None:
    statement = client.get("metadata").json()
    assert faults(statement) == []
    assert {"code": "transaction"} in statement["rest"][0]["interaction"]


@pytest.mark.parametrize("path", ["Patient", "Observation?status=final", "Patient/own/_history"])
def test_the_bundles_it_makes_are_valid(client: httpx.Client, path: str) -> None:
    client.put("Patient/own", json=patient(id="own"))
    client.post("Observation", json=observation(subject={"reference": "Patient/own"}))
    assert faults(client.get(path).json()) == []


@pytest.mark.parametrize("text", ["[" * 100_000, '{"a":' * 100_000, '{"extension":[' * 900 + "]}" * 900])
def test_a_body_nested_too_deeply_is_the_clients_fault(client: httpx.Client, text: str) -> None:
    assert client.post("Patient", content=text).status_code in {400, 422}


@pytest.mark.parametrize(
    ("method", "path", "body", "status"),
    [
        ("GET", "Measurement", None, 404),
        ("GET", "Patient/none", None, 404),
        ("GET", "Patient/none/more/and/more", None, 404),
        ("GET", "../elsewhere", None, 404),
        ("PATCH", "Patient/none", "{}", 405),
        ("DELETE", "Patient", None, 405),
        ("POST", "Patient", "{", 400),
        ("POST", "Patient", '{"resourceType":"Patient","birthDate":"soon"}', 422),
        ("POST", "Patient", '"\udcff"', 400),
        ("GET", "Patient?_include=*", None, 400),
        ("GET", "Patient?_summary=true", None, 400),
        ("GET", "Patient?_sort=name", None, 400),
        ("GET", "Patient?name:above=x", None, 400),
        ("GET", "Patient?birthdate:missing=maybe", None, 400),
    ],
)
def test_every_refusal_is_a_valid_outcome(
    client: httpx.Client, method: str, path: str, body: str | None, status: int
) -> None:
    content = None if body is None else body.encode("utf-8", "surrogateescape")
    answer = client.request(method, path, content=content)
    assert answer.status_code == status
    assert answer.headers["content-type"].startswith("application/fhir+json")
    assert faults(answer.json()) == []
