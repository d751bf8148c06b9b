"""The site's answers to what an Observation leaves open. Nothing is assumed that is not declared."""

from decimal import Decimal
from typing import Literal

from msgspec import Struct


class Clinic(Struct, frozen=True, kw_only=True):
    """`base` is the root of this clinic's identifiers; `timezone` an IANA name; `contact` is printed when something blocks."""

    base: str
    name: str
    contact: str
    timezone: str


class LocalCode(Struct, frozen=True, kw_only=True):
    """What a site's own code means: a measure or an arc, and what the code alone says."""

    system: str
    code: str
    measure: str | None = None
    arc: str | None = None
    side: str | None = None
    qualifiers: dict[str, str] = {}
    performer: str | None = None
    instrument: str | None = None
    since: str | None = None
    until: str | None = None


class Conventions(Struct, frozen=True, kw_only=True):
    """`levels` are the site's own scales, the lowest level first: for measures of which no established order is known."""

    clinic: Clinic | None = None
    timezone: str | None = None
    arc: Literal["two-number", "neutral-zero"] | None = None
    triple_order: Literal["extension-first", "flexion-first"] | None = None
    extension_sign: Literal["deficit-positive", "deficit-negative"] | None = None
    kilogram_means_force: bool = False
    unit_aliases: dict[str, str] = {}
    decimal: Literal[",", "."] | None = None
    codes: tuple[LocalCode, ...] = ()
    plausible: dict[str, tuple[Decimal, Decimal]] = {}
    levels: dict[str, tuple[str, ...]] = {}
    digest: str = ""

    @property
    def zone(self) -> str | None:
        """The site's time zone, from either place it may stand in."""
        return self.timezone or (self.clinic.timezone if self.clinic else None)
