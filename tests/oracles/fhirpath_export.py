"""Criteria as FHIRPath over a Bundle of a person's raw Observations: true is met, false is not met, empty is cannot tell.

FHIRPath has neither functions nor records, so what CQL says in a define is repeated here wherever it is needed. The clinic's
calendar comes in as `%calendar`: a Parameters resource that names each day and month with the Period it lasts.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime

from careplan_bridge.criteria.statements import measured, of_other_side
from careplan_bridge.model import fhir_names as names
from careplan_bridge.model.conditions import simple
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
from careplan_bridge.model.measure import Measure
from careplan_bridge.model.value import Bounds
from tests.oracles.clinics import Setting
from tests.oracles.terms import FINDING, End, Terms, about, ends, plausible, threshold

_USUAL = "('final' | 'amended' | 'corrected' | 'preliminary')"
_IS_IN = {
    "low": "(value.comparator.empty() or value.comparator = '>=')",
    "high": "(value.comparator.empty() or value.comparator = '<=')",
}
_OTHER_END = {"low": "high", "high": "low"}
_EARLIER_VISITS = 3  # a record of these tests has no more of one measure
_EVER, _NEVER = "@0001-01-03T00:00:00Z", "@9999-12-29T00:00:00Z"
_SIDE_CODES = {"left": ("82169009", "41343-5"), "right": ("6757004", "41347-6")}
_LOINC = f"code.coding.where(system = '{names.LOINC}' and code in ('41343-5' | '41347-6'))"


def calendar(setting: Setting) -> dict[str, object]:
    """The clinic's days and months as a Parameters resource."""
    spans = [(span.name, span.begins, span.ends) for span in (*setting.days, *setting.months)]
    parameters = [
        {"name": name, "valuePeriod": {"start": _text(begins), "end": _text(ends)}} for name, begins, ends in spans
    ]
    return {"resourceType": "Parameters", "parameter": parameters}


def expression(criterion: Criterion, setting: Setting) -> str:
    """One expression, evaluated on the Bundle."""
    export = _Export(setting, criterion.condition)
    answer = export.answer(criterion.condition, Terms("", criterion.no_older_than, accepts=bool(criterion.accepts)))
    variables = "".join(f"defineVariable('{name}', {text})\n." for name, text in export.variables.items())
    return f"{variables}select({answer})"


@dataclass(frozen=True, slots=True)
class _Row:
    """The variables that a statement rests on: everything that may be meant, the ids of what is usable and of what is certainly
    meant, and what counts of the latest visit. `ends` are the measures it may be of.
    """

    ends: tuple[End, ...]
    entries: str
    usable: str
    counting: str
    latest: str


