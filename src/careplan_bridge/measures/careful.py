"""The careful way: one Observation from its JSON, with components, panels and everything unusual."""

from collections.abc import Sequence

from careplan_bridge.measures.circumstances import circumstance, circumstances
from careplan_bridge.measures.codes import Circumstance, Codes
from careplan_bridge.measures.context import Context, Contexts
from careplan_bridge.measures.loose import Json, member, number, text
from careplan_bridge.measures.moments import effective, issue_fault, zones
from careplan_bridge.measures.outcome import Facts, Outcomes, Result
from careplan_bridge.measures.parts import Parts, without_disagreement
from careplan_bridge.measures.qualifiers import Claim
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.measures.shapes import Shape
from careplan_bridge.measures.standing import check_standing, patient_fault
from careplan_bridge.measures.values import Values, value_of
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.model.reading import Source

_NUMBERS = {"valueQuantity", "valueInteger"}
_PANELS = {"panel", "fallback"}


class Careful:
    """Reads JSON objects; never raises for any of them."""

    def __init__(self, catalogue: Catalogue, conventions: Conventions) -> None:
        self.zone = zones(conventions.zone)
        self._catalogue = catalogue
        self._site = conventions
        self._codes = Codes(catalogue, conventions)
        self._contexts = Contexts(catalogue, self._codes)
        self._values = Values(catalogue, conventions)
        self.outcomes = Outcomes(catalogue, conventions, self._values)
        self._parts = Parts(catalogue, self._contexts, self._values, self.outcomes)

    def read(
        self, observation: Json, source: Source, patient: str | None = None, inherited: Sequence[Claim] = ()
    ) -> tuple[Result, ...]:
        """Everything the Observation says. `inherited` is what a panel that lists it as a member fixes for it."""
        facts = self.facts(observation, source, patient)
        around, at = self._around(observation, inherited), circumstance(observation, facts.at)
        shape = self._shape(observation, around, at)
        parts = list(self._parts.read(observation, around, shape, facts, at))
        if parts and not _has_own_value(observation, shape):
            return without_disagreement(parts)
        return without_disagreement([*self._whole(observation, shape, facts), *parts])

    def shape(self, observation: Json) -> Shape:
        """The shape of an Observation without components, for all entries like it."""
        return self._shape(observation, self._around(observation, ()), Circumstance())

    def measures_of(self, code: object) -> frozenset[str] | None:
        """Every measure that a value under this code may be of; None where the code alone does not decide it."""
        if self._codes.depends(code):
            return None
        try:
            meanings = self._codes.meanings(code, Circumstance())
        except Refused:
            return frozenset()  # whatever it says, it says of no measure
        if any(meaning.kind in _PANELS for meaning in meanings):
            return None
        return frozenset(name for meaning in meanings for name in self._values.measures_of(meaning))

    def facts(self, observation: Json, source: Source, patient: str | None) -> Facts:
        """What all values of the entry share."""
        at, refused = None, None
        try:
            at, refused = issue_fault(effective(observation, self.zone), text(member(observation, "issued")), self.zone)
        except Refused as reason:
            refused = reason
        subject = text(member(member(observation, "subject"), "reference"))
        return Facts(source, at, refused, patient_fault(subject, patient), circumstances(observation))

    def _around(self, observation: Json, inherited: Sequence[Claim]) -> Context | Refused:
        try:
            return self._contexts.around(observation, inherited)
        except Refused as reason:
            return reason

    def _shape(self, observation: Json, around: Context | Refused, at: Circumstance) -> Shape:
        shape = Shape(refused=_standing(observation))
        try:
            if isinstance(around, Refused):
                raise around
            shape.context = self._contexts.of_part(around, observation, at)
            self._fill(shape, shape.context, observation)
        except Refused as reason:
            shape.refused = shape.refused or reason
        shape.lasting = not self._codes.depends(member(observation, "code"))
        return shape

    def _fill(self, shape: Shape, context: Context, observation: Json) -> None:
        """A rule where the value is a plain number of one measure, else the values themselves."""
        meaning = context.meaning
        if meaning is None or meaning.kind in _PANELS:
            return
        if meaning.kind == "measure" and _is_number(observation):
            try:
                measure = self._catalogue.measures[meaning.id]
                shape.rule, shape.unit = self._values.number_rule(measure, member(observation, "valueQuantity"))
                shape.prepare(measure, self._site)
            except Refused as reason:
                shape.pieces = self._values.refused(meaning, reason)
        else:
            shape.pieces = self._values.pieces(context, observation)

    def _whole(self, observation: Json, shape: Shape, facts: Facts) -> tuple[Result, ...]:
        if shape.context is not None and _is_panel(shape.context):
            return (self._parts.without_value(observation, shape, facts),)
        return self.outcomes.of_shape(shape, _number(observation), facts)


def _standing(observation: Json) -> Refused | None:
    try:
        check_standing(observation)
    except Refused as reason:
        return reason
    return None


def _is_panel(context: Context) -> bool:
    return context.meaning is not None and context.meaning.kind in _PANELS


def _has_own_value(observation: Json, shape: Shape) -> bool:
    """A value of its own, or a reason why there is none: both have to be answered beside the components."""
    if shape.context is not None and _is_panel(shape.context):
        return False
    try:
        value_of(observation)
    except Refused as reason:
        return reason.reason.code != "value-missing"
    return True


def _is_number(observation: Json) -> bool:
    try:
        kind, value = value_of(observation)
    except Refused:
        return False
    return kind in _NUMBERS and number(value if kind == "valueInteger" else member(value, "value")) is not None


def _number(observation: Json) -> str | None:
    value = observation.get("valueInteger")
    return number(member(observation.get("valueQuantity"), "value") if value is None else value)
