"""Words for people: outcomes, verdicts, dates. Meaning is never carried by colour alone, and no word says `progress`."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

OUTCOMES = {
    "blocked": ("Stop: a clinician must respond", "A red flag or an exceeded restriction has no response yet."),
    "awaiting-decision": ("Criteria met, awaiting decision", "Nothing moves until the people named below have signed."),
    "information-missing": (
        "Information missing",
        "Nothing measured speaks against it, but these facts are not known:",
    ),
    "not-yet": ("Remain in this stage", "Not met at this moment:"),
}
VERDICTS = {"met": ("●", "met"), "not-met": ("○", "not met"), "cannot-tell": ("?", "cannot tell")}
RESTRICTIONS = {
    "kept": ("●", "kept"),
    "exceeded": ("▲", "exceeded"),
    "possibly-exceeded": ("△", "possibly exceeded"),
    "responded": ("◆", "exceeded, a clinician responded"),
    "no-reading": ("?", "no reading"),
    "cannot-tell": ("?", "cannot tell"),
}
RED_FLAGS = {
    "absent": ("●", "asked and denied"),
    "present": ("▲", "present"),
    "responded": ("◆", "present, a clinician responded"),
    "not-asked": ("?", "not asked"),
    "out-of-date": ("?", "asked before the newest reading"),
    "cannot-tell": ("?", "cannot tell"),
}
SUPPRESSED = {
    "red-flag": ("▲", "red flag"),
    "excess": ("▲", "restriction exceeded"),
    "possible-excess": ("△", "restriction possibly exceeded"),
    "restriction": ("◆", "restriction in force"),
    "not-before": ("◇", "too early"),
}
MARKS = {
    "behind": "Behind",
    "stalled": "Stalled",
    "call-surgeon": "Call the surgeon",
    "possibly-exceeded": "Possibly exceeded",
    "incomplete": "Incomplete retrieval",
    "orders-conflict": "Orders in conflict",
    "amend-plan": "The plan must be amended",
    "withdrawn": "Withdrawn",
}
STAGES = {"done": "left", "current": "now", "ahead": "ahead"}
WITHIN_ERROR = {"yes": "within measurement error of the limit", "no": "", "unknown": ""}


def symbol(table: Mapping[str, tuple[str, str]], state: str) -> str:
    return table.get(state, ("?", state))[0]


def word(table: Mapping[str, tuple[str, str]], state: str) -> str:
    return table.get(state, ("?", state.replace("-", " ")))[1]


def mark(attention: Mapping[str, Any]) -> str:
    name: str = attention["mark"]
    return MARKS.get(name, name.replace("-", " ").capitalize())


def day(value: str | date | None) -> str:
    """`Fri 20 Mar 2026`."""
    if value is None:
        return ""
    when = date.fromisoformat(value[:10]) if isinstance(value, str) else value
    return f"{when:%a} {when.day} {when:%b %Y}"


def moment(value: str, zone: str) -> str:
    """`Fri 20 Mar 2026, 17:30` in the clinic's zone."""
    when = datetime.fromisoformat(value).astimezone(ZoneInfo(zone))
    return f"{day(when.date())}, {when:%H:%M}"


def week(number: int) -> str:
    """Day 0 is the day of surgery, week n begins on day 7n."""
    return f"day {number}" if number % 7 or not number else f"week {number // 7}"


def dated(number: int, surgery: str) -> str:
    """`week 6 (Tue 21 Apr 2026)`: a week is never shown without its date."""
    return f"{week(number)} ({day(date.fromisoformat(surgery) + timedelta(days=number))})"


def window(stage: Mapping[str, Any]) -> str:
    """When a stage is meant to be, as a sentence with weeks and dates."""
    parts = [f"from {week(stage['from_day'])} ({day(stage['from_date'])})"]
    if stage["before_day"] is not None:
        parts.append(f"before {week(stage['before_day'])} ({day(stage['before_date'])})")
    if stage["earliest_advance"] is not None:
        parts.append(f"earliest date to move on {week(stage['earliest_advance'])} ({day(stage['earliest_date'])})")
    return ", ".join(parts)


def qualifiers(reading: Mapping[str, Any]) -> str:
    """`left, passive, supine`; a finding's only qualifiers are its own name, which stands beside it already."""
    if reading["measure"] == "finding":
        return ""
    return ", ".join([*filter(None, [reading["side"]]), *reading["qualifiers"].values()])


def station(station: Mapping[str, Any]) -> str:
    """`Supine`, `Sitting, with dynamometer`: where the person is and what is at hand; findings are looked for."""
    if all(test["measure"] == "finding" for test in station["tests"]):
        return "Look for"
    place = station["position"] or "Any position"
    device = f", with {station['device']}" if station["device"] else ""
    return f"{place[:1].upper()}{place[1:]}{device}"


def manner(test: Mapping[str, Any]) -> str:
    """`left, passive, 60 deg/s`: side and ways but the position, under which the test stands."""
    ways = [value for name, value in test["qualifiers"].items() if name != "position"]
    return ", ".join([*filter(None, [test["side"]]), *ways])


def rank(purpose: Mapping[str, Any]) -> str:
    number = purpose["rank"]
    return "" if number is None else "preferred" if number == 1 else f"choice {number}, if none before it can be done"


def unmet(check: Mapping[str, Any]) -> Sequence[Mapping[str, Any]]:
    return [criterion for criterion in check["criteria"] if criterion["verdict"] == "not-met"]


def signers(check: Mapping[str, Any]) -> Sequence[tuple[str, Sequence[str]]]:
    """Decision kind and `role: people` for each kind that this check could lead to, in the protocol's order."""
    kinds: dict[str, list[str]] = {}
    for needed in check["signatures_needed"]:
        kinds.setdefault(needed["decision"], []).append(
            f"{needed['role']}: {', '.join(needed['people']) or 'nobody named'}"
        )
    return list(kinds.items())


def surgery_of(plan: Mapping[str, Any]) -> Mapping[str, Any]:
    """The surgery that days count from."""
    return next(surgery for surgery in plan["surgeries"] if surgery["id"] == plan["surgery"])


def entries(unusable: Sequence[Mapping[str, Any]]) -> Sequence[Mapping[str, Any]]:
    """Each entry once with each reason: one that could mean several measures stands in a document once for each of them."""
    return list({(one["source"]["resource"], one["reason"], one["says"]): one for one in unusable}.values())


def too_early(check: Mapping[str, Any], stage: Mapping[str, Any]) -> str:
    """`Earliest date to move on: Mon 30 Mar 2026`, while it has not come."""
    earliest = stage["earliest_advance"]
    return (
        f"Earliest date to move on: {day(stage['earliest_date'])}"
        if earliest is not None and check["day"] < earliest
        else ""
    )