class _Export:
    def __init__(self, setting: Setting, condition: Condition) -> None:
        self._setting = setting
        self.variables: dict[str, str] = {}
        codes = sorted({code for one in _measured(condition, setting) for code in self._codes(one)})
        if codes:
            meant = " or ".join(f"(system = '{system}' and code = '{code}')" for system, code in codes)
            there = f"entry.resource.ofType(Observation).where(code.coding.where({meant}).exists())"
            self.variables["there"] = f"{there}.where((status in ('entered-in-error' | 'cancelled')).not())"
            self.variables["dated"] = f"%there.where({_sure_moment()}).id"
        self._names: dict[str, str] = {}

    def answer(self, condition: Condition, terms: Terms) -> str:  # noqa: PLR0911, C901 - one for each kind
        match condition:
            case WithinBounds(visits_in_a_row=1):
                row = self._row(condition.measured, terms)
                return self._if_told(self._tells(row, terms), self._inside(row, condition.bounds))
            case WithinBounds():
                return self._in_a_row(condition, terms)
            case OtherSide():
                return self._other_side(condition, terms)
            case Change():
                return self._change(condition, terms)
            case TimeSince():
                return self._time(condition)
            case FindingIs():
                return self._finding(condition, terms)
            case FirstDoneOf():
                return self._first_done(condition, terms)
            case AllOf():
                return " and ".join(self._parts(condition, terms))
            case AnyOf():
                return " or ".join(self._parts(condition, terms))
            case AtLeastOf():
                return _at_least_of(condition.count, self._parts(condition, terms))

    def _parts(self, condition: AllOf | AnyOf | AtLeastOf, terms: Terms) -> list[str]:
        return [f"({self.answer(part, terms)})" for part in condition.conditions]

    def _variable(self, text: str) -> str:
        """What is written once is evaluated once."""
        if text not in self._names:
            self._names[text] = f"v{len(self._names) + 1}"
            self.variables[self._names[text]] = text
        return f"%{self._names[text]}"

    def _if_told(self, told: str, verdict: str) -> str:
        return f"iif({told}, {verdict}, {{}})"

    def _other_side(self, condition: OtherSide, terms: Terms) -> str:
        signed = condition.difference is not None and len(ends(condition.measured, self._setting)) > 1
        both = (condition.measured, of_other_side(condition.measured))
        rows = [self._row(one, terms, signed=signed) for one in both]
        told = " and ".join(self._tells(row, terms) for row in rows)
        here, there = (self._hull(self._telling(row) if signed else row) for row in rows)
        if condition.index is None:
            return self._if_told(told, _inside(_magnitude(self, _apart(here, there)), condition.difference or Bounds()))
        turned = self._setting.plan.facts[condition.measured.measure].better == "down"
        part, whole = (there, here) if turned else (here, there)
        formed = f"({_at_least(part, '0')}) and ({_at_least(whole, '0', included=False)})"
        return self._if_told(f"{told} and {formed}", _inside(_per_cent(part, whole), condition.index))

    def _telling(self, row: _Row) -> _Row:
        """A zero says only that neutral is reached; beside any other value it is no contradiction."""
        low, high = self._value(row, "low"), self._value(row, "high")
        zero = f"iif({low}.exists() and {high}.exists(), {low} = 0 and {high} = 0, false)"
        others = self._variable(f"{row.latest}.where(({zero}).not())")
        return replace(row, latest=self._variable(f"iif({others}.exists(), {others}, {row.latest})"))

    def _change(self, condition: Change, terms: Terms) -> str:
        if condition.since == "best":
            return self._since_best(condition, terms)
        row, baseline = self._row(condition.measured, terms), self._baseline(condition.measured)
        told = f"{self._tells(row, terms)} and {self._tells(baseline, _ageless(terms))} and {_unshared(row, baseline)}"
        apart = _apart(self._hull(row), self._hull(baseline))
        return self._if_told(told, _inside(apart, condition.bounds))

    def _since_best(self, condition: Change, terms: Terms) -> str:
        """FHIRPath groups nothing, so the earlier visits are said one by one. Where there are more, there is no answer."""
        row, turned = self._row(condition.measured, terms), condition.best == "lowest"
        today = self._variable(self._day(f"{row.latest}.select({_high()}).max()"))
        rest = self._variable(f"{row.entries}.where({_high()} < {today})")
        visits: list[_Visit] = []
        for _ in range(_EARLIER_VISITS):
            begins = self._variable(self._day(f"{rest}.select({_high()}).max()"))
            visit = self._latest(row, self._variable(f"{rest}.where({_high()} >= {begins})"))
            visits.append(self._visit(visit, terms, turned=turned))
            rest = self._variable(f"{rest}.where({_high()} < {begins})")
        dated = f"{row.entries}.where(({self._day(_low())} = {self._day(_high())}).not()).empty()"
        one_day = f"{row.latest}.select({self._day(_high())}).distinct().count() = 1"
        sure = " or ".join(visit.sure for visit in visits)
        told = f"{self._tells(row, terms)} and {rest}.empty() and {dated} and {one_day} and ({sure})"
        best = self._highest(visits)
        return self._if_told(told, _inside(_apart(self._hull(row), _minus(best) if turned else best), condition.bounds))

    def _visit(self, row: _Row, terms: Terms, *, turned: bool) -> "_Visit":
        told = [f"{row.latest}.all(id in {row.usable})"]
        if not terms.accepts:
            told.append(f"{row.latest}.where(status = 'preliminary').empty()")
        readable = self._variable(f"({row.latest}.exists() and {' and '.join(told)})")
        sure = self._variable(f"({readable} and {row.latest}.all(id in {row.counting}))")
        value = self._hull(row)
        return _Visit(f"{row.latest}.exists()", readable, sure, _minus(value) if turned else value)

    def _highest(self, visits: "list[_Visit]") -> "_Interval":
        """No lower than any visit that certainly counts, no higher than all that may."""
        lows = " | ".join(f"iif({one.sure}, {one.value.low}, {{}})" for one in visits)
        highs = " | ".join(f"iif({one.readable}, {one.value.high}, {{}})" for one in visits)
        opens = " or ".join(f"({one.there} and iif({one.readable}, {one.value.high}.empty(), true))" for one in visits)
        low = self._variable(f"({lows}).max()")
        high = self._variable(f"iif({opens}, {{}}, ({highs}).max())")
        left_out = " or ".join(
            f"iif({one.sure}, iif({one.value.low} = {low}, ({one.value.low_in}).not(), false), false)" for one in visits
        )
        reached = " or ".join(
            f"iif({one.readable}, iif({one.value.high} = {high}, {one.value.high_in}, false), false)" for one in visits
        )
        return _Interval(low, high, f"({left_out}).not()", f"({reached})")

    def _time(self, condition: TimeSince) -> str:
        surgery = condition.surgery or self._setting.plan.surgery
        today = self._setting.at.astimezone(self._setting.zone).date().isoformat()
        operated = f"entry.resource.ofType(Procedure).where(id = '{surgery}').performed"
        return f"{operated} + {condition.at_least} days <= @{today}T"

    def _finding(self, condition: FindingIs, terms: Terms) -> str:
        row = self._row(about(condition), terms)
        said = self._variable(f"{row.latest}.select({_said()}).distinct()")
        verdict = f"iif({said} contains 'not-asked' or {said}.count() > 1, {{}}, {said} = '{condition.expected}')"
        return self._if_told(self._tells(row, terms), verdict)

    def _in_a_row(self, condition: WithinBounds, terms: Terms) -> str:
        """The last n days with an entry. What may be of several days makes the row unsure, unless it is older than the row."""
        row = self._row(condition.measured, terms)
        dated = self._variable(f"{row.entries}.where({self._day(_low())} = {self._day(_high())})")
        verdicts: list[str] = []
        rest, begins = dated, ""
        for _ in range(condition.visits_in_a_row):
            begins = self._variable(self._day(f"{rest}.select({_high()}).max()"))
            visit = self._latest(row, self._variable(f"{rest}.where({_high()} >= {begins})"))
            told = self._tells(visit, _ageless(terms))
            verdicts.append(f"({self._if_told(told, self._inside(visit, condition.bounds))})")
            rest = self._variable(f"{rest}.where({_high()} < {begins})")
        reach = f"iif({begins}.exists(), {begins}, {self._begin(self._setting.operated)})"
        loose = f"{row.entries}.where((id in {dated}.id).not()).where({_high()} >= {reach}).exists()"
        short = f"iif({begins}.empty(), false, {' and '.join(verdicts)})"
        return f"iif({row.counting}.empty() or {loose} or {self._row_too_old(row, dated, terms)}, {{}}, {short})"

    def _row_too_old(self, row: _Row, dated: str, terms: Terms) -> str:
        oldest = terms.oldest(self._setting)
        if oldest is None:
            return "false"
        newest = f"{dated}.where(id in {row.counting}).select({_low()}).max()"
        return f"iif({newest}.exists(), {newest} < {self._begin(oldest)}, false)"

    def _first_done(self, condition: FirstDoneOf, terms: Terms) -> str:
        text = "{}"
        for rung in reversed(condition.alternatives):
            own = terms.part(1, not_before=rung.not_before)
            text = f"iif(({self._undone(rung.condition, own)}).not(), {self.answer(rung.condition, own)}, {text})"
        return text

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
                told = f"{self._tells(row, terms)} and {self._tells(baseline, _ageless(terms))}"
                return f"{here} or ({told} and {_unshared(row, baseline)}.not())"

    def _not_done(self, row: _Row, terms: Terms) -> str:
        """Nothing of the kind was measured, or certainly not since the day that counts."""
        oldest = terms.oldest(self._setting)
        if oldest is None:
            return f"{row.entries}.empty()"
        return f"({row.entries}.empty() or ({_known(row)} and {row.latest}.all({_high()} < {self._begin(oldest)})))"

    def _tells(self, row: _Row, terms: Terms) -> str:
        """Can the value be told: something counts, all of it is usable, recent enough and final, or accepted as it is?"""
        oldest = terms.oldest(self._setting)
        parts = [
            _known(row),
            *([] if oldest is None else [f"{row.latest}.all({_low()} >= {self._begin(oldest)})"]),
            *([] if terms.accepts else [f"{row.latest}.where(status = 'preliminary').empty()"]),
        ]
        return f"({' and '.join(parts)})"

    def _row(self, wanted: Measured, terms: Terms, *, signed: bool = False) -> _Row:
        row = self._entries(wanted, terms, signed=signed)
        begins = self._variable(self._day(f"{row.entries}.where(id in {row.counting}).select({_low()}).max()"))
        recent = f"iif({begins}.empty(), {row.entries}, {row.entries}.where({_high()} >= {begins}))"
        return self._latest(row, self._variable(recent))

    def _entries(self, wanted: Measured, terms: Terms, *, signed: bool = False) -> _Row:
        found = ends(wanted, self._setting, signed=signed)
        candidates = [self._variable(self._candidates(end, terms)) for end in found]
        entries = candidates[0] if len(found) == 1 else self._variable(f"({' | '.join(candidates)})")
        usable = self._variable(
            " | ".join(
                f"{one}.where({self._usable(end.measured)}).id" for one, end in zip(candidates, found, strict=True)
            )
        )
        counting = self._variable(f"{entries}.where(id in ({usable})).where({self._sure(wanted, terms)}).id")
        return _Row(found, entries, usable, counting, entries)

    def _latest(self, row: _Row, among: str) -> _Row:
        """Within a visit the later moment counts; what nothing tells apart stays together."""
        later = f"{among}.where(id in {row.counting}).where({_kind(row.ends)} = %kind).where({_low()} > %high)"
        return replace(row, latest=self._variable(_none_later(row, among, later)))

    def _baseline(self, wanted: Measured) -> _Row:
        """The first visit; within it the later moment counts."""
        row = self._entries(wanted, Terms("", None))
        sure = f"{row.entries}.where(id in {row.counting})"
        ends = self._variable(self._day(f"{sure}.select({_high()}).min()", end=True))
        left = self._variable(f"iif({ends}.empty(), {row.entries}, {row.entries}.where({_low()} <= {ends}))")
        days = [self._day(moment) for moment in (_low(), _high(), "%low", "%high")]
        one_day = " and ".join(f"{days[0]} = {day}" for day in days[1:])
        later = f"{sure}.where({_kind(row.ends)} = %kind).where({_low()} > %high).where({one_day})"
        return replace(row, latest=self._variable(_none_later(row, left, later)))

    def _candidates(self, end: End, terms: Terms) -> str:
        """Everything of the measure that is not withdrawn and not certainly something else."""
        wanted = end.measured
        tests = [
            self._coded(wanted),
            *(test for test, _ in self._meant(wanted)),
            *(self._past_neutral(wanted) if end.past_neutral else ()),
        ]
        times = [
            f"{_low()} <= {_instant(self._setting.at)}",
            f"{_high()} >= {self._begin(self._setting.operated)}",
            *([] if terms.not_before is None else [f"{_high()} >= {self._begin(terms.not_before)}"]),
        ]
        found = "".join(f".where({test})" for test in [*tests, *times])
        return f"%there{found}"

    def _past_neutral(self, wanted: Measured) -> Iterator[str]:
        facts = self._setting.plan.facts[wanted.measure]
        low = _value(facts, "low")
        yield f"iif(({low}).exists(), {low} > 0 or ({low} = 0 and ({_IS_IN['low']}).not()), false)"

    def _coded(self, wanted: Measured) -> str:
        codes = " | ".join(f"'{code}'" for _, code in self._codes(wanted))
        return f"code.coding.where(code in ({codes})).exists()"

    def _codes(self, wanted: Measured) -> list[tuple[str, str]]:
        plan = self._setting.plan
        if wanted.measure == FINDING:
            return [(plan.protocol.url + names.FINDING_CODE_SYSTEM, wanted.qualifiers["finding"])]
        own = (plan.clinic.base + names.MEASURE_CODE_SYSTEM, wanted.measure)
        both = [(names.LOINC, code) for _, code in _SIDE_CODES.values()]
        return [own, *both] if wanted.measure == "knee_flexion" else [own]

    def _sure(self, wanted: Measured, terms: Terms) -> str:
        """Certainly meant."""
        times = [
            f"{_low()} >= {self._begin(self._setting.operated + 1)}",
            *([] if terms.not_before is None else [f"{_low()} >= {self._begin(terms.not_before)}"]),
        ]
        return " and ".join(f"({test})" for test in [*(test for _, test in self._meant(wanted)), *times])

    def _meant(self, wanted: Measured) -> Iterator[tuple[str, str]]:
        """Tests of what an entry says: it may be meant; it certainly is meant."""
        if wanted.side is not None and self._rule(wanted) not in ("none", "both"):
            side = _side()
            sides = "('{}' | '{}')".format(*self._setting.sides(wanted.side))
            unsided = f"{side}.empty()" if self._rule(wanted) == "optional" and wanted.side == "involved" else "false"
            named = f"{side} in {sides}"
            yield f"iif({side}.count() = 1, {named}, true)", f"iif({side}.count() = 1, {named}, {unsided})"
        for name, value in wanted.qualifiers.items():
            if wanted.measure != FINDING:
                said = _qualifier(name)
                yield (
                    f"iif({said}.exists(), {said} = '{value}', true)",
                    f"iif({said}.exists(), {said} = '{value}', false)",
                )

    def _rule(self, wanted: Measured) -> str:
        return "none" if wanted.measure == FINDING else self._setting.plan.facts[wanted.measure].side

    def _usable(self, wanted: Measured) -> str:
        tests = [f"status in {_USUAL}", "modifierExtension.empty()", "dataAbsentReason.empty()", "id in %dated"]
        if wanted.measure == FINDING:
            return " and ".join([*tests, f"({_said()} in ('present' | 'absent' | 'not-asked'))"])
        tests.append(f"{_side()}.count() {'=' if self._rule(wanted) == 'required' else '<='} 1")
        tests += [f"{_qualifier(name)}.exists()" for name in wanted.qualifiers if name != "position"]
        facts = self._setting.plan.facts[wanted.measure]
        return " and ".join(f"({test})" for test in [*tests, *_valued(facts)])

    def _inside(self, row: _Row, bounds: Bounds) -> str:
        levels = () if row.ends[0].measured.measure == FINDING else self._facts(row.ends[0]).levels
        return _inside(self._hull(row), bounds, levels)

    def _facts(self, end: End) -> Measure:
        return self._setting.plan.facts[end.measured.measure]

    def _hull(self, row: _Row) -> "_Interval":
        low, high = self._value(row, "low"), self._value(row, "high")
        entries = row.latest
        lows, highs = self._variable(f"{entries}.select({low})"), self._variable(f"{entries}.select({high})")
        return _Interval(
            self._variable(f"iif({lows}.count() = {entries}.count(), {lows}.min(), {{}})"),
            self._variable(f"iif({highs}.count() = {entries}.count(), {highs}.max(), {{}})"),
            f"{entries}.where({self._included(row, 'low')}).where({low} = {lows}.min()).exists()",
            f"{entries}.where({self._included(row, 'high')}).where({high} = {highs}.max()).exists()",
        )

    def _value(self, row: _Row, end: str) -> str:
        """One end of an entry's value, on the scale of the row."""
        return self._of_each(
            row,
            [
                f"(0 - {_value(self._facts(one), _OTHER_END[end])})" if one.turned else _value(self._facts(one), end)
                for one in row.ends
            ],
        )

    def _included(self, row: _Row, end: str) -> str:
        return self._of_each(row, [_IS_IN[_OTHER_END[end] if one.turned else end] for one in row.ends])

    def _of_each(self, row: _Row, said: list[str]) -> str:
        """The text for the measure that the entry is of."""
        if len(said) == 1:
            return said[0]
        return f"iif({self._coded(row.ends[0].measured)}, {said[0]}, {said[1]})"

    def _day(self, moment: str, *, end: bool = False) -> str:
        """When the clinic's day begins or ends that a moment falls on; a day of its own for what has no moment."""
        edge = "end" if end else "start"
        found = f"%calendar.parameter.take({len(self._setting.days)}).value.where(start <= %at and %at <= end).{edge}"
        return f"({moment}).select(defineVariable('at').select(iif({found}.exists(), {found}, %at)))"

    def _begin(self, day: int) -> str:
        return _instant(next(one.begins for one in self._setting.days if one.first == day))


