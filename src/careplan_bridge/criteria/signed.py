"""One signed scale of two measures: an extension deficit is negative, hyperextension positive, neutral is zero.

Both are recorded without a sign, because the sign of extension is not agreed among therapists; compared they must be.
"""

from collections.abc import Iterator, Sequence

from careplan_bridge.criteria.current import Known, Missing, Terms, incomplete, told
from careplan_bridge.criteria.entry import Entry
from careplan_bridge.criteria.interval import Interval, hull, negative
from careplan_bridge.criteria.record import Record
from careplan_bridge.criteria.selection import among, latest
from careplan_bridge.criteria.values import possible
from careplan_bridge.model.criterion import Measured
from careplan_bridge.model.signed_scale import twin


def on_signed_scale(asked: Measured, record: Record) -> bool:
    return twin(asked.measure, record.plan.facts) is not None


def signed_current(asked: Measured, terms: Terms, record: Record) -> Known | Missing:
    """The latest value with its sign, from whichever of the two measures was taken last."""
    entries = [(measure, entry) for measure in _both(asked, record) for entry in record.of(measure.measure)]
    several = latest([one for measure, entry in entries for one in among([entry], measure, record)])
    found = incomplete(asked, record) or told(several, asked, terms, record)
    if isinstance(found, Missing):
        return found
    return Known(hull(_values(found.entries, record)), found.entries)


def _both(asked: Measured, record: Record) -> Iterator[Measured]:
    yield asked
    other = twin(asked.measure, record.plan.facts)
    if other is not None:
        yield Measured(measure=other, side=asked.side, qualifiers=asked.qualifiers)


def _values(entries: Sequence[Entry], record: Record) -> list[Interval]:
    """A zero of one measure says only that the limb reaches neutral; beside a value of the other it is no contradiction."""
    signed = [_signed(entry, record) for entry in entries]
    telling = [value for value in signed if not (value.exact and value.low == 0)]
    return telling or signed


def _signed(entry: Entry, record: Record) -> Interval:
    facts = record.facts(entry.measure)
    value = possible(entry.value, facts) if entry.value else Interval(None, None)
    number = value if isinstance(value, Interval) else Interval(None, None)
    return negative(number) if facts.better == "down" else number
