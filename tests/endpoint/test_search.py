"""Pages as servers really give them: whatever speaks against completeness is said, and nothing is asked without end."""

from typing import Any

import httpx
import msgspec
import pytest

from careplan_bridge.endpoint.http import Client, Params
from careplan_bridge.endpoint.outcomes import Refused, Unreachable
from careplan_bridge.endpoint.search import Found, search
from careplan_bridge.model.endpoint import Auth, Limits
from tests.endpoint.scripted import BASE, bundle, client_of, endpoint, json, match, observation, outcome, script

ASKED = [("patient", "Patient/1")]
FIRST = f"{BASE}/Observation?patient=Patient%2F1&_count=200"
URL = f"{BASE}/Observation"


def found(*pages: httpx.Response, params: Params = ASKED, limits: Limits | None = None) -> Found:
    """Search against pages given one after the other, wherever they are asked for on this server."""
    with script() as router, client_of(endpoint(limits=limits or Limits(attempts=1))) as client:
        router.route(url__startswith=BASE).mock(side_effect=list(pages))
        return search(client, "Observation", params)


def page(*numbers: int | str, **more: Any) -> httpx.Response:
    return json(bundle([match(observation(number)) for number in numbers], **more))


def ids(result: Found) -> list[str]:
    return [resource["id"] for resource in result.resources]


def test_all_pages_are_followed_and_everything_is_kept() -> None:
    result = found(page(1, 2, following=f"{BASE}?page=b"), page(3, following=f"{BASE}?page=c"), page(4))
    assert (ids(result), result.complete, result.why, result.pages) == (["o1", "o2", "o3", "o4"], True, "", 3)


def test_nothing_found_is_complete() -> None:
    result = found(json({"resourceType": "Bundle", "type": "searchset", "total": 0}))
    assert (result.resources, result.complete) == ((), True)


def test_numbers_stay_as_they_were_written() -> None:
    written = b'{"resourceType":"Observation","id":"a","subject":{"reference":"Patient/1"},"valueQuantity":{"value":90.00,"low":1.30E2}}'
    body = b'{"resourceType":"Bundle","type":"searchset","entry":[{"resource":%s}]}' % written
    result = found(httpx.Response(200, content=body))
    assert msgspec.json.encode(result.resources[0]) == written


def test_no_page_may_come_from_a_memory_of_the_server() -> None:
    with script() as router, client_of(endpoint()) as client:
        pages = [page(1, following=f"{BASE}?page=b"), page(2)]
        router.route(url__startswith=BASE, headers={"Cache-Control": "no-cache"}).mock(side_effect=pages)
        assert search(client, "Observation", ASKED).pages == 2


def test_the_question_asks_for_strictness_and_encodes_what_would_be_mangled() -> None:
    with script() as router, client_of(endpoint()) as client:
        route = router.get(url__startswith=URL).mock(return_value=json(bundle([])))
        search(
            client,
            "Observation",
            [("patient", "Patient/1"), ("date", "ge2026-03-01T00:00:00+10:00"), ("category", "s|a,s|b")],
            page_size=7,
        )
    request = route.calls.last.request
    query = b"patient=Patient%2F1&date=ge2026-03-01T00%3A00%3A00%2B10%3A00&category=s%7Ca%2Cs%7Cb&_count=7"
    assert request.url.query == query
    assert request.headers["Prefer"] == "handling=strict"


def test_a_search_by_post_keeps_the_patient_out_of_the_address() -> None:
    with script() as router, client_of(endpoint(search="post")) as client:
        posted = router.post(f"{URL}/_search").mock(return_value=page(1, following=f"{BASE}?page=b"))
        router.get(BASE, params={"page": "b"}).mock(return_value=page(2))
        result = search(client, "Observation", ASKED)
    assert ids(result) == ["o1", "o2"]
    assert posted.calls.last.request.content == b"patient=Patient%2F1&_count=200"
    assert posted.calls.last.request.headers["Content-Type"] == "application/x-www-form-urlencoded"


@pytest.mark.parametrize(
    "link",
    [
        "{base}?_getpages=a&_getpagesoffset=20",
        "?page=2&x=",
        "Observation?page=2",
        "/r4/Observation?page=2",
        "{base}/Observation?page=2&x=",
    ],
)
def test_a_link_is_asked_for_as_it_is_written(link: str) -> None:
    written = link.format(base=BASE)
    with script() as router, client_of(endpoint()) as client:
        router.get(FIRST).mock(return_value=page(1, following=written))
        second = router.route(url__regex=r"page").mock(return_value=page(2))
        assert ids(search(client, "Observation", ASKED)) == ["o1", "o2"]
    absolute = written if "://" in written else f"{URL}?{written.partition('?')[2]}"
    assert str(second.calls.last.request.url) == absolute


def test_twelve_hundred_pages_are_no_deeper_than_one() -> None:
    pages = [page(n, following=f"{BASE}?page={n + 1}") for n in range(1199)]
    result = found(*pages, page(1199))
    assert (result.complete, result.pages, len(result.resources)) == (True, 1200, 1200)


