"""All verdicts of a stage at a moment, and what follows. The document alone renders the page."""

from datetime import date, datetime
from enum import StrEnum
from typing import Literal

from msgspec import Struct

from careplan_bridge.model.case import Confirmed, Order, OwnGoal, Surgery
from careplan_bridge.model.conventions import Clinic
from careplan_bridge.model.plan import ProtocolRef
from careplan_bridge.model.protocol import Exercise
from careplan_bridge.model.reading import Caveat, Recorded, Source, Unusable
from careplan_bridge.model.value import Moment, Value


class Verdict(StrEnum):
    MET = "met"
    NOT_MET = "not-met"
    CANNOT_TELL = "cannot-tell"


class Outcome(StrEnum):
    BLOCKED = "blocked"
    AWAITING_DECISION = "awaiting-decision"
    INFORMATION_MISSING = "information-missing"
    NOT_YET = "not-yet"


class UsedReading(Struct, frozen=True, kw_only=True):
    """A reading as the check used it, with the words a person reads: `shown` is value and unit, `day` the clinic's calendar day.

    `used` is False for readings that are only history.
    """

    source: Source
    measure: str
    side: str | None
    qualifiers: dict[str, str]
    value: Value
    recorded: Recorded
    at: Moment
    day: date | None
    shown: str
    used: bool
    caveats: tuple[Caveat, ...] = ()


class CriterionResult(Struct, frozen=True, kw_only=True):
    """`reason` is a short code, `arithmetic` the sum in words, `settle` what would settle a cannot-tell (empty otherwise)."""

    id: str
    says: str
    verdict: Verdict
    reason: str
    arithmetic: str
    readings: tuple[UsedReading, ...] = ()
    within_measurement_error: Literal["yes", "no", "unknown"] = "unknown"
    settle: str = ""
    trend: Literal["improving", "worsening", "no-change"] | None = None
    parts: tuple["CriterionResult", ...] = ()


class RestrictionResult(Struct, frozen=True, kw_only=True):
    """`state`: kept, exceeded, possibly-exceeded, responded (exceeded before, dealt with), no-reading, cannot-tell (incomplete)."""

    id: str
    says: str
    state: str
    in_force: bool
    from_date: date
    before_date: date | None
    readings: tuple[UsedReading, ...] = ()
    unusable: tuple[Unusable, ...] = ()
    response: str = ""


class PrecautionResult(Struct, frozen=True, kw_only=True):
    """`lifting` is met when the protocol's condition for lifting it holds; lifting it remains a clinician's act."""

    id: str
    text: str
    lifting: Verdict
    lifting_says: str


class RedFlagResult(Struct, frozen=True, kw_only=True):
    """`state`: present, absent, not-asked, responded, cannot-tell, out-of-date (its absent is older than the newest reading used)."""

    id: str
    ask: str
    act: str
    state: str
    readings: tuple[UsedReading, ...] = ()
    unusable: tuple[Unusable, ...] = ()
    response: str = ""


IDENTITY_CHANGED = "identity-changed"


class Attention(Struct, frozen=True, kw_only=True):
    """`mark`: behind, stalled, call-surgeon, possibly-exceeded, incomplete, identity-changed, ...

    `subject` is the criterion, the restriction, or what else it is about.
    """

    mark: str
    subject: str
    says: str


class StageShown(Struct, frozen=True, kw_only=True):
    """A stage's title and window with dates; `state`: done, current, ahead."""

    id: str
    title: str
    state: str
    goals: tuple[str, ...]
    from_day: int
    before_day: int | None
    earliest_advance: int | None
    from_date: date
    before_date: date | None
    earliest_date: date | None


class SignatureNeeded(Struct, frozen=True, kw_only=True):
    """A role that must sign for a decision kind, with the people of the case who hold it."""

    decision: str
    role: str
    people: tuple[str, ...]


class Judgement(Struct, frozen=True, kw_only=True):
    """Which plan was judged in which stage, when, and what followed: the head of every document that rests on a judgement.

    `day` counts from surgery; `complete` is False when the retrieval was not.
    """

    document: str
    version: int
    cautions: tuple[str, ...]
    plan: str
    revision: int
    case: str
    protocol: ProtocolRef
    clinic: Clinic
    side: str
    stage: str
    at: datetime
    day: int
    outcome: Outcome
    complete: bool


class CriteriaCheck(Judgement, frozen=True, kw_only=True):
    """`digest` binds decisions to exactly this check and never covers `at`."""

    document: Literal["criteria-check"] = "criteria-check"
    version: Literal[1] = 1
    next_stage: str | None
    attention: tuple[Attention, ...]
    next_change_at: datetime | None
    criteria: tuple[CriterionResult, ...]
    restrictions: tuple[RestrictionResult, ...]
    precautions: tuple[PrecautionResult, ...]
    red_flags: tuple[RedFlagResult, ...]
    unusable: tuple[Unusable, ...]
    signatures_needed: tuple[SignatureNeeded, ...]
    stages: tuple[StageShown, ...]
    exercises: tuple[Exercise, ...]
    surgeries: tuple[Surgery, ...]
    orders: tuple[Order, ...]
    orders_confirmed: Confirmed | None
    own_goals: tuple[OwnGoal, ...]
    missing: tuple[str, ...] = ()
    digest: str = ""
