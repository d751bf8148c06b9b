"""What `--at` means."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import click
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from careplan_bridge.cli import clock
from tests.conftest import NOW

ZONES = [
    "UTC",
    "Europe/Berlin",
    "Pacific/Chatham",
    "America/Nuuk",
    "America/Asuncion",
    "Australia/Lord_Howe",
    "Asia/Dhaka",
]
SECOND = timedelta(seconds=1)


@given(st.dates(date(2000, 1, 1), date(2037, 12, 31)), st.sampled_from(ZONES))
@example(date(2026, 3, 29), "Europe/Berlin")
@example(date(2026, 10, 25), "Europe/Berlin")
@example(date(2024, 10, 26), "America/Nuuk")  # 23:59:59 comes twice
@example(date(2023, 3, 25), "America/Asuncion")  # so it does here
@example(date(2009, 6, 19), "Asia/Dhaka")  # 23:59:59 does not come at all
def test_a_day_means_its_last_second_in_the_clinics_zone(day: date, zone: str) -> None:
    moment = clock.moment(day.isoformat(), zone)
    assert moment.tzinfo is UTC
    assert moment.astimezone(ZoneInfo(zone)).date() == day
    assert (moment + SECOND).astimezone(ZoneInfo(zone)).date() == day + timedelta(days=1)


@given(st.datetimes(datetime(2000, 1, 1), datetime(2037, 12, 31), timezones=st.timezones()), st.sampled_from(ZONES))  # noqa: DTZ001
def test_an_instant_is_what_it_says_in_every_zone(instant: datetime, zone: str) -> None:
    assert clock.moment(instant.isoformat(), zone) == instant.astimezone(UTC)


def test_without_it_the_moment_is_now() -> None:
    assert clock.moment(None, "Europe/Berlin") == NOW


@pytest.mark.parametrize("text", ["", "yesterday", "2026-02-30", "2026-03-24T10:00:00", "20260324", "12:00", "-"])
def test_anything_else_is_refused_in_a_sentence(text: str) -> None:
    with pytest.raises(click.BadParameter, match="neither a day"):
        clock.moment(text, "Europe/Berlin")