@dataclass(frozen=True, slots=True)
class _Interval:
    """Expressions: an end that is open is empty; whether an end is included is true or false."""

    low: str
    high: str
    low_in: str
    high_in: str


@dataclass(frozen=True, slots=True)
class _Visit:
    """Expressions: is there such a visit, can its value be read, does it certainly count, and its value."""

    there: str
    readable: str
    sure: str
    value: _Interval


def _minus(value: _Interval) -> _Interval:
    return _Interval(f"(0 - {value.high})", f"(0 - {value.low})", value.high_in, value.low_in)


def _inside(value: _Interval, bounds: Bounds, levels: tuple[str, ...] = ()) -> str:
    sides: list[str] = []
    if bounds.low is not None:
        sides.append(_at_least(value, str(threshold(bounds.low, levels)), included=bounds.low_included))
    if bounds.high is not None:
        sides.append(_at_most(value, str(threshold(bounds.high, levels)), included=bounds.high_included))
    return " and ".join(f"({side})" for side in sides)


def _at_least(value: _Interval, bound: str, *, included: bool = True) -> str:
    reaches = "true" if included else f"({value.low_in}).not()"
    stays = f"({value.high_in}).not()" if included else "true"
    met = f"{value.low} > {bound} or ({value.low} = {bound} and {reaches})"
    return f"iif({met}, true, iif({value.high} < {bound} or ({value.high} = {bound} and {stays}), false, {{}}))"


