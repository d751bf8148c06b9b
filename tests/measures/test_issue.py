"""An entry that was released before it was made: one of its two moments is wrong, and nothing tells which."""

from datetime import UTC, datetime
from typing import Any

import pytest

from careplan_bridge.files import shipped
from careplan_bridge.measures.reader import Reader
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.criterion import WithinBounds
from careplan_bridge.model.reading import Unusable
from careplan_bridge.model.value import Moment
from tests.criteria.build import FLEXION, a_plan, at_least, checked, criterion, deg, instant, moment, of, reading

RELEASED_ON_9_FOR_10: dict[str, Any] = {
    "resourceType": "Observation",
    "id": "o1",
    "status": "final",
    "code": {"coding": [{"system": "http://loinc.org", "code": "41343-5"}]},
    "effectiveDateTime": "2026-03-12T10:15:00Z",
    "issued": "2026-03-11T08:00:00Z",
    "valueQuantity": {"value": 60, "unit": "deg", "system": "http://unitsofmeasure.org", "code": "deg"},
}


@pytest.mark.parametrize("cached", [True, False])
def test_it_may_be_of_either_moment_or_between(cached: bool) -> None:  # noqa: FBT001 - a parameter of the test
    (entry,) = Reader(shipped.catalogue(), Conventions(timezone="UTC"), cached=cached).read(RELEASED_ON_9_FOR_10)
    assert isinstance(entry, Unusable)
    assert entry.reason == "later-than-issue"
    assert entry.hint.at == Moment(datetime(2026, 3, 11, 8, tzinfo=UTC), datetime(2026, 3, 12, 10, 15, tzinfo=UTC))


def test_it_is_not_overlooked_before_the_moment_it_bears() -> None:
    """It says tomorrow, but it is here today: what was measured before may no longer be the latest."""
    (entry,) = Reader(shipped.catalogue(), Conventions(timezone="UTC")).read(RELEASED_ON_9_FOR_10)
    plan = a_plan(criterion(WithinBounds(measured=of(FLEXION), bounds=at_least(90))))
    met = reading(FLEXION, deg(95), instant(8))
    assert checked(plan, met, at=moment(9, 18)).criteria[0].verdict == "met"
    seen = checked(plan, met, entry, at=moment(9, 18)).criteria[0]
    assert (seen.verdict, seen.reason) == ("cannot-tell", "newer-unusable-entry")
