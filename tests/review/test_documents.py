"""Documents say what the values say, and give them back."""

from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from careplan_bridge.model.case import Order, RestrictionOrder
from careplan_bridge.model.check import CriteriaCheck, CriterionResult, UsedReading, Verdict
from careplan_bridge.model.reading import Caveat, Hint, Reading, Readings, Recorded, Source, Unusable
from careplan_bridge.model.value import Amount, Bounds, Grade, Moment, Threshold, Value
from careplan_bridge.review.documents import check_document, check_of, encode, readings_document
from tests.built import a_check, a_plan

NOON = datetime(2026, 3, 20, 12, tzinfo=UTC)
ORDER = Order(
    id="limit",
    by="s1",
    on=date(2026, 3, 3),
    says="Keep it low",
    change=RestrictionOrder(restriction="flexion", bounds=Bounds(high=Threshold(number=Decimal("90.0")))),
)

numbers = st.none() | st.decimals(-200, 200, places=2, allow_nan=False)
levels = st.none() | st.sampled_from(["0", "trace", "1+", "PWB 50%"])
amounts = st.builds(Amount, numbers, numbers, st.just("deg"), st.booleans(), st.booleans())
grades = st.builds(Grade, levels, levels, st.booleans(), st.booleans())


def a_used_reading(value: Value) -> UsedReading:
    return UsedReading(
        source=Source("Observation/o1", "2", "ab"),
        measure="knee_flexion",
        side="left",
        qualifiers={"movement": "active"},
        value=value,
        recorded=Recorded(value=Decimal("90.10"), unit="deg"),
        at=Moment(NOON, NOON),
        day=NOON.date(),
        shown="90.1 deg",
        used=True,
        caveats=(Caveat("preliminary", "preliminary", weakens=True),),
    )


def a_full_check(value: Value) -> CriteriaCheck:
    result = CriterionResult(
        id="flexion", says="x", verdict=Verdict.MET, reason="met", arithmetic="x", readings=(a_used_reading(value),)
    )
    return replace(a_check(a_plan()), criteria=(replace(result, parts=(result,)),), orders=(ORDER,))


def through_json(document: dict[str, Any]) -> dict[str, Any]:
    return msgspec.json.Decoder(float_hook=Decimal).decode(encode(document))


@given(amounts | grades)
def test_a_check_comes_back_from_its_document(value: Value) -> None:
    check = a_full_check(value)
    assert check_of(through_json(check_document(check))) == check


def test_numbers_keep_the_digits_they_came_with() -> None:
    text = encode(check_document(a_full_check(Amount(Decimal("90.00"), Decimal("90.00"), "deg")))).decode()
    assert '"low": 90.00' in text
    assert '"value": 90.10' in text


def test_a_reading_stands_flat_with_its_unit() -> None:
    reading = Reading(
        source=Source("Observation/o1"),
        measure="knee_effusion_stroke",
        side="left",
        qualifiers={},
        value=Grade("trace", "trace"),
        recorded=Recorded(text="trace"),
        at=Moment(NOON, NOON),
    )
    hidden = Unusable(source=Source("Observation/o2"), reason="no-unit", says="x", settle="y", hint=Hint(measure="tug"))
    document = readings_document(Readings(readings=(reading,), unusable=(hidden,)))
    (flat,) = document["readings"]
    assert (flat["low"], flat["high"], flat["unit"]) == ("trace", "trace", None)
    assert "value" not in flat
    assert "hint" not in document["unusable"][0]
    assert any("not a medical device" in caution for caution in document["cautions"])


@pytest.mark.parametrize("broken", [{}, {"document": "criteria-check", "version": 1}])
def test_what_is_no_check_is_no_check(broken: dict[str, Any]) -> None:
    with pytest.raises(msgspec.ValidationError):
        check_of(broken)
