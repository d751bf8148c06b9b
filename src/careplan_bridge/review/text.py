"""A criteria check, readings or a retrieval as text for a terminal: the page's facts in the page's words."""

from collections.abc import Iterator, Mapping
from typing import Any

from careplan_bridge.review import words


def check_text(document: Mapping[str, Any]) -> str:
    return "\n".join(_check_lines(document))


def readings_text(document: Mapping[str, Any]) -> str:
    """One line a reading, then one an unusable entry with what would settle it."""
    return "\n".join([*map(_reading_line, document["readings"]), *map(_unusable_line, document["unusable"])])


def _check_lines(check: Mapping[str, Any]) -> Iterator[str]:
    stage = next(stage for stage in check["stages"] if stage["state"] == "current")
    yield f"{check['protocol']['title']} ({check['protocol']['notice']})"
    yield f"Case {check['case']}, stage {stage['title']!r}, day {check['day']} after surgery, {check['at']}"
    yield ""
    yield words.OUTCOMES[check["outcome"]][0].upper()
    if check["outcome"] == "blocked":
        yield f"  {check['clinic']['contact']}"
    if early := words.too_early(check, stage):
        yield f"  {early}"
    yield from (f"  {sentence}" for sentence in check["missing"])
    yield from (f"  {words.mark(mark)}: {mark['says']}" for mark in check["attention"])
    yield ""
    yield from _states("Criteria", words.VERDICTS, check["criteria"], "verdict", "arithmetic")
    yield from _states("Restrictions", words.RESTRICTIONS, check["restrictions"], "state", "response")
    yield from _states("Red flags", words.RED_FLAGS, check["red_flags"], "state", "response", said="ask")
    yield f"Signatures: {'; '.join(_signers(check))}"
    if entries := words.entries(check["unusable"]):
        yield f"Entries that could not be used: {len(entries)}"
        yield from map(_unusable_line, entries)
    yield ""
    yield from check["cautions"]


def _states(
    title: str,
    table: Mapping[str, tuple[str, str]],
    results: list[Mapping[str, Any]],
    state: str,
    note: str,
    *,
    said: str = "says",
) -> Iterator[str]:
    if not results:
        return
    yield f"{title}:"
    for result in results:
        yield f"  {words.symbol(table, result[state])} {result[said]} [{words.word(table, result[state])}]"
        if result[note]:
            yield f"      {result[note]}"


def _signers(check: Mapping[str, Any]) -> Iterator[str]:
    for kind, people in words.signers(check):
        yield f"{kind} by {', '.join(people)}"


def _reading_line(reading: Mapping[str, Any]) -> str:
    qualifiers = words.qualifiers(reading) or reading["qualifiers"].get("finding", "")
    caveats = "".join(f" [{caveat['says']}]" for caveat in reading["caveats"])
    return (
        f"{reading['at']['low']}  {reading['measure']}{f' ({qualifiers})' if qualifiers else ''}: "
        f"{interval(reading)}{caveats}  <{reading['source']['resource']}>"
    )


def _unusable_line(entry: Mapping[str, Any]) -> str:
    return f"  {entry['source']['resource']}: {entry['says']} [{entry['reason']}] {entry['settle']}".rstrip()


def interval(reading: Mapping[str, Any]) -> str:
    """`112 deg`, `110 to 115 deg`, `below 90 deg`, `trace`."""
    low, high, unit = reading["low"], reading["high"], reading["unit"]
    tail = f" {unit}" if unit else ""
    if low is None:
        return f"{'at most' if reading['high_included'] else 'below'} {high}{tail}"
    if high is None:
        return f"{'at least' if reading['low_included'] else 'above'} {low}{tail}"
    return f"{low}{tail}" if low == high else f"{low} to {high}{tail}"