def test_a_page_that_leads_to_itself_ends_the_search() -> None:
    result = found(page(1, following=f"{BASE}?page=b"), page(2, following=f"{BASE}?page=b"))
    assert (ids(result), result.complete) == (["o1", "o2"], False)
    assert "circle" in result.why


def test_pages_that_lead_back_and_forth_end_the_search() -> None:
    there, back = f"{BASE}?page=b", f"{BASE}?page=a"
    result = found(page(1, following=there), page(2, following=back), page(3, following=there))
    assert (result.complete, result.pages) == (False, 3)
    assert "circle" in result.why


def test_the_same_page_under_new_addresses_ends_the_search() -> None:
    result = found(page(1, following=f"{BASE}?a"), page(1, following=f"{BASE}?b"))
    assert (ids(result), result.complete) == (["o1"], False)
    assert "twice" in result.why


def test_empty_pages_in_between_are_gone_through() -> None:
    result = found(page(1, following=f"{BASE}?a"), page(following=f"{BASE}?b"), page(following=f"{BASE}?c"), page(2))
    assert (ids(result), result.complete) == (["o1", "o2"], True)


def test_more_pages_than_allowed_are_not_asked_for() -> None:
    result = found(page(1, following=f"{BASE}?a"), page(2, following=f"{BASE}?b"), limits=Limits(pages=2))
    assert (ids(result), result.complete) == (["o1", "o2"], False)
    assert "more than 2 pages" in result.why


@pytest.mark.parametrize(
    "elsewhere",
    [
        "https://elsewhere.example.org/r4?page=2",
        "http://fhir.example.org/r4?page=2",
        "https://fhir.example.org:8443/r4?page=2",
        "//elsewhere.example.org/r4?page=2",
        "https://fhir.example.org@elsewhere.example.org/r4?page=2",
        "https://elsewhere.example.org\\@fhir.example.org/r4?page=2",
        "ftp://fhir.example.org/r4",
        f"{BASE}?page={'2' * 70_000}",
        f"{BASE}?page=a b",
    ],
)
def test_a_link_to_another_origin_is_not_followed(elsewhere: str) -> None:
    auth = Auth(kind="token", token_env="TOKEN")
    with script() as router, client_of(endpoint(auth=auth), environ={"TOKEN": "t"}) as client:
        router.get(FIRST).mock(return_value=page(1, following=elsewhere))
        result = search(client, "Observation", ASKED)
    assert (ids(result), result.complete) == (["o1"], False)
    assert "not an address at the origin" in result.why


def test_a_page_that_fails_leaves_what_was_seen_and_says_so() -> None:
    result = found(page(1, following=f"{BASE}?a"), httpx.Response(500))
    assert (ids(result), result.complete, result.pages) == (["o1"], False, 1)
    assert "page 2" in result.why


@pytest.mark.parametrize("body", ["<html>log in</html>", '{"resourceType":"Observation","id":"x"}', "{", "[]", ""])
def test_a_page_that_is_none_leaves_what_was_seen_and_says_so(body: str) -> None:
    result = found(page(1, following=f"{BASE}?a"), httpx.Response(200, text=body))
    assert (ids(result), result.complete) == (["o1"], False)


def test_a_first_page_that_fails_is_an_error() -> None:
    with pytest.raises(Unreachable):
        found(httpx.Response(503))
    with pytest.raises(Refused):
        found(json(outcome(), 400))
    with pytest.raises(Refused, match="another thing"):
        found(json(observation(1)))


def test_matches_includes_and_outcomes_are_told_apart_and_doubles_count_once() -> None:
    entries = [
        match(observation(1)),
        match(observation(1)),
        match(observation(1, version=2)),
        match(observation(2, patient="9"), "include"),
    ]
    entries += [
        match(outcome("informational", {"diagnostics": "Mr Elm"}, severity="warning"), "outcome"),
        {"resource": observation(3)},
    ]
    result = found(json(bundle(entries)))
    assert (ids(result), result.complete) == (["o1", "o1", "o3"], True)
    assert [resource["id"] for resource in result.included] == ["o2"]
    assert [str(issue) for issue in result.issues] == ["warning, informational"]


def test_an_observation_on_two_pages_counts_once() -> None:
    result = found(page(1, 2, following=f"{BASE}?a"), page(2, 3))
    assert (ids(result), result.complete) == (["o1", "o2", "o3"], True)


@pytest.mark.parametrize(
    ("severity", "code", "complete"),
    [
        ("error", "processing", False),
        ("fatal", "exception", False),
        ("warning", "suppressed", False),
        ("warning", "too-costly", False),
        ("warning", "business-rule", True),
        ("information", "informational", True),
    ],
)
def test_what_a_server_notes_can_speak_against_completeness(severity: str, code: str, complete: bool) -> None:  # noqa: FBT001
    result = found(json(bundle([match(observation(1)), match(outcome(code, severity=severity), "outcome")])))
    assert (ids(result), result.complete) == (["o1"], complete)


