"""A next-visit document as text for a terminal: the page's facts in the page's words."""

from collections.abc import Iterator, Mapping
from typing import Any

from careplan_bridge.review import words

Part = Mapping[str, Any]


def next_visit_text(document: Part) -> str:
    return "\n".join(_lines(document))


def _lines(visit: Part) -> Iterator[str]:
    yield f"{visit['protocol']['title']} ({visit['protocol']['notice']})"
    yield f"Case {visit['case']}, {visit['side']} side, stage {visit['stage_title']!r}, day {visit['day']} after surgery, {visit['at']}"
    if visit["outcome"] == "blocked":
        yield f"{words.OUTCOMES['blocked'][0].upper()}: {visit['clinic']['contact']}"
    if not visit["complete"]:
        yield "Not everything was retrieved: what is listed may have been measured already."
    yield from _asked(visit)
    yield from _measured(visit)
    yield from _suppressed(visit)
    yield from _ages(visit)
    if visit["precautions"]:
        yield from ("", "Precautions that hold:", *(f"  {text}" for text in visit["precautions"]))
    yield from ("", *visit["cautions"])


def _asked(visit: Part) -> Iterator[str]:
    if visit["ask"]:
        yield from ("", "Ask first:")
    for question in visit["ask"]:
        state = words.word(words.RED_FLAGS, question["state"])
        yield f"  {words.symbol(words.RED_FLAGS, question['state'])} {question['ask']} [{state}]"
        yield f"      If so: {question['act']}."


def _measured(visit: Part) -> Iterator[str]:
    yield from ("", "Measure:" if visit["stations"] else "Nothing to measure.")
    for station in visit["stations"]:
        yield f"  {words.station(station)}"
        for test in station["tests"]:
            yield from _test(test)


def _test(test: Part) -> Iterator[str]:
    manner = words.manner(test)
    yield f"    [ ] {test['title']}{f' ({manner})' if manner else ''}"
    yield from (f"        Keep to it: {limit}" for limit in test["within"])
    for purpose in test["purposes"]:
        rank = words.rank(purpose)
        yield f"        For {purpose['title']}{f' [{rank}]' if rank else ''}: {purpose['says']}"


def _suppressed(visit: Part) -> Iterator[str]:
    if visit["suppressed"]:
        yield from ("", "Not yet safe, do not test:")
    for one in visit["suppressed"]:
        manner = ", ".join(filter(None, [one["test"]["qualifiers"].get("position", ""), words.manner(one["test"])]))
        word = words.word(words.SUPPRESSED, one["why"])
        yield f"  {words.symbol(words.SUPPRESSED, one['why'])} {one['test']['title']}{f' ({manner})' if manner else ''} [{word}]"
        until = f" Until {one['until']}." if one["why"] == "restriction" and one["until"] else ""
        yield f"      {one['says']}{until}"


def _ages(visit: Part) -> Iterator[str]:
    if visit["ages"]:
        yield from ("", "How long the readings hold:")
    for age in visit["ages"]:
        when = (
            f"out of date since {age['out_of_date_on']}"
            if age["out_of_date"]
            else f"good before {age['out_of_date_on']}"
        )
        yield f"  {'?' if age['out_of_date'] else '●'} {age['what']}: {age['shown']} on {age['measured']} [{when}]"
