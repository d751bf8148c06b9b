"""Criteria as CQL over a person's raw Observations: true is met, false is not met, null is cannot tell."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from careplan_bridge.criteria.statements import evidence_of, of_other_side
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.criterion import (
    AllOf,
    AnyOf,
    AtLeastOf,
    Change,
    Condition,
    Criterion,
    FindingIs,
    FirstDoneOf,
    Measured,
    OtherSide,
    TimeSince,
    WithinBounds,
)
from careplan_bridge.model.value import Bounds
from tests.oracles.clinics import Setting, Span
from tests.oracles.terms import FINDING, End, Terms, about, ends, plausible, threshold

_TEMPLATE = Path(__file__).with_name("reading.cql")
_INTERVAL = "Tuple {low Decimal, high Decimal, lowIn Boolean, highIn Boolean}"
_ENTRY = (
    "Tuple {id String, measure String, finding String, side String, movement String, position String, muscle String,"
    " kind String, said String, low Decimal, high Decimal, lowIn Boolean, highIn Boolean, begins DateTime, ends DateTime,"
    " first Integer, last Integer, weak Boolean, usable Boolean, counts Boolean}"
)
_VISIT = "Tuple {low Decimal, high Decimal, lowIn Boolean, highIn Boolean, sure Boolean}"
_FIELDS = "id measure finding side movement position muscle kind said begins ends first last weak usable"
_AS_IS = "low: E.low, high: E.high, lowIn: E.lowIn, highIn: E.highIn"
_TURNED = "low: -E.high, high: -E.low, lowIn: E.highIn, highIn: E.lowIn"


def library(criteria: Iterable[Criterion], setting: Setting) -> str:
    """The text of one library with a define for each criterion, named by its id."""
    export = _Export(setting)
    for criterion in criteria:
        terms = Terms(criterion.id, criterion.no_older_than, accepts=bool(criterion.accepts))
        export.define(criterion.id, export.answer(criterion.condition, terms))
    return "\n\n".join([_filled(setting, criteria), *export.defines]) + "\n"


@dataclass(frozen=True, slots=True)
class _Row:
    """Names of the two defines that a statement rests on."""

    candidates: str
    latest: str


class _Export:
    def __init__(self, setting: Setting) -> None:
        self._setting = setting
        self.defines: list[str] = []
        self._known: set[str] = set()

    def define(self, name: str, text: str) -> str:
        """A define is written once; what it is called by."""
        if name not in self._known:
            self._known.add(name)
            self.defines.append(f'define "{name}":\n  {text}')
        return f'"{name}"'

    def answer(self, condition: Condition, terms: Terms) -> str:  # noqa: PLR0911, C901 - one for each kind
        match condition:
            case WithinBounds(visits_in_a_row=1):
                return self._within(condition, terms)
            case WithinBounds():
                return self._in_a_row(condition, terms)
            case OtherSide():
                return self._other_side(condition, terms)
            case Change():
                return self._change(condition, terms)
            case TimeSince():
                return _time(condition, self._setting)
            case FindingIs():
                return self._finding(condition, terms)
            case FirstDoneOf():
                return self._first_done(condition, terms)
            case AllOf():
                return " and ".join(self._parts(condition, terms))
            case AnyOf():
                return " or ".join(self._parts(condition, terms))
            case AtLeastOf():
                return f"AtLeastOf({condition.count}, {{{', '.join(self._parts(condition, terms))}}})"

    def _parts(self, condition: AllOf | AnyOf | AtLeastOf, terms: Terms) -> list[str]:
        return [
            self.define(f"{terms.id}.{place}", self.answer(part, terms.part(place)))
            for place, part in enumerate(condition.conditions, 1)
        ]

    def _within(self, condition: WithinBounds, terms: Terms) -> str:
        row = self._row(condition.measured, terms)
        facts = self._setting.plan.facts[condition.measured.measure]
        return f"if {self._tells(row, terms)}\n    then {_inside(f'Hull({row.latest})', condition.bounds, facts.levels)}\n    else null"

    def _other_side(self, condition: OtherSide, terms: Terms) -> str:
        signed = condition.difference is not None and len(ends(condition.measured, self._setting)) > 1
        both = (condition.measured, of_other_side(condition.measured))
        here, there = (self._row(one, terms, signed=signed) for one in both)
        pair = [f"{'SignedHull' if signed else 'Hull'}({row.latest})" for row in (here, there)]
        turned = self._setting.plan.facts[condition.measured.measure].better == "down"
        if condition.index is not None:
            value = f"PerCent({', '.join(reversed(pair) if turned else pair)})"
        else:
            value = f"Magnitude(Apart({', '.join(pair)}))"
        bounds = condition.index or condition.difference or Bounds()
        told = f"{self._tells(here, terms)}\n    and {self._tells(there, terms)}"
        return f"if {told}\n    then {_inside(value, bounds)}\n    else null"

    def _change(self, condition: Change, terms: Terms) -> str:
        if condition.since == "best":
            return self._since_best(condition, terms)
        row, baseline = self._row(condition.measured, terms), self._baseline(condition.measured)
        told = f"{self._tells(row, terms)}\n    and Tells({baseline}, null, {_said(terms.accepts)})"
        apart = f"Apart(Hull({row.latest}), Hull({baseline}))"
        return f"if {told}\n    and not {_shared(row, baseline)}\n    then {_inside(apart, condition.bounds)}\n    else null"

    def _since_best(self, condition: Change, terms: Terms) -> str:
        """Every earlier visit may be the best one. What may be of several days leaves open which visits there were."""
        row, name = self._row(condition.measured, terms), terms.id
        entries, turned = row.candidates, condition.best == "lowest"
        today = f"Max({row.latest} E return E.last)"
        days = self.define(f"{name}, earlier days", f"distinct ({entries} E where E.last < {today} return E.last)")
        readable = (
            f"not exists (there E where not E.usable) and ({_said(terms.accepts)} or not exists (there E where E.weak))"
        )
        value = "Minus(Hull(there))" if turned else "Hull(there)"
        visits = self.define(
            f"{name}, earlier visits",
            f"{days} D\n    let there: Latest({entries} E where E.last = D), readable: {readable}, value: {value}\n"
            "    return all Tuple {low: if readable then value.low else null, high: if readable then value.high else null,"
            " lowIn: value.lowIn, highIn: value.highIn, sure: readable and not exists (there E where not E.counts)}",
        )
        best = f"Highest({visits})"
        apart = f"Apart(Hull({row.latest}), {f'Minus({best})' if turned else best})"
        told = (
            f"{self._tells(row, terms)}\n    and not exists ({entries} E where E.first != E.last)\n"
            f"    and Count(distinct ({row.latest} E return E.last)) = 1 and exists ({visits} V where V.sure)"
        )
        return f"if {told}\n    then {_inside(apart, condition.bounds)}\n    else null"

    def _finding(self, condition: FindingIs, terms: Terms) -> str:
        row = self._row(about(condition), terms)
        return (
            f"case\n    when not {self._tells(row, terms)} then null\n"
            f"    when exists ({row.latest} E where E.said = 'not-asked') then null\n"
            f"    when not exists ({row.latest} E where E.said != '{condition.expected}') then true\n"
            f"    when not exists ({row.latest} E where E.said = '{condition.expected}') then false\n"
            "    else null\n  end"
        )

    def _in_a_row(self, condition: WithinBounds, terms: Terms) -> str:
        """The last n days with an entry. What may be of several days makes the row unsure, unless it is older than the row."""
        name = terms.id
        entries = self._row(condition.measured, terms).candidates
        levels = self._setting.plan.facts[condition.measured.measure].levels
        days = self.define(f"{name}, days", f"distinct ({entries} E where E.first = E.last return E.first) D sort desc")
        visits = [
            self._visit(f"{name}, visit {place + 1}", f"{days}[{place}]", entries, condition, terms, levels)
            for place in range(condition.visits_in_a_row)
        ]
        full = f"Count({days}) >= {condition.visits_in_a_row}"
        reach = f"(if {full} then {days}[{condition.visits_in_a_row - 1}] else {self._setting.operated})"
        loose = f"exists ({entries} E where E.first != E.last and E.last >= {reach})"
        newest = f"Max({entries} E where E.counts and E.first = E.last return E.first)"
        old = "false" if terms.oldest(self._setting) is None else f"{newest} < {terms.oldest(self._setting)}"
        return (
            f"case\n    when not exists ({entries} E where E.counts) then null\n    when {loose} then null\n"
            f"    when {old} then null\n    when not ({full}) then false\n    else {' and '.join(visits)}\n  end"
        )

    def _visit(
        self, name: str, day: str, entries: str, condition: WithinBounds, terms: Terms, levels: tuple[str, ...]
    ) -> str:
        there = self.define(f"{name}, entries", f"Latest({entries} E where E.last = {day})")
        told = f"Tells({there}, null, {_said(terms.accepts)})"
        return self.define(
            name, f"if {told}\n    then {_inside(f'Hull({there})', condition.bounds, levels)}\n    else null"
        )

    def _first_done(self, condition: FirstDoneOf, terms: Terms) -> str:
        cases: list[str] = []
        for place, rung in enumerate(condition.alternatives, 1):
            own = terms.part(place, not_before=rung.not_before)
            verdict = self.define(own.id, self.answer(rung.condition, own))
            cases.append(f"when not ({self._undone(rung.condition, own)}) then {verdict}")
        return "case\n    " + "\n    ".join(cases) + "\n    else null\n  end"

    def _undone(self, condition: WithinBounds | OtherSide | Change, terms: Terms) -> str:
        row = self._row(condition.measured, terms)
        here = self._not_done(row, terms)
        match condition:
            case WithinBounds():
                return here
            case OtherSide():
                there = self._row(of_other_side(condition.measured), terms)
                return f"{here} or ({self._tells(row, terms)} and {self._not_done(there, terms)})"
            case Change():
                baseline = self._baseline(condition.measured)
                told = f"{self._tells(row, terms)} and Tells({baseline}, null, {_said(terms.accepts)})"
                return f"{here} or ({told} and {_shared(row, baseline)})"

    def _row(self, wanted: Measured, terms: Terms, *, signed: bool = False) -> _Row:
        candidates = self._on_scale(wanted, terms.not_before, signed=signed)
        return _Row(candidates, self.define(f"{candidates.strip(chr(34))}, latest", f"Latest({candidates})"))

    def _baseline(self, wanted: Measured) -> str:
        candidates = self._on_scale(wanted, None)
        return self.define(f"{candidates.strip(chr(34))}, first visit", f"FirstVisit({candidates})")

    def _on_scale(self, wanted: Measured, not_before: int | None, *, signed: bool = False) -> str:
        """What a statement rests on; where the measure is one end of a scale, what the other end says as well."""
        found = ends(wanted, self._setting, signed=signed)
        rows = [self._candidates(end, not_before) for end in found]
        if len(rows) == 1:
            return rows[0]
        name = f"{rows[0].strip(chr(34))}, {'with its sign' if signed else 'on its scale'}"
        return self.define(name, f"flatten {{{', '.join(rows)}}}")

    def _candidates(self, end: End, not_before: int | None) -> str:
        wanted = end.measured
        since = "" if not_before is None else f", since day {not_before}"
        turned = ", past neutral" if end.past_neutral else ", turned" if end.turned else ""
        said = ", ".join([wanted.measure, *filter(None, [wanted.side]), *wanted.qualifiers.values()])
        fields = ", ".join([*(f"{name}: E.{name}" for name in _FIELDS.split()), _TURNED if end.turned else _AS_IS])
        meant = " and ".join(self._meant(wanted, not_before))
        beyond = " and (E.low > 0 or (E.low = 0 and not E.lowIn))" if end.past_neutral else ""
        text = (
            f'"Entries" E\n    let meant: {meant}\n'
            f"    where E.measure = '{wanted.measure}' and meant is not false{beyond}\n"
            f"    return Tuple {{{fields}, counts: meant is true and E.usable}}"
        )
        return self.define(f"{said}{since}{turned}", text)

    def _meant(self, wanted: Measured, not_before: int | None) -> Iterator[str]:
        """Three-valued: true is certainly meant, false certainly not."""
        operated = self._setting.operated
        yield f"(case when E.last < {operated} then false when E.first > {operated} then true else null end)"
        rule = "none" if wanted.measure == FINDING else self._setting.plan.facts[wanted.measure].side
        if wanted.side is not None and rule not in ("none", "both"):
            sides = " or ".join(f"E.side = '{side}'" for side in self._setting.sides(wanted.side))
            missing = "E.side is null or " if rule == "optional" and wanted.side == "involved" else ""
            yield f"({missing}{sides})"
        for name, value in wanted.qualifiers.items():
            if name != "protocol":
                yield f"E.{name} = '{value}'"
        if not_before is not None:
            yield f"(case when E.first >= {not_before} then true when E.last < {not_before} then false else null end)"

    def _tells(self, row: _Row, terms: Terms) -> str:
        return f"Tells({row.latest}, {_number(terms.oldest(self._setting))}, {_said(terms.accepts)})"

    def _not_done(self, row: _Row, terms: Terms) -> str:
        return f"Undone({row.candidates}, {row.latest}, {_number(terms.oldest(self._setting))})"


def _inside(value: str, bounds: Bounds, levels: tuple[str, ...] = ()) -> str:
    sides: list[str] = []
    if bounds.low is not None:
        sides.append(f"AtLeast({value}, {threshold(bounds.low, levels)}, {_said(bounds.low_included)})")
    if bounds.high is not None:
        sides.append(f"AtMost({value}, {threshold(bounds.high, levels)}, {_said(bounds.high_included)})")
    return " and ".join(sides)


def _time(condition: TimeSince, setting: Setting) -> str:
    surgery = condition.surgery or setting.plan.surgery
    operated = f"singleton from ([Procedure] P where P.id.value = '{surgery}' return date from (P.performed as FHIR.dateTime).value)"
    return f'{operated} + {condition.at_least} days <= "Today"'


def _shared(row: _Row, baseline: str) -> str:
    return f"exists ({row.latest} E where exists ({baseline} B where B.id = E.id))"


def _said(fact: bool) -> str:  # noqa: FBT001 - the one argument is the fact itself
    return "true" if fact else "false"


def _number(number: int | None) -> str:
    return "null" if number is None else str(number)


def _instant(moment: datetime) -> str:
    return f"@{moment.isoformat(timespec='milliseconds')}"


def _span(span: Span) -> str:
    moments = f"begins: {_instant(span.begins)}, ends: {_instant(span.ends)}"
    return f"  Tuple {{name: '{span.name}', first: {span.first}, last: {span.last}, {moments}}}"


def _filled(setting: Setting, criteria: Iterable[Criterion]) -> str:
    facts = setting.plan.facts
    asked = sorted({name for one in criteria for name in evidence_of(one.condition, facts) if name in facts})
    numeric = [facts[name] for name in asked if facts[name].unit]
    levels = facts["knee_effusion_stroke"].levels
    filling = {
        "now": _instant(setting.at),
        "today": next(day.name for day in setting.days if day.begins <= setting.at <= day.ends),
        "days": ",\n".join(map(_span, setting.days)),
        "months": ",\n".join(map(_span, setting.months)),
        "ranges": ",\n".join(
            f"  Tuple {{measure: '{one.id}', least: {low}, most: {high}}}"
            for one in numeric
            for low, high in [plausible(one)]
        ),
        "conversions": "\n".join(f"    when '{one.id}' then convert As(amount) to '{one.unit}'" for one in numeric),
        "levels": ", ".join(f"Tuple {{name: '{level}', place: {place}.0}}" for place, level in enumerate(levels)),
        "qualifier": names.MEASURE_QUALIFIER_EXTENSION,
        "measures": setting.plan.clinic.base + names.MEASURE_CODE_SYSTEM,
        "findings": setting.plan.protocol.url + names.FINDING_CODE_SYSTEM,
        "entry": _ENTRY,
        "visit": _VISIT,
        "interval": _INTERVAL,
    }
    text = _TEMPLATE.read_text(encoding="utf-8")
    for name, said in filling.items():
        text = text.replace(f"<{name}>", said)
    return text