def _at_most(value: _Interval, bound: str, *, included: bool = True) -> str:
    reaches = "true" if included else f"({value.high_in}).not()"
    stays = f"({value.low_in}).not()" if included else "true"
    met = f"{value.high} < {bound} or ({value.high} = {bound} and {reaches})"
    return f"iif({met}, true, iif({value.low} > {bound} or ({value.low} = {bound} and {stays}), false, {{}}))"


def _apart(a: _Interval, b: _Interval) -> _Interval:
    return _Interval(
        f"({a.low} - {b.high})",
        f"({a.high} - {b.low})",
        f"({a.low_in} and {b.high_in})",
        f"({a.high_in} and {b.low_in})",
    )


def _magnitude(export: _Export, value: _Interval) -> _Interval:
    """The values without their sign, whichever of the two it was."""
    below, above = f"({value.low} >= 0)", f"({value.high} <= 0)"
    far = f"iif({value.low}.empty() or {value.high}.empty(), {{}}, iif(0 - {value.low} > {value.high}, 0 - {value.low}, {value.high}))"
    far_in = f"(({value.high_in} and {value.high} >= 0 - {value.low}) or ({value.low_in} and 0 - {value.low} >= {value.high}))"
    variable = export._variable  # pyright: ignore[reportPrivateUsage]
    return _Interval(
        variable(f"iif({below}, {value.low}, iif({above}, 0 - {value.high}, 0.0))"),
        variable(f"iif({below}, {value.high}, iif({above}, 0 - {value.low}, {far}))"),
        f"iif({below}, {value.low_in}, iif({above}, {value.high_in}, true))",
        f"iif({below}, {value.high_in}, iif({above}, {value.low_in}, {far_in}))",
    )


