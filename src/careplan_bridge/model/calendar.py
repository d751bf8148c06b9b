"""Days after surgery and dates: day 0 is the date of surgery, week n begins on day 7n."""

from datetime import date, timedelta


def date_of(surgery: date, day: int) -> date:
    return surgery + timedelta(days=day)


def day_of(surgery: date, when: date) -> int:
    return (when - surgery).days
