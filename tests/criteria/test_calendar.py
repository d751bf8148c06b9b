"""Days are the clinic's days: the zone of the machine or of the record makes no difference."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from careplan_bridge.criteria.calendar import Calendar

BERLIN = Calendar(ZoneInfo("Europe/Berlin"), date(2026, 3, 2))
ZONES = ["Europe/Berlin", "America/New_York", "Pacific/Chatham", "America/Havana", "Asia/Beirut", "Pacific/Apia"]


def test_day_0_is_the_date_of_surgery_in_the_clinics_zone() -> None:
    assert BERLIN.day(datetime(2026, 3, 1, 22, 59, 59, tzinfo=UTC)) == -1
    assert BERLIN.day(datetime(2026, 3, 1, 23, tzinfo=UTC)) == 0
    assert BERLIN.day(datetime(2026, 3, 2, 23, 30, tzinfo=ZoneInfo("America/New_York"))) == 1


def test_a_week_begins_on_its_seventh_day_though_the_clock_has_changed() -> None:
    assert BERLIN.begins(27) == datetime(2026, 3, 28, 23, tzinfo=UTC)
    assert BERLIN.begins(28) == datetime(2026, 3, 29, 22, tzinfo=UTC)
    assert BERLIN.date(42) == date(2026, 4, 13)


@given(st.sampled_from(ZONES), st.dates(date(2005, 1, 1), date(2035, 1, 1)), st.integers(-400, 400))
def test_a_day_begins_where_the_one_before_it_ends(zone: str, surgery: date, day: int) -> None:
    """Also where a clock change skips or repeats midnight; Apia once left out a whole day."""
    calendar = Calendar(ZoneInfo(zone), surgery)
    begins = calendar.begins(day)
    assert calendar.day(begins - timedelta(microseconds=1)) < day
    assert calendar.day(begins) >= day


@pytest.mark.parametrize("zone", ZONES)
def test_no_instant_between_two_beginnings_is_of_another_day(zone: str) -> None:
    calendar = Calendar(ZoneInfo(zone), date(2011, 12, 20))
    for day in range(30):
        begins, ends = calendar.begins(day), calendar.begins(day + 1)
        assert begins <= ends
        if begins < ends:
            assert calendar.day(begins) == day
            assert calendar.day(ends - timedelta(microseconds=1)) == day
