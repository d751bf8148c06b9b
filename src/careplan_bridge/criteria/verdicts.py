"""The verdicts of a stage alone, for whole caseloads: what a check says, without its words, restrictions and red flags.

Every verdict comes from the same functions as in a check and is the same. What many plans have in common, their question, is
worked out once.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import msgspec

from careplan_bridge.criteria.calendar import Calendar, calendar
from careplan_bridge.criteria.conditions import verdict
from careplan_bridge.criteria.current import Terms
from careplan_bridge.criteria.entry import Entry, of_reading, of_unusable, past_neutral
from careplan_bridge.criteria.matching import strictly
from careplan_bridge.criteria.record import Record, operated
from careplan_bridge.criteria.scope import Scope
from careplan_bridge.criteria.statements import asked_findings, evidence_of, measured
from careplan_bridge.criteria.truth import CANNOT_TELL, NOT_MET
from careplan_bridge.model.check import Verdict
from careplan_bridge.model.criterion import Change, Condition, FindingIs, Measured, OtherSide, WithinBounds
from careplan_bridge.model.measure import FINDING
from careplan_bridge.model.plan import Plan
from careplan_bridge.model.reading import Reading, Unusable
from careplan_bridge.model.signed_scale import twin

_MOST = 1024  # questions that are remembered
_ENCODER = msgspec.json.Encoder()


@dataclass(frozen=True, slots=True, eq=False)
class Question:
    """What the current stage of some plans asks for. `asked` are, by measure, the statements its readings may serve.

    `criteria` are the conditions with their terms, and the measures without which each cannot be told.
    """

    side: str
    asked: Mapping[str, tuple[Measured, ...]]
    twins: Mapping[str, str]
    findings: frozenset[str]
    plan: Plan
    criteria: tuple[tuple[Condition, Terms, frozenset[str] | None], ...]

    @property
    def measures(self) -> frozenset[str]:
        return frozenset(self.asked) | ({FINDING} if self.findings else set[str]())

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(terms.id for _, terms, _ in self.criteria)

    def wants(self, measure: str, side: str | None, qualifiers: Mapping[str, str]) -> bool:
        """Could a reading of this measure, side and qualifiers be meant by any criterion?"""
        if measure == FINDING:
            return qualifiers.get("finding") in self.findings
        facts = self.plan.facts
        return any(
            strictly(one, side, qualifiers, involved=self.side, measure=facts[one.measure]) is not NOT_MET
            for one in self.asked.get(measure, ())
        )


class Questions:
    """The questions of many plans, each made once."""

    def __init__(self) -> None:
        self._known: dict[bytes, Question] = {}

    def of(self, plan: Plan) -> Question:
        # Two plans ask the same if these are the same: the catalogue's digest stands for its facts.
        key = _ENCODER.encode(
            (plan.current.criteria, plan.side, plan.protocol.url, tuple(plan.facts), plan.catalogue_digest)
        )
        found = self._known.get(key)
        if found is None:
            if len(self._known) >= _MOST:
                self._known.clear()
            found = self._known[key] = _question(plan)
        return found


def verdicts(
    plan: Plan, question: Question, results: Iterable[Reading | Unusable], at: datetime, *, complete: bool
) -> tuple[Verdict, ...]:
    """The verdict of each criterion of the plan's current stage, in its order, as `check` gives it.

    `results` may leave out what `question` does not want, and stand in any order.
    """
    record = _record(plan, question, results, at, complete=complete)
    read = record.entries.keys()
    return tuple(
        [
            # Where nothing at all was read of what is asked for, no reason for it makes another verdict.
            CANNOT_TELL if needs is not None and read.isdisjoint(needs) else verdict(condition, terms, record)
            for condition, terms, needs in question.criteria
        ]
    )


def _question(plan: Plan) -> Question:
    asked: dict[str, dict[str, Measured]] = {}
    twins: dict[str, str] = {}
    criteria = plan.current.criteria
    for one in (one for criterion in criteria for one in measured(criterion.condition)):
        if one.measure not in plan.facts:
            continue
        other = twin(one.measure, plan.facts)
        if other is not None:
            twins[one.measure] = other
        for name in filter(None, (one.measure, other)):
            asked.setdefault(name, {})[repr(one)] = one
    return Question(
        side=plan.side,
        asked={name: tuple(several.values()) for name, several in asked.items()},
        twins=twins,
        findings=frozenset(name for criterion in criteria for name in asked_findings(criterion.condition)),
        plan=plan,
        criteria=tuple((one.condition, Terms.of(one), _needs(one.condition, plan)) for one in criteria),
    )


def _needs(condition: Condition, plan: Plan) -> frozenset[str] | None:
    """The measures without any entry of which a condition cannot be told; None where other things decide as well."""
    if isinstance(condition, WithinBounds | OtherSide | Change | FindingIs):
        return frozenset(evidence_of(condition, plan.facts))
    return None


def _record(
    plan: Plan, question: Question, results: Iterable[Reading | Unusable], at: datetime, *, complete: bool
) -> Record:
    about, days = Scope(plan, question.asked, question.findings), calendar(plan)
    day, until = days.day(at), at.astimezone(UTC)
    entries: dict[str, list[Entry]] = {}
    for entry in _entries(results, question, about, days):
        if entry.at.low <= until:
            entries.setdefault(entry.measure, []).append(entry)
    return Record(
        about=about,
        calendar=days,
        at=at,
        day=day,
        operated=operated(plan, days, day),
        complete=complete,
        entries={name: tuple(several) for name, several in entries.items()},
        scales=dict(_scales(question, entries)),
        touching=(),
        void=(),
    )


def _entries(
    results: Iterable[Reading | Unusable], question: Question, about: Scope, days: Calendar
) -> Iterator[Entry]:
    for result in results:
        if isinstance(result, Reading):
            if result.measure in question.asked:
                yield of_reading(result, days)
            elif result.measure == FINDING and about.shows(entry := of_reading(result, days)):
                yield entry
        elif not result.void and (result.hint.measure in question.asked or result.hint.measure == FINDING):
            entry = of_unusable(result, days)
            if entry.measure != FINDING or about.shows(entry):
                yield entry


def _scales(question: Question, entries: Mapping[str, list[Entry]]) -> Iterator[tuple[str, tuple[Entry, ...]]]:
    for name, other in question.twins.items():
        across = [entry for one in entries.get(other, ()) for entry in past_neutral(one)]
        yield name, (*entries.get(name, ()), *across)
