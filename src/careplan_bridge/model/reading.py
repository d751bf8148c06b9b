"""One usable measurement, or the reason why an entry is none."""

from decimal import Decimal

from msgspec import Struct

from careplan_bridge.model.value import Moment, Value


class Source(Struct, frozen=True, gc=False):
    """Where it came from. `version` is the server's; `digest` is SHA-256 over the entry as it came, for sources without one.

    `part` names the component, member or word range where one entry gives several readings.
    """

    resource: str
    version: str | None = None
    digest: str = ""
    part: str | None = None

    @property
    def key(self) -> str:
        """How evidence is named: `Observation/1/_history/3`, or `Observation/1#DIGEST` where the server gave no version."""
        return f"{self.resource}/_history/{self.version}" if self.version else f"{self.resource}#{self.digest}"


class Caveat(Struct, frozen=True, gc=False):
    """A caveat that weakens makes a criterion cannot-tell unless the criterion accepts its code."""

    code: str
    says: str
    weakens: bool


class Recorded(Struct, frozen=True, gc=False):
    """The value as it came, before conversion: a number with its unit, or text."""

    value: Decimal | None = None
    text: str | None = None
    unit: str | None = None


class Reading(Struct, frozen=True, kw_only=True, gc=False):
    """`side`: left, right, involved, uninvolved, or None where the measure has none (or, if optional, none was given)."""

    source: Source
    measure: str
    side: str | None
    qualifiers: dict[str, str]
    value: Value
    recorded: Recorded
    at: Moment
    circumstances: dict[str, str] = {}
    caveats: tuple[Caveat, ...] = ()


class Hint(Struct, frozen=True, kw_only=True, gc=False):
    """What was known of an entry that could not be read: enough to know which criteria and restrictions it may touch."""

    measure: str | None = None
    side: str | None = None
    qualifiers: dict[str, str] = {}
    value: Value | None = None
    at: Moment | None = None


class Unusable(Struct, frozen=True, kw_only=True, gc=False):
    """`reason` is a code of the documented list; `void` entries (entered-in-error, cancelled) count as never made."""

    source: Source
    reason: str
    says: str
    settle: str
    void: bool = False
    hint: Hint = Hint()


class Readings(Struct, frozen=True, kw_only=True):
    """All that `read` made of a set of Observations, in a stable order."""

    readings: tuple[Reading, ...]
    unusable: tuple[Unusable, ...]
