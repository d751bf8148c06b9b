"""A search query into conditions over the store; what is not understood is refused or, if so preferred, left out."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from urllib.parse import parse_qsl, urlencode

from careplan_bridge.sandbox import moments, references
from careplan_bridge.sandbox.outcome import Issue, Refused, refuse
from careplan_bridge.sandbox.parameters import Compare, Parameter, parameters_of
from careplan_bridge.sandbox.store import Condition

ID = Parameter("_id", Compare.TOKEN, ())
LAST_UPDATED = Parameter("_lastUpdated", Compare.DATE, ())
_WITHOUT_EFFECT = {"_format", "_pretty"}
_PREFIXES = ("eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap")


@dataclass(frozen=True, slots=True)
class Query:
    """What to look for and how to show it; `understood` is what the self link says."""

    where: tuple[Condition, ...] = ()
    understood: tuple[tuple[str, str], ...] = ()
    count: int | None = None
    total: str = "accurate"
    summary_count: bool = False
    order: str = "current.key"

    @property
    def text(self) -> str:
        return urlencode(self.understood)


@dataclass(slots=True)
class _Reading:
    """The query while it is being read."""

    where: list[Condition] = field(default_factory=list[Condition])
    understood: list[tuple[str, str]] = field(default_factory=list[tuple[str, str]])
    shown: dict[str, str] = field(default_factory=dict[str, str])


def read_query(resource_type: str, text: str, *, lenient: bool = False) -> Query:
    """Raises Refused with 400 for a parameter, modifier or value that cannot be honoured."""
    reading = _Reading()
    for name, value in parse_qsl(text, keep_blank_values=False):
        try:
            _read_parameter(reading, resource_type, name, value)
        except _UnknownParameter:
            if not lenient:
                raise
        else:
            reading.understood.append((name, value))
    return _query(reading, resource_type)


class _UnknownParameter(Refused):
    def __init__(self, resource_type: str, name: str) -> None:
        known = ", ".join(sorted([*parameters_of(resource_type), "_id", "_lastUpdated"]))
        says = f"unknown search parameter {name} for {resource_type}; known are {known}"
        super().__init__(400, [Issue("not-supported", says)])


def _read_parameter(reading: _Reading, resource_type: str, name: str, value: str) -> None:
    if name in _SHOWN:
        reading.shown[name] = value
    elif name not in _WITHOUT_EFFECT:
        reading.where.append(_condition(resource_type, name, value))


def _condition(resource_type: str, name: str, value: str) -> Condition:
    stem, _, modifier = name.partition(":")
    parameter = {"_id": ID, "_lastUpdated": LAST_UPDATED, **parameters_of(resource_type)}.get(stem)
    if parameter is None:
        raise _UnknownParameter(resource_type, name)
    if modifier == "missing":
        return _missing(parameter, value)
    choices = [_COMPARE[parameter.compare](parameter, modifier, choice) for choice in split(value, ",")]
    found = _any_of(choices)
    return Condition(f"NOT ({found.sql})", found.values) if modifier == "not" else found


def _missing(parameter: Parameter, value: str) -> Condition:
    if value not in {"true", "false"}:
        raise refuse(400, "value", f"{parameter.name}:missing takes true or false")
    inside = "NOT IN" if value == "true" else "IN"
    sql = f"key {inside} (SELECT key FROM indexed WHERE parameter = ?)"  # noqa: S608 - one of two words of ours
    return Condition(sql, (parameter.name,))


def _any_of(choices: Sequence[Condition]) -> Condition:
    sql = " OR ".join(f"({choice.sql})" for choice in choices)
    return Condition(sql, tuple(value for choice in choices for value in choice.values))


def _indexed(parameter: Parameter, sql: str, *values: object) -> Condition:
    where = f"key IN (SELECT key FROM indexed WHERE parameter = ? AND {sql})"  # noqa: S608 - the pieces are ours
    return Condition(where, (parameter.name, *values))


def _token(parameter: Parameter, modifier: str, value: str) -> Condition:
    _allow(parameter, modifier, "not")
    if parameter is ID:
        return Condition("id = ?", (unescape(value),))
    system, bar, code = (unescape(part) for part in _partition(value))
    if not bar:
        return _indexed(parameter, "second = ?", system)
    if not code:
        return _indexed(parameter, "first = ?", system)
    return _indexed(parameter, "second = ? AND first = ?", code, system)


def _reference(parameter: Parameter, modifier: str, value: str) -> Condition:
    kind = modifier or parameter.target
    link = references.local(value) or (references.local(f"{kind}/{value}") if kind else None)
    if link is not None:
        return _indexed(parameter, "second = ? AND first = ?", link.id, link.type)
    if "/" in value or ":" in value:
        return _indexed(parameter, "second = ? AND first = ''", value)
    return _indexed(parameter, "second = ? AND first <> ''", value)


def _date(parameter: Parameter, modifier: str, value: str) -> Condition:
    _allow(parameter, modifier)
    prefix = value[:2] if value[:2].isalpha() else "eq"
    if prefix not in _PREFIXES:
        raise refuse(
            400, "value", f"{parameter.name} has the unknown prefix {prefix}; known are {', '.join(_PREFIXES)}"
        )
    try:
        # A + that the client did not encode arrives as a space; servers read it as the zone that was meant.
        sought = moments.span(value.removeprefix(prefix).replace(" ", "+"))
    except ValueError:
        raise refuse(
            400, "value", f"{parameter.name} needs a date, dateTime or instant with an optional prefix"
        ) from None
    sql, values = _date_sql(prefix, sought)
    if parameter is LAST_UPDATED:
        # lastUpdated is shown in milliseconds, so it is compared in milliseconds.
        return Condition(sql.replace("low", "at").replace("high", "at + 999"), values)
    return _indexed(parameter, sql, *values)


def _date_sql(prefix: str, sought: moments.Span) -> tuple[str, tuple[int, ...]]:
    low, high = sought.low, sought.high
    table: dict[str, tuple[str, tuple[int, ...]]] = {
        "eq": ("low >= ? AND high <= ?", (low, high)),
        "ne": ("(low < ? OR high > ?)", (low, high)),
        "gt": ("high > ?", (high,)),
        "lt": ("low < ?", (low,)),
        "ge": ("high >= ?", (low,)),
        "le": ("low <= ?", (high,)),
        "sa": ("low > ?", (high,)),
        "eb": ("high < ?", (low,)),
        "ap": ("low <= ? AND high >= ?", (high, low)),
    }
    return table[prefix]


def _string(parameter: Parameter, modifier: str, value: str) -> Condition:
    _allow(parameter, modifier, "contains", "exact")
    text = unescape(value).casefold()
    if modifier == "exact":
        return _indexed(parameter, "second = ?", text)
    if modifier == "contains":
        return _indexed(parameter, "instr(second, ?) > 0", text)
    return _indexed(parameter, "substr(second, 1, ?) = ?", len(text), text)


def _uri(parameter: Parameter, modifier: str, value: str) -> Condition:
    _allow(parameter, modifier)
    url = unescape(value)
    # A canonical that is searched for without a version is found under any.
    return _indexed(parameter, "(second = ? OR substr(second, 1, ?) = ?)", url, len(url) + 1, f"{url}|")


def _allow(parameter: Parameter, modifier: str, *allowed: str) -> None:
    if modifier and modifier not in allowed:
        raise refuse(400, "not-supported", f"the modifier :{modifier} is not known for {parameter.name}")


_COMPARE: dict[Compare, Callable[[Parameter, str, str], Condition]] = {
    Compare.TOKEN: _token,
    Compare.REFERENCE: _reference,
    Compare.DATE: _date,
    Compare.STRING: _string,
    Compare.URI: _uri,
}


def _query(reading: _Reading, resource_type: str) -> Query:
    shown = reading.shown
    count = _count(shown["_count"]) if "_count" in shown else None
    return Query(
        where=tuple(reading.where),
        understood=tuple(reading.understood),
        count=count,
        total=_one_of("_total", shown.get("_total", "accurate"), ("none", "estimate", "accurate")),
        summary_count=count == 0 or _one_of("_summary", shown.get("_summary", "false"), ("count", "false")) == "count",
        order=_order(resource_type, shown.get("_sort", "")),
    )


_SHOWN = ("_count", "_total", "_summary", "_sort")


def _count(text: str) -> int:
    if not text.isdecimal():
        raise refuse(400, "value", "_count takes a whole number")
    return int(text)


def _one_of(name: str, value: str, allowed: tuple[str, ...]) -> str:
    if value not in allowed:
        raise refuse(400, "not-supported", f"{name} takes one of {', '.join(allowed)}")
    return value


def _order(resource_type: str, text: str) -> str:
    return ", ".join([*(_sort_key(resource_type, name) for name in text.split(",") if name), "current.key"])


def _sort_key(resource_type: str, name: str) -> str:
    stem = name.removeprefix("-")
    direction = "DESC" if name.startswith("-") else "ASC"
    if stem in _SORT_COLUMNS:
        return f"{_SORT_COLUMNS[stem]} {direction}"
    parameter = parameters_of(resource_type).get(stem)
    if parameter is None or parameter.compare is not Compare.DATE:
        raise refuse(400, "not-supported", f"_sort knows _id, _lastUpdated and dates, not {stem}")
    inner = f"SELECT min(low) FROM indexed WHERE key = current.key AND parameter = '{stem}'"  # noqa: S608 - a name of our own table
    return f"({inner}) {direction}"


_SORT_COLUMNS = {"_id": "id", "_lastUpdated": "at"}


def split(text: str, separator: str) -> list[str]:
    """Splits at separators that no backslash escapes; the escapes stay."""
    parts, current, escaped = list[str](), "", False
    for character in text:
        if character == separator and not escaped:
            parts.append(current)
            current = ""
        else:
            current += character
        escaped = character == "\\" and not escaped
    return [*parts, current]


def _partition(text: str) -> Iterable[str]:
    parts = split(text, "|")
    return (parts[0], "|" if len(parts) > 1 else "", "|".join(parts[1:]))


def unescape(text: str) -> str:
    out, escaped = "", False
    for character in text:
        if character == "\\" and not escaped:
            escaped = True
            continue
        out += character
        escaped = False
    return out
