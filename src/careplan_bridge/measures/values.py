"""The value[x] of an Observation or component, as pieces: each the value of one measure, or why it has none."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from careplan_bridge.measures.arc_words import ArcWords, extension_is_open, labelled
from careplan_bridge.measures.arcs import arc_measures, arc_pieces
from careplan_bridge.measures.codes import CodeMeaning
from careplan_bridge.measures.context import Context
from careplan_bridge.measures.extension import extension_measures, signed_extension
from careplan_bridge.measures.findings import finding_piece
from careplan_bridge.measures.lexicon import Lexicon
from careplan_bridge.measures.loose import Json, codes, member, number, text, words, words_of
from careplan_bridge.measures.numbers import LEVEL, NumberRule, Units, Written, compared, decimal
from careplan_bridge.measures.pieces import Piece
from careplan_bridge.measures.qualifiers import Claim, plain
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.sentence import Clause, clauses
from careplan_bridge.measures.words import Said, level_of
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.fhir_names import LEVEL_CODE_SYSTEM
from careplan_bridge.model.measure import Arc, Catalogue, Measure
from careplan_bridge.model.reading import Recorded
from careplan_bridge.model.scale import order
from careplan_bridge.model.value import Amount, Grade, Threshold

KINDS = (
    "valueQuantity", "valueInteger", "valueString", "valueCodeableConcept", "valueBoolean", "valueRange", "valueRatio",
    "valueSampledData", "valueTime", "valueDateTime", "valuePeriod",
)  # fmt: skip
_IN_WORDS = ("valueString", "valueCodeableConcept")
_CONTEXT, _BEST, _WORST = "context", "best", "worst"
_TWO = 2


def value_of(carrier: Json) -> tuple[str, Any]:
    """The kind and content of the one value[x]. Raises Refused if there is none, more than one, or a reason why not."""
    given = [(kind, carrier[kind]) for kind in KINDS if carrier.get(kind) is not None]
    if absent := member(carrier, "dataAbsentReason"):
        why = next((code for _, code in codes(absent)), None) or next(words(absent), "no reason given")
        raise Refused("value-absent", why=why)
    if not given:
        raise Refused("value-missing")
    if len(given) > 1:
        raise Refused("values-several")
    return given[0]


class Values:
    """Reads values with the catalogue and the conventions of one site."""

    def __init__(self, catalogue: Catalogue, conventions: Conventions) -> None:
        self._catalogue = catalogue
        self._site = conventions
        self._units = Units(catalogue, conventions)
        self._lexicons: dict[tuple[str, ...], Lexicon] = {}
        base = conventions.clinic.base.rstrip("/") if conventions.clinic else None
        self._own_levels = base + LEVEL_CODE_SYSTEM if base else None
        self._readers: Mapping[str, Callable[[Context, Measure, Any], list[Piece]]] = {
            "valueQuantity": self._quantity,
            "valueInteger": self._integer,
            "valueString": self._text,
            "valueCodeableConcept": self._concept,
            "valueRange": self._range,
            "valueRatio": self._ratio,
        }

    def pieces(self, context: Context, carrier: Json, bare: str | None = None) -> tuple[Piece, ...]:
        """What the carrier's value says of the context's measure. Never raises: what cannot be read is a piece that says why.

        `bare` is a unit that counts as none, because the panel around the value writes it by rule.
        """
        meaning = context.meaning
        if meaning is None:
            return ()
        kind = ""
        try:
            kind, value = value_of(carrier)
            return tuple(self._read(context, meaning, kind, _without(value, bare)))
        except Refused as reason:
            unread = kind in _IN_WORDS
            return tuple(replace(piece, unread=unread) for piece in self.refused(meaning, reason))

    def number_rule(self, measure: Measure, value: object) -> tuple[NumberRule, str | None]:
        """How a Quantity, or a number without a unit, is read; and its unit as it came. Raises Refused."""
        unit = Written(text(member(value, "unit")), text(member(value, "code")), text(member(value, "system")))
        return self._units.rule(measure, unit, text(member(value, "comparator"))), unit.shown

    def number_pieces(
        self, meaning: CodeMeaning, rule: NumberRule, unit: str | None, written: str
    ) -> tuple[Piece, ...]:
        """One number, read by its rule. Never raises: what cannot be read is a piece that says why."""
        try:
            value = decimal(written)
            return (self._of_number(meaning, rule, value, Recorded(value, None, unit)),)
        except Refused as reason:
            return self.refused(meaning, reason)

    def refused(self, meaning: CodeMeaning, reason: Refused) -> tuple[Piece, ...]:
        """A piece without a value for each measure that the value may have been of."""
        return tuple(Piece(name, None, refused=reason, part=part) for name, part in self._measures(meaning))

    def measures_of(self, meaning: CodeMeaning) -> list[str]:
        """Every measure that a value under this code may be of: a sign may turn a deficit into what goes beyond neutral."""
        names = [name for name, _ in self._measures(meaning)]
        signed = [name for name in names if name in self._catalogue.measures and self._catalogue.measures[name].signed]
        return [*names, *(other for name in signed for other in extension_measures(self._catalogue, name))]

    def _measures(self, meaning: CodeMeaning) -> list[tuple[str, str | None]]:
        """Every measure that the value may be of, with the name of the part where there are several."""
        if meaning.kind == "arc":
            names = arc_measures(self._catalogue.arcs[meaning.id])
        elif meaning.reads_as == "raw-extension":
            names = extension_measures(self._catalogue, meaning.id)
        else:
            return [(meaning.id, None)]
        return [(name, name) for name in names]

    def _of_number(self, meaning: CodeMeaning, rule: NumberRule, value: Decimal, recorded: Recorded) -> Piece:
        if rule.unit == LEVEL:
            return self._grade(self._catalogue.measures[meaning.id], plain(value), recorded, rule.comparator)
        amount = rule.amount(value)
        if meaning.reads_as == "raw-extension":
            return signed_extension(self._catalogue, self._site, meaning.id, amount, recorded)
        return Piece(meaning.id, amount, recorded)

    def _read(self, context: Context, meaning: CodeMeaning, kind: str, value: Any) -> list[Piece]:
        if meaning.kind == "finding":
            return [finding_piece(meaning.id, kind, value)]
        if meaning.kind == "arc":
            return self._arc(meaning, kind, value)
        measure = self._catalogue.measures[meaning.id]
        reader = self._readers.get(kind)
        if reader is None:
            raise Refused("value-kind", kind=kind, measure=measure.term)
        return reader(context, measure, value)

    def _quantity(self, context: Context, measure: Measure, value: Any) -> list[Piece]:
        written = number(member(value, "value"))
        if written is None:
            raise Refused("number-unreadable" if member(value, "value") is not None else "value-missing")
        rule, unit = self.number_rule(measure, value)
        return self._numbered(context, rule, unit, written)

    def _integer(self, context: Context, measure: Measure, value: Any) -> list[Piece]:
        written = number(value)
        if written is None:
            raise Refused("number-unreadable")
        rule, unit = self.number_rule(measure, None)
        return self._numbered(context, rule, unit, written)

    def _numbered(self, context: Context, rule: NumberRule, unit: str | None, written: str) -> list[Piece]:
        meaning = context.meaning
        assert meaning is not None  # noqa: S101 - a value is read only once a code has a meaning
        return list(self.number_pieces(meaning, rule, unit, written))

    def _range(self, context: Context, measure: Measure, value: Any) -> list[Piece]:
        ends = [member(value, end) for end in ("low", "high")]
        given = [end for end in ends if end is not None]
        if not given or measure.unit is None:
            raise Refused("range-unreadable")
        amounts = [self._end(measure, end) for end in ends]
        return self._span(context, measure, amounts[0], amounts[1], Recorded(None, _shown_range(value), None))

    def _end(self, measure: Measure, end: Any) -> Decimal | None:
        if end is None:
            return None
        written = number(member(end, "value"))
        if written is None or member(end, "comparator") is not None:
            raise Refused("range-unreadable")
        rule, _ = self.number_rule(measure, end)
        return rule.amount(decimal(written)).low

    def _ratio(self, context: Context, measure: Measure, value: Any) -> list[Piece]:
        """A ratio whose denominator is the bare number 1 is its numerator; any other is not."""
        below = member(value, "denominator")
        one = number(member(below, "value"))
        if one is None or Written(text(member(below, "unit")), text(member(below, "code"))).shown not in (None, "1"):
            raise Refused("value-kind", kind="valueRatio", measure=measure.term)
        if decimal(one) != 1 or member(below, "comparator") is not None:
            raise Refused("value-kind", kind="valueRatio", measure=measure.term)
        return self._quantity(context, measure, member(value, "numerator"))

    def _concept(self, context: Context, measure: Measure, value: Any) -> list[Piece]:
        """An answer the catalogue knows, a level by its code in our own system, else what the concept's words say."""
        meaning = context.meaning
        answers = (
            [] if meaning is None else [meaning.answers[code] for _, code in codes(value) if code in meaning.answers]
        )
        found = {_answer(measure, answer) for answer in answers}
        found |= {
            grade for system, code in codes(value) if system == self._own_levels and (grade := _level(measure, code))
        }
        if not found:
            return self._first_words(context, measure, list(words(value)))
        if len(found) > 1:
            raise Refused("values-several")
        return [Piece(measure.id, found.pop(), Recorded(None, next(words(value), None)))]

    def _first_words(self, context: Context, measure: Measure, said: list[str]) -> list[Piece]:
        """Text and displays have to say the same."""
        if not said:
            raise Refused("words-unknown", at="1")
        read = [self._text(context, measure, words_said) for words_said in said]
        values = [tuple((piece.measure, piece.value) for piece in pieces) for pieces in read]
        if any(one != values[0] for one in values):
            raise Refused("values-several")
        return read[0]

    def _text(self, context: Context, measure: Measure, value: Any) -> list[Piece]:
        said = words_of(value)
        if said is None:
            raise Refused("value-missing")
        recorded = Recorded(None, said)
        found = self._clauses((measure,), said)
        parts = [self._clause(context, measure, clause, recorded) for clause in found]
        if len(parts) > 1:
            parts = [[_numbered(piece, index) for piece in part] for index, part in enumerate(parts)]
        return [piece for part in parts for piece in part]

    def _clauses(self, measures: tuple[Measure, ...], said: str) -> list[Clause]:
        key = tuple(measure.id for measure in measures)
        lexicon = self._lexicons.get(key)
        if lexicon is None:
            lexicon = self._lexicons[key] = Lexicon(self._catalogue, measures)
        try:
            return clauses(said, lexicon, measures[0], self._site, self._units.said)
        except Refused as reason:
            if reason.reason.code != "words-unknown" or measures[0].unit is not None:
                raise
            at = f"the text from character {reason.facts['at']} on"
            raise _no_level(measures[0], at) from None

    def _clause(self, context: Context, measure: Measure, clause: Clause, recorded: Recorded) -> list[Piece]:
        """One value of the text. Its words may narrow what the code leaves open; they never widen it."""
        meaning, item = self._narrowed(context, measure, clause), clause.item
        claims = tuple(sense.claim for sense in clause.labels.values() if sense.claim)
        around = replace(context, meaning=meaning, claims=context.claims + claims)
        measure = self._catalogue.measures[meaning.id]
        if item.level is not None:
            return [labelled(self._grades(measure, item.level, item.up_to, recorded), clause)]
        assert item.said is not None  # noqa: S101 - a value is a level or numbers
        pieces = self._said(around, measure, item.said, recorded, _at(clause))
        return [labelled(piece, clause) for piece in pieces]

    def _narrowed(self, context: Context, measure: Measure, clause: Clause) -> CodeMeaning:
        """What the code means, with what the clause's words add. Raises Refused where they name something else."""
        meaning, label = context.meaning or CodeMeaning("measure", measure.id), clause.labels.get("measure")
        open_sign = meaning.reads_as == "raw-extension"
        may_be = frozenset(extension_measures(self._catalogue, meaning.id)) if open_sign else frozenset({meaning.id})
        named = may_be if label is None or label.names is None else may_be & label.names
        if "order" in clause.labels or not named:
            raise Refused("words-clash", at=_at(clause))
        if not open_sign or len(named) > 1 or extension_is_open(self._catalogue, clause):
            return meaning
        return CodeMeaning("measure", min(named), meaning.side, meaning.qualifiers)

    def _said(self, context: Context, measure: Measure, said: Said, recorded: Recorded, at: str) -> list[Piece]:
        meaning, count = context.meaning, len(said.numbers)
        if meaning is None or count > _TWO or not _scale_ends_with(measure, said.out_of):
            raise Refused("words-unknown", at=at)
        rule = self._units.rule(measure, Written(text=said.unit), said.comparator)
        if count == _TWO:
            low, high = (rule.amount(one).low for one in said.numbers)
            return self._span(context, measure, low, high, recorded)
        value = -said.numbers[0] if said.sign == "-" else said.numbers[0]
        if said.sign and measure.signed is not None:
            meaning = replace(meaning, reads_as="raw-extension")
        return [self._of_number(meaning, rule, value, recorded)]

    def _span(
        self, context: Context, measure: Measure, low: Decimal | None, high: Decimal | None, recorded: Recorded
    ) -> list[Piece]:
        if measure.unit is None or (low is not None and high is not None and low > high):
            raise Refused("range-unreadable")
        if low is not None and high is not None and low != high and _has_best_and_worst(context, measure):
            return [_pain(measure, _BEST, low, recorded), _pain(measure, _WORST, high, recorded)]
        amount = Amount(low, high, measure.unit, low is not None, high is not None)
        if context.meaning is not None and context.meaning.reads_as == "raw-extension":
            return [signed_extension(self._catalogue, self._site, measure.id, amount, recorded)]
        return [Piece(measure.id, amount, recorded)]

    def _grades(self, measure: Measure, low: str, high: str | None, recorded: Recorded) -> Piece:
        """One level, or all from one to another, where the order of the two is established."""
        if high is None:
            return self._grade(measure, low, recorded)
        ranked = order(measure, low, high)
        if ranked is None:
            raise Refused("levels-unordered", low=low, high=high, measure=measure.term)
        if ranked > 0:
            raise Refused("range-unreadable")
        return Piece(measure.id, Grade(low, high), recorded)

    def _grade(self, measure: Measure, said: str, recorded: Recorded, comparator: str | None = None) -> Piece:
        found = level_of(measure, said)
        if found is None:
            raise _no_level(measure, said)
        if comparator is None:
            return Piece(measure.id, Grade(found, found), recorded)
        below = comparator.startswith("<")
        included = comparator.endswith("=")
        ends = (None, found) if below else (found, None)
        return Piece(measure.id, Grade(*ends, included and not below, included and below), recorded)

    def _arc(self, meaning: CodeMeaning, kind: str, value: Any) -> list[Piece]:
        arc = self._catalogue.arcs[meaning.id]
        first = arc_measures(arc)[0]
        if kind == "valueString":
            return self._arc_words(arc, words_of(value) or "", Recorded(None, text(value)))
        if kind == "valueRange":
            said, recorded = self._range_said(value), Recorded(None, _shown_range(value))
            return arc_pieces(arc, self._catalogue, self._site, self._degrees(first, said), recorded)
        raise Refused("arc-one-number", arc=arc.term)

    def _arc_words(self, arc: Arc, said: str, recorded: Recorded) -> list[Piece]:
        names = arc_measures(arc)
        found = self._clauses(tuple(self._catalogue.measures[name] for name in names), said)
        for clause in found:
            if clause.item.said is None or clause.item.said.out_of is not None:
                raise Refused("words-unknown", at=str(clause.item.at + 1))
            clause.item.said = self._degrees(names[0], clause.item.said)
        return ArcWords(arc, self._catalogue, self._site, recorded).pieces(found)

    def _range_said(self, value: Any) -> Said:
        ends = [member(value, end) for end in ("low", "high")]
        written = [number(member(end, "value")) for end in ends]
        units = {
            Written(text(member(end, "unit")), text(member(end, "code")), text(member(end, "system"))) for end in ends
        }
        if len(units) > 1 or None in written:
            raise Refused("range-unreadable")
        unit = units.pop()
        return Said(tuple(decimal(one) for one in written if one is not None), unit.code or unit.text)

    def _degrees(self, measure_id: str, said: Said) -> Said:
        """The numbers in the unit of the arc's measures."""
        rule = self._units.rule(self._catalogue.measures[measure_id], Written(text=said.unit))
        return said._replace(
            numbers=tuple(amount for one in said.numbers if (amount := rule.amount(one).low) is not None)
        )


