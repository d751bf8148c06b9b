"""Components and panels: values that stand inside another entry."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import replace

from msgspec import structs

from careplan_bridge.measures.codes import Circumstance, CodeMeaning
from careplan_bridge.measures.context import Context, Contexts, within
from careplan_bridge.measures.loose import Json, codes, member, objects, text, words, words_of
from careplan_bridge.measures.outcome import Facts, Outcomes, Result, unusable
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.shapes import Shape
from careplan_bridge.measures.standing import check_modifiers
from careplan_bridge.measures.values import Values
from careplan_bridge.model.measure import Catalogue, FallbackPanel
from careplan_bridge.model.reading import Hint, Reading, Unusable

_Key = tuple[str, str | None, tuple[tuple[str, str], ...]]


class Parts:
    def __init__(self, catalogue: Catalogue, contexts: Contexts, values: Values, outcomes: Outcomes) -> None:
        self._catalogue = catalogue
        self._contexts = contexts
        self._values = values
        self._outcomes = outcomes

    def read(
        self, observation: Json, around: Context | Refused, whole: Shape, facts: Facts, at: Circumstance
    ) -> Iterator[Result]:
        """What the components say. What refuses the whole entry refuses each of them."""
        components = objects(member(observation, "component"))
        if isinstance(around, Refused) or not components:
            return
        meaning = whole.context.meaning if whole.context else None
        if meaning is not None and meaning.panel is not None:
            yield from self._fallback(components, around, whole, meaning.panel, facts)
            return
        if whole.context is not None and meaning is not None and meaning.kind in ("panel", "arc"):
            around = within(whole.context, around)
        for index, component in enumerate(components):
            shape = self._component(component, around, whole, at)
            part = structs.replace(facts, source=facts.part(f"component[{index}]"))
            yield from self._outcomes.of_shape(shape, None, part)

    def without_value(self, observation: Json, whole: Shape, facts: Facts) -> Unusable:
        """A panel that has nothing to read itself: its members are entries of their own."""
        if facts.patient_refused is not None:
            return unusable(facts.patient_refused, facts.source, Hint())
        refused = whole.refused or Refused("value-missing")
        members = [text(member(one, "reference")) or "" for one in objects(member(observation, "hasMember"))]
        if members and whole.refused is None:
            inside = any(one.startswith("#") for one in members)
            refused = Refused("member-inside" if inside else "members-only")
        return unusable(refused, facts.source, Hint(at=facts.at))

    def _component(self, component: Json, around: Context, whole: Shape, at: Circumstance) -> Shape:
        shape = Shape(refused=_refusal(component, whole))
        try:
            shape.context = self._contexts.of_part(around, component, at)
        except Refused as reason:
            shape.refused = shape.refused or reason
            return shape
        if shape.context.meaning is not None and shape.context.meaning.kind in ("panel", "fallback"):
            return Shape(refused=shape.refused or Refused("panel-unknown", code=_code(component)))
        shape.pieces = self._values.pieces(shape.context, component)
        return shape

    def _fallback(
        self, components: list[Json], around: Context, whole: Shape, panel: FallbackPanel, facts: Facts
    ) -> Iterator[Result]:
        """One component names the test, another carries its score."""
        names = [component for component in components if _is(component, panel, panel.name)]
        scores = [component for component in components if _is(component, panel, panel.score)]
        shape = Shape(refused=whole.refused)
        try:
            meaning = CodeMeaning("measure", self._test(names, panel))
            shape.context = replace(around, meaning=meaning)
            shape.pieces = self._scores(scores, shape.context, meaning, panel)
        except Refused as reason:
            shape.refused = shape.refused or reason
        yield from self._outcomes.of_shape(shape, None, facts)

    def _scores(self, scores: list[Json], context: Context, meaning: CodeMeaning, panel: FallbackPanel):  # noqa: ANN202
        if len(scores) != 1:
            return self._values.refused(meaning, Refused("values-several" if scores else "value-missing"))
        try:
            check_modifiers(scores[0])
        except Refused as reason:
            return self._values.refused(meaning, reason)
        return self._values.pieces(context, scores[0], panel.unit)

    def _test(self, names: list[Json], panel: FallbackPanel) -> str:
        said = {name.casefold() for component in names for name in _names(component)}
        found = {
            measure.id
            for measure in self._catalogue.measures.values()
            if measure.fallback == panel.key and {measure.id, measure.term.casefold()} & said
        }
        if len(found) != 1:
            raise Refused("test-unknown", name=", ".join(sorted(said)) or "nothing")
        return found.pop()


def without_disagreement(results: Iterable[Result]) -> tuple[Result, ...]:
    """One entry says one value of a measure: the same value twice counts once, two values count not at all."""
    kept: list[Result] = []
    by_key: defaultdict[_Key, list[Reading]] = defaultdict(list)
    for result in results:
        if isinstance(result, Reading):
            by_key[_key(result)].append(result)
        else:
            kept.append(result)
    for readings in by_key.values():
        agreed = all(one.value == readings[0].value for one in readings)
        kept += readings[:1] if agreed else [as_unusable(Refused("parts-disagree"), one) for one in readings]
    return tuple(kept)


def as_unusable(refused: Refused, reading: Reading) -> Unusable:
    """What was read, taken back: everything that was known of it stays known."""
    hint = Hint(
        measure=reading.measure, side=reading.side, qualifiers=reading.qualifiers, value=reading.value, at=reading.at
    )
    return unusable(refused, reading.source, hint)


def _key(reading: Reading) -> _Key:
    return reading.measure, reading.side, tuple(sorted(reading.qualifiers.items()))


def _refusal(component: Json, whole: Shape) -> Refused | None:
    """Without a known code above them, the parts of a panel are not placed: it may be about goals, or about another person."""
    if whole.refused is not None and whole.refused.reason.code == "code-unknown":
        return Refused("panel-unknown", code=_code_of(whole.refused))
    try:
        check_modifiers(component)
    except Refused as reason:
        return whole.refused or reason
    return whole.refused


def _code_of(refused: Refused) -> str:
    return refused.facts.get("code", "the code")


def _code(component: Json) -> str:
    return ", ".join("|".join(code) for code in codes(member(component, "code")))


def _is(component: Json, panel: FallbackPanel, code: str) -> bool:
    return (panel.system, code) in codes(member(component, "code"))


def _names(component: Json) -> Iterator[str]:
    said = words_of(component.get("valueString"))
    if said:
        yield said
    yield from words(member(component, "valueCodeableConcept"))