@pytest.mark.parametrize(
    "entry", [{"search": {"mode": "match"}}, match({"resourceType": "Patient", "id": "1"}), match({})]
)
def test_an_entry_that_holds_no_hit_speaks_against_completeness(entry: dict[str, Any]) -> None:
    result = found(json(bundle([match(observation(1)), entry])))
    assert not result.complete


@pytest.mark.parametrize(
    "subject",
    [
        {"reference": "Patient/2"},
        {"reference": "https://elsewhere.example.org/r4/Patient/1"},
        {"identifier": {"value": "1"}},
        {"reference": "Group/1"},
        None,
    ],
)
def test_entries_about_somebody_else_end_the_search_at_once(subject: dict[str, Any] | None) -> None:
    other = observation(2) | {"subject": subject}
    result = found(json(bundle([match(observation(1)), match(other)], following=f"{BASE}?more-of-everybody")))
    assert (ids(result), result.complete) == (["o1"], False)
    assert "ignores a part of the question" in result.why


@pytest.mark.parametrize(
    "reference", ["Patient/1", f"{BASE}/Patient/1", "Patient/1/_history/3", f"{BASE}/Patient/1/_history/3"]
)
def test_spellings_of_the_same_patient_are_one_patient(reference: str) -> None:
    result = found(json(bundle([match(observation(1) | {"subject": {"reference": reference}})])))
    assert (ids(result), result.complete) == (["o1"], True)


@pytest.mark.parametrize(
    ("itself", "complete"),
    [
        (f"{BASE}/Observation?patient=Patient%2F1&_count=200", True),
        (f"{BASE}/Observation?patient=1", True),
        (f"{BASE}/Observation?patient:Patient=Patient/1", True),
        ("", True),
        (f"{BASE}/Observation", True),
        (f"{BASE}/Observation?_count=200", False),
        (f"{BASE}/Observation?patient=Patient/2", False),
        (f"{BASE}/Observation?patient=Patient/1&status=final", False),
    ],
)
def test_the_self_link_tells_how_the_question_was_understood(itself: str, complete: bool) -> None:  # noqa: FBT001
    assert found(page(1, itself=itself)).complete == complete


@pytest.mark.parametrize(("total", "complete"), [(2, True), (1, True), (3, False)])
def test_fewer_than_the_server_counted_are_not_all(total: int, complete: bool) -> None:  # noqa: FBT001
    result = found(page(1, following=f"{BASE}?a", total=total), page(2))
    assert result.complete == complete


def test_an_identifier_is_held_against_the_hits() -> None:
    mine = observation(1) | {"identifier": [{"system": "urn:a", "value": "7"}]}
    other = observation(2) | {"identifier": [{"system": "urn:b", "value": "7"}]}
    result = found(json(bundle([match(mine), match(other)])), params=[("identifier", "urn:a|7")])
    assert (ids(result), result.complete) == (["o1"], False)


def test_the_token_goes_along_to_every_page_of_the_origin() -> None:
    auth = Auth(kind="token", token_env="TOKEN")
    with script() as router, client_of(endpoint(auth=auth), environ={"TOKEN": "t-1"}) as client:
        first = router.get(FIRST).mock(return_value=page(1, following="https://FHIR.example.org:443/r4?page=b"))
        second = router.get(url__regex="page=b").mock(return_value=page(2))
        assert search(client, "Observation", ASKED).complete
    sent = [route.calls.last.request.headers["Authorization"] for route in (first, second)]
    assert sent == ["Bearer t-1", "Bearer t-1"]


def _redirected(client: Client, location: str) -> Found:
    with script() as router:
        router.get(FIRST).mock(return_value=httpx.Response(307, headers={"Location": location}))
        if location.startswith(("/", BASE)):
            router.get(f"{BASE}/there").mock(return_value=page(1))
        return search(client, "Observation", ASKED)


def test_a_read_is_redirected_within_the_origin_only() -> None:
    with client_of(endpoint()) as client:
        assert ids(_redirected(client, f"{BASE}/there")) == ids(_redirected(client, "/r4/there")) == ["o1"]
        with pytest.raises(Refused, match=r"https://elsewhere\.example\.org:443, which is not"):
            _redirected(client, "https://elsewhere.example.org/r4/Observation?patient=Patient%2F1")


def test_a_search_by_post_is_not_redirected_into_another_question() -> None:
    with script() as router, client_of(endpoint(search="post")) as client:
        router.post(f"{URL}/_search").mock(return_value=httpx.Response(302, headers={"Location": f"{BASE}/there"}))
        with pytest.raises(Refused, match="redirects"):
            search(client, "Observation", ASKED)


def test_redirects_without_end_end() -> None:
    with script() as router, client_of(endpoint()) as client:
        route = router.get(FIRST).mock(return_value=httpx.Response(302, headers={"Location": FIRST}))
        with pytest.raises(Refused, match="redirects"):
            search(client, "Observation", ASKED)
        assert route.call_count == 6
