"""The keys of a protocol file, as they are written."""

from typing import ClassVar, Literal

from pydantic import ConfigDict, Field

from careplan_bridge.syntax.shape import Part
from careplan_bridge.syntax.values import Count, DayPoint, Id, Span, Text, Written

Side = Literal["involved", "uninvolved"]
ROLES = ("therapist", "surgeon", "physician")
_NUMBERED = "unnamed-{line}-{column}"


class Bounded(Part):
    """What a value has to keep to: a quantity with its unit, or a level of the measure's scale."""

    at_least: Written | None = None
    at_most: Written | None = None
    above: Written | None = None
    below: Written | None = None
    between: tuple[Written, ...] | None = None
    exactly: Written | None = None


class Qualified(Part):
    """How the measure was taken; which of these a measure has, and with which words, the catalogue says."""

    movement: Written | None = None
    position: Written | None = None
    muscle: Written | None = None
    lever: Written | None = None
    effort: Written | None = None
    trials: Written | None = None
    speed: Written | None = None
    mode: Written | None = None
    of: Written | None = None
    handle: Written | None = None
    context: Written | None = None
    landmark: Written | None = None
    basis: Written | None = None
    aid: Written | None = None
    course: Written | None = None
    steps: Written | None = None
    step_height: Written | None = None
    rail: Written | None = None
    joint: Written | None = None
    subscale: Written | None = None
    rating: Written | None = None
    version: Written | None = None


class MeasuredPart(Bounded, Qualified):
    """A statement about readings of one measure."""

    measure: Text | None = None
    side: Side | None = None
    visits_in_a_row: Count | None = None
    limb_symmetry_index_at_least: Written | None = None
    limb_symmetry_index_at_most: Written | None = None
    limb_symmetry_index_between: tuple[Written, ...] | None = None
    side_difference_at_least: Written | None = None
    side_difference_at_most: Written | None = None
    change_since_baseline_at_least: Written | None = None
    change_since_baseline_at_most: Written | None = None
    change_since_best_at_least: Written | None = None
    change_since_best_at_most: Written | None = None
    best: Literal["highest", "lowest"] | None = None


class AlternativePart(MeasuredPart):
    """One entry of `first done of`."""

    not_before: DayPoint | None = None
    needs: Text | None = None


class ConditionPart(MeasuredPart):
    """A condition of any kind; which one it is, its keys say."""

    id: Id | None = None
    since_surgery: Span | None = None
    surgery: Id | None = None
    finding: Text | None = None
    expected: Literal["present", "absent"] | None = None
    all_of: "tuple[ConditionPart, ...] | None" = None
    any_of: "tuple[ConditionPart, ...] | None" = None
    n: Count | None = None
    at_least_n_of: "tuple[ConditionPart, ...] | None" = None
    first_done_of: tuple[AlternativePart, ...] | None = None


class CriterionPart(ConditionPart):
    stand_ins: ClassVar = {"id": _NUMBERED}

    id: Id  # pyright: ignore[reportGeneralTypeIssues, reportIncompatibleVariableOverride]
    says: Text | None = None
    no_older_than: Span | None = None
    expected_by: DayPoint | None = None
    call_surgeon_by: DayPoint | None = None
    accepts: tuple[Text, ...] = ()
    stalled_over_visits: Count | None = None


class RestrictionPart(Bounded, Qualified):
    """What must not be exceeded while it is in force."""

    stand_ins: ClassVar = {"id": _NUMBERED, "measure": "knee_flexion"}

    id: Id
    says: Text | None = None
    measure: Text
    side: Side | None = None
    from_: DayPoint | None = None
    before: DayPoint | None = None
    when_performed: Text | None = None


class PrecautionPart(Part):
    stand_ins: ClassVar = {"id": _NUMBERED, "text": "-"}

    id: Id
    text: Text
    lifted_by: tuple[Id, ...] = ()
    before: DayPoint | None = None
    when_performed: Text | None = None


class ExercisePart(Part):
    stand_ins: ClassVar = {"name": _NUMBERED}

    name: Text
    id: Id | None = None
    dose: Text | None = None
    needs: Text | None = None
    instead: Text | None = None


class RedFlagPart(Part):
    stand_ins: ClassVar = {"id": _NUMBERED, "ask": "-", "act": "-"}

    id: Id
    ask: Text
    act: Text


class WindowPart(Part):
    stand_ins: ClassVar = {"from": "day 0"}

    from_: DayPoint
    before: DayPoint | None = None
    earliest_advance: DayPoint | None = None


class StageBody(Part):
    """What a stage and the discharge share."""

    stand_ins: ClassVar = {"criteria": []}

    goals: tuple[Text, ...] = ()
    restrictions: tuple[RestrictionPart, ...] = ()
    precautions: tuple[PrecautionPart, ...] = ()
    exercises: tuple[ExercisePart, ...] = ()
    criteria: tuple[CriterionPart, ...]


class StagePart(StageBody):
    stand_ins: ClassVar = {"id": _NUMBERED, "title": "-", "window": {"from": "day 0"}, "criteria": []}

    id: Id
    title: Text
    window: WindowPart


class DischargePart(StageBody):
    title: Text = "Discharge"
    window: WindowPart | None = None


class SignaturesPart(Part):
    """For each decision, the roles that must sign it."""

    stand_ins: ClassVar = {"advance": ["therapist"], "discharge": ["therapist", "surgeon"]}

    advance: tuple[Text, ...]
    discharge: tuple[Text, ...]


class ProtocolPart(Part):
    """A protocol file."""

    model_config = ConfigDict(title="Protocol file")
    stand_ins: ClassVar = {
        "protocol": "unnamed",
        "version": "0",
        "url": "https://example.org/unnamed",
        "title": "-",
        "laterality": "unilateral",
        "signatures": SignaturesPart.stand_ins,
        "red flags": [],
        "stages": [],
        "discharge": {"criteria": []},
    }

    protocol: Id
    version: Written
    url: Text
    title: Text
    notice: Text | None = None
    laterality: Literal["unilateral", "bilateral", "none"]
    signatures: SignaturesPart
    red_flags: tuple[RedFlagPart, ...] = Field(description="Questions asked at each visit")
    stages: tuple[StagePart, ...]
    discharge: DischargePart