def _per_cent(part: _Interval, whole: _Interval) -> _Interval:
    return _Interval(
        f"iif({part.low} = 0 or {whole.high}.empty(), 0.0, 100 * {part.low} / {whole.high})",
        f"iif({part.high} = 0, 0.0, 100 * {part.high} / {whole.low})",
        f"iif({part.low} = 0, {part.low_in}, {whole.high}.exists() and {part.low_in} and {whole.high_in})",
        f"iif({part.high} = 0, {part.high_in}, {part.high_in} and {whole.low_in})",
    )


def _at_least_of(count: int, parts: list[str]) -> str:
    met = " + ".join(f"iif({part}, 1, 0)" for part in parts)
    missed = " + ".join(f"iif({part}.not(), 1, 0)" for part in parts)
    return f"iif({met} >= {count}, true, iif({missed} > {len(parts) - count}, false, {{}}))"


def _valued(facts: Measure) -> Iterator[str]:
    low, high = _value(facts, "low"), _value(facts, "high")
    yield f"({low}).exists() or ({high}).exists()"
    if facts.unit is not None:
        least, most = plausible(facts)
        for end in (low, high):
            yield f"iif(({end}).exists(), ({end}) >= {least} and ({end}) <= {most}, true)"


def _value(facts: Measure, end: str) -> str:
    if facts.unit is None:
        return _level(_said(), facts.levels)
    opens = "('<' | '<=')" if end == "low" else "('>' | '>=')"
    number = f"iif(value.comparator in {opens}, {{}}, {_in_unit('value', facts.unit)})"
    return f"iif(value is Quantity, {number}, {_in_unit(f'value.ofType(Range).{end}', facts.unit)})"


