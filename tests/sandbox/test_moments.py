from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.sandbox.moments import Span, http_date, instant, microseconds, span

SECOND = 10**6
zones = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
# A margin at both ends: shifting the zone must not leave the calendar.
times = st.datetimes(datetime(2, 1, 1), datetime(9998, 1, 1), timezones=zones)  # noqa: DTZ001 - hypothesis adds the zone


@given(times)
def test_an_instant_means_itself_in_every_zone(moment: datetime) -> None:
    text = moment.isoformat(timespec="microseconds")
    assert span(text) == Span(microseconds(moment), microseconds(moment))


@given(times, st.sampled_from([4, 7, 10]))
def test_a_shorter_date_means_every_moment_that_it_may_be(moment: datetime, length: int) -> None:
    utc = moment.astimezone(UTC)
    whole = span(utc.isoformat()[:length])
    assert whole.low <= microseconds(utc) <= whole.high


@given(times, st.sampled_from([4, 7, 10]))
def test_the_next_date_begins_where_this_one_ends(moment: datetime, length: int) -> None:
    this = span(moment.astimezone(UTC).isoformat()[:length])
    assert span(instant(this.high + 1)[:length]).low == this.high + 1


@pytest.mark.parametrize(
    ("text", "length"),
    [
        ("2024", 366 * 86400 * SECOND),
        ("2024-02", 29 * 86400 * SECOND),
        ("2024-12", 31 * 86400 * SECOND),
        ("2024-03-10", 86400 * SECOND),
        ("2024-03-10T10:00:00Z", SECOND),
        ("2024-03-10T10:00:00.1Z", SECOND // 10),
        ("2024-03-10T10:00:00.123Z", SECOND // 1000),
        ("2024-03-10T10:00:00.1234567Z", 1),
    ],
)
def test_the_length_is_that_of_the_precision(text: str, length: int) -> None:
    assert span(text).high - span(text).low + 1 == length


def test_a_zone_shifts_and_a_leap_second_is_the_next_minute() -> None:
    assert span("2024-03-10T10:00:00+01:00") == span("2024-03-10T09:00:00Z")
    assert span("2024-03-10T10:00:00-09:30") == span("2024-03-10T19:30:00Z")
    assert span("2016-12-31T23:59:60Z") == span("2017-01-01T00:00:00Z")


def test_the_last_year_has_an_end() -> None:
    assert span("9999").low < span("9999").high


@pytest.mark.parametrize("text", ["", "24", "2024-13", "2024-02-30", "2024-3-1", "10/03/2024", "2024-03-10T10", "soon"])
def test_what_is_no_date_is_refused(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 - the text itself is all there is to say
        span(text)


def test_http_wants_its_own_form() -> None:
    assert http_date(span("2026-03-04T11:30:00Z").low) == "Wed, 04 Mar 2026 11:30:00 GMT"
