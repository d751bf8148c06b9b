"""A retrieval says what was fetched, by which questions, and whether that is all."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import httpx
import pytest
from msgspec.structs import asdict

from careplan_bridge.endpoint.outcomes import Refused, Unreachable
from careplan_bridge.model.cautions import CAUTIONS
from careplan_bridge.model.endpoint import Endpoint, Limits
from careplan_bridge.model.retrieval import Retrieval
from careplan_bridge.retrieval.pull import pull
from tests.endpoint.scripted import BASE, MOMENT, bundle, client_of, endpoint, json, match, observation, outcome, script
from tests.retrieval.plans import plan_of

PATIENT: dict[str, Any] = {"resourceType": "Patient", "id": "1", "active": True}
ONE_TRY = Limits(attempts=1)


def _clock() -> Iterator[datetime]:
    moment = MOMENT
    while True:
        yield moment
        moment += timedelta(seconds=2)


def pulled(patient: httpx.Response, *searches: httpx.Response, at: Endpoint | None = None) -> Retrieval:
    clock = _clock()
    with script() as router, client_of(at or endpoint(limits=ONE_TRY)) as client:
        router.get(f"{BASE}/Patient/1").mock(return_value=patient)
        if searches:
            router.get(f"{BASE}/Observation").mock(side_effect=list(searches))
        return pull(client, plan_of("Patient/1"), now=lambda: next(clock))


def page(*numbers: int, **more: Any) -> httpx.Response:
    return json(bundle([match(observation(number)) for number in numbers], **more))


def ids(retrieval: Retrieval) -> list[str]:
    return [resource["id"] for resource in retrieval.observations]


def test_everything_is_asked_for_and_the_header_tells_how_without_naming_the_person() -> None:
    retrieval = pulled(json(PATIENT), page(1, 2))
    header = asdict(retrieval.header)
    queries = [asdict(query) for query in header.pop("queries")]
    assert queries == [
        {"asked": "read Patient", "pages": 1, "entries": 1, "complete": True, "why": ""},
        {"asked": "Observation", "pages": 1, "entries": 2, "complete": True, "why": ""},
    ]
    assert header == {
        "cautions": CAUTIONS,
        "document": "retrieval",
        "version": 1,
        "plan": "6f1c1f5e-0000-5000-8000-000000000001",
        "endpoint": "scripted",
        "started": MOMENT,
        "ended": MOMENT + timedelta(seconds=2),
        "complete": True,
        "identity": "",
        "observations": 2,
    }
    assert ids(retrieval) == ["o1", "o2"]


def test_the_question_has_no_code_category_or_date() -> None:
    with script() as router, client_of(endpoint()) as client:
        router.get(f"{BASE}/Patient/1").mock(return_value=json(PATIENT))
        route = router.get(f"{BASE}/Observation").mock(return_value=page())
        pull(client, plan_of("Patient/1"), now=lambda: MOMENT)
    assert route.calls.last.request.url.query == b"patient=Patient%2F1&_count=200"


@pytest.mark.parametrize(
    ("patient", "says"),
    [
        (json(PATIENT | {"active": False}), "not active"),
        (
            json(
                PATIENT | {"link": [{"type": "seealso"}, {"type": "replaced-by", "other": {"reference": "Patient/2"}}]}
            ),
            "merged",
        ),
        (json(PATIENT | {"id": "2"}), "another Patient"),
        (json(outcome(), 404), "never was there"),
        (json(outcome(), 410), "deleted"),
    ],
)
def test_a_person_who_is_no_longer_the_same_makes_it_incomplete(patient: httpx.Response, says: str) -> None:
    retrieval = pulled(patient, page(1))
    assert (ids(retrieval), retrieval.header.complete) == (["o1"], False)
    why = retrieval.header.queries[0].why
    assert why.startswith("identity changed: ")
    assert says in why
    assert "Patient/" not in why


@pytest.mark.parametrize("link", [None, "x", [], [{"type": "replaces", "other": {"reference": "Patient/2"}}], [None]])
def test_a_person_who_took_in_another_stays_the_same(link: Any) -> None:
    assert pulled(json(PATIENT | {"link": link}), page(1)).header.complete


def test_what_the_search_doubts_the_retrieval_doubts() -> None:
    retrieval = pulled(json(PATIENT), page(1, total=5))
    assert not retrieval.header.complete
    assert retrieval.header.queries[1].why == "the server counted 5 and gave 1"


def test_entries_about_somebody_else_are_not_kept() -> None:
    other = json(bundle([match(observation(1)), match(observation(2, patient="2"))]))
    retrieval = pulled(json(PATIENT), other)
    assert (ids(retrieval), retrieval.header.complete) == (["o1"], False)


CATEGORIES = endpoint(limits=ONE_TRY, categories=("exam", "survey"), categories_exhaustive=True)
REFUSED = json(outcome("required"), 400)


@pytest.mark.parametrize("status", [400, 403, 422, 501])
def test_where_a_search_without_category_is_refused_each_declared_one_is_asked_for(status: int) -> None:
    retrieval = pulled(json(PATIENT), json(outcome(), status), page(1, 2), page(2, 3), at=CATEGORIES)
    assert (ids(retrieval), retrieval.header.complete, retrieval.header.observations) == (["o1", "o2", "o3"], True, 3)
    assert [query.asked for query in retrieval.header.queries[1:]] == [
        "Observation, category exam",
        "Observation, category survey",
    ]


def test_categories_are_all_there_are_only_if_the_site_says_so() -> None:
    some = endpoint(limits=ONE_TRY, categories=("exam",))
    retrieval = pulled(json(PATIENT), REFUSED, page(1), at=some)
    assert (ids(retrieval), retrieval.header.complete) == (["o1"], False)
    assert "categories_exhaustive" in retrieval.header.queries[1].why


def test_one_category_that_is_not_complete_makes_the_whole_incomplete() -> None:
    assert not pulled(json(PATIENT), REFUSED, page(1, total=9), page(2), at=CATEGORIES).header.complete


def test_where_nothing_can_be_asked_nothing_is_pretended() -> None:
    with pytest.raises(Refused):
        pulled(json(PATIENT), REFUSED)
    with pytest.raises(Refused):
        pulled(json(PATIENT), json(outcome(), 404), at=CATEGORIES)
    with pytest.raises(Unreachable):
        pulled(httpx.Response(503))
    with pytest.raises(Refused):
        pulled(json(outcome(), 403))