def _in_unit(quantity: str, unit: str) -> str:
    """By way of text: a FHIR Quantity with a comparator is refused by the conversion."""
    return f"{quantity}.select(value.toString() & ' \\'' & code & '\\'').toQuantity('{unit}').value"


def _level(said: str, levels: tuple[str, ...]) -> str:
    text = "{}"
    for place, level in reversed(list(enumerate(levels))):
        text = f"iif({said} = '{level}', {place}.0, {text})"
    return text


def _said() -> str:
    yes = "iif(value is boolean, iif(value, 'present', 'absent'), {})"
    return f"(value.ofType(CodeableConcept).text | value.ofType(string) | {yes})"


def _side() -> str:
    """Every side that the entry names; one, if it is to be read."""
    coded = [
        f"iif(bodySite.coding.where(system = '{names.SNOMED}' and code = '{site}').exists()"
        f" or code.coding.where(system = '{names.LOINC}' and code = '{code}').exists(), '{side}', {{}})"
        for side, (site, code) in _SIDE_CODES.items()
    ]
    return f"({' | '.join([*coded, _extension('side')])})"


def _qualifier(name: str) -> str:
    if name == "movement":
        return f"iif({_LOINC}.exists(), 'active', {_extension(name)})"
    return _extension(name)


def _extension(name: str) -> str:
    there = f"extension.where(url = '{names.MEASURE_QUALIFIER_EXTENSION}').where(extension.where(url = 'name').value = '{name}')"
    return f"{there}.extension.where(url = 'value').value"