def _at(clause: Clause) -> str:
    """The place of the clause's value, counted from 1."""
    return str(clause.item.at + 1)


def _numbered(piece: Piece, index: int) -> Piece:
    """Each value of a text has a place of its own."""
    return replace(piece, part="/".join(filter(None, (f"words[{index}]", piece.part))))


def _without(value: Any, bare: str | None) -> Any:
    if bare is None or bare not in (member(value, "code"), member(value, "unit")):
        return value
    return {name: part for name, part in value.items() if name not in ("unit", "code", "system")}


def _answer(measure: Measure, answer: Threshold) -> Amount | Grade:
    if answer.number is not None and measure.unit is not None:
        return Amount(answer.number, answer.number, measure.unit)
    return Grade(answer.level, answer.level)


def _level(measure: Measure, code: str) -> Grade | None:
    found = level_of(measure, code) if measure.levels else None
    return Grade(found, found) if found else None


def _no_level(measure: Measure, said: str) -> Refused:
    return Refused("level-unknown", value=said, measure=measure.term, levels=_levels(measure))


def _levels(measure: Measure) -> str:
    numbered = measure.level_number
    return ", ".join(numbered.written if numbered and name == numbered.level else name for name in measure.levels)


def _scale_ends_with(measure: Measure, last: int | None) -> bool:
    """`6/10` is a score only on a scale that ends with 10."""
    return last is None or (measure.bare_unit == "{score}" and any(one.high == last for one in measure.plausible))


def _has_best_and_worst(context: Context, measure: Measure) -> bool:
    """A span on a pain scale is its best and its worst, unless something says which pain is meant."""
    values = next((one.values for one in measure.qualifiers if one.name == _CONTEXT), ())
    return {_BEST, _WORST} <= set(values) and not any(claim.name == _CONTEXT for claim in context.claims)


def _pain(measure: Measure, which: str, value: Decimal, recorded: Recorded) -> Piece:
    amount = compared(value, None, measure.unit or "")
    return Piece(measure.id, amount, recorded, claims=(Claim(_CONTEXT, which),), part=which)


def _shown_range(value: object) -> str:
    low, high = (number(member(member(value, end), "value")) or "" for end in ("low", "high"))
    return f"{low} to {high}".strip()