def _kind(ends: tuple[End, ...]) -> str:
    """Nothing but their moment tells two entries of the same kind apart."""
    code = [] if len(ends) == 1 else ["code.coding.code.first()"]
    parts = " & '/' & ".join([*code, *(_qualifier(name) for name in ("movement", "position", "muscle"))])
    return f"({parts})"


def _none_later(row: _Row, entries: str, later: str) -> str:
    one = f"defineVariable('kind', {_kind(row.ends)}).defineVariable('low', {_low()}).defineVariable('high', {_high()})"
    return f"{entries}.where({one}.select({later}.empty()))"


def _sure_moment() -> str:
    """A moment is known, and no release contradicts it."""
    return f"iif(effective.exists(), iif(issued.exists(), {_end_of('start')} <= issued, true), false)"


def _low() -> str:
    """Its earliest moment, or its release, if that was before; an entry without a moment may be of any time."""
    return f"iif(id in %dated, {_end_of('start')}, iif(effective.exists(), issued, {_EVER}))"


def _high() -> str:
    return f"iif(effective.exists(), {_end_of('end')}, {_NEVER})"


def _end_of(end: str) -> str:
    partial = f"%calendar.parameter.where(name = %context.effective.toString()).value.{end}".replace(
        "%context.", "%moment."
    )
    text = f"defineVariable('moment').select(iif(effective.toString().length() > 10, effective, {partial}))"
    return f"iif(effective is Period, effective.{end}, {text})"


def _measured(condition: Condition, setting: Setting) -> Iterator[Measured]:
    """Everything that an expression looks at, the other end of a scale included."""
    yield from (end.measured for one in measured(condition) for end in ends(one, setting))
    yield from (about(part) for part in simple(condition) if isinstance(part, FindingIs))


def _known(row: _Row) -> str:
    return f"{row.latest}.where(id in {row.counting}).exists() and {row.latest}.all(id in {row.usable})"


def _unshared(row: _Row, baseline: _Row) -> str:
    return f"{row.latest}.id.intersect({baseline.latest}.id).empty()"


def _ageless(terms: Terms) -> Terms:
    return Terms(terms.id, None, accepts=terms.accepts)


def _instant(moment: datetime) -> str:
    return f"@{_text(moment)}"


def _text(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds")
