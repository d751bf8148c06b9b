"""The catalogue: what each clinical measure is, and which codes mean it."""

from decimal import Decimal
from typing import Literal

from msgspec import Struct

from careplan_bridge.model.value import Threshold

SideRule = Literal["required", "optional", "none", "both"]
Better = Literal["up", "down", "match_other_side", "ordered"]
ReadsAs = Literal["value", "needs", "panel", "raw-extension", "deprecated"]

FINDING = "finding"  # the measure of a clinician's finding; its levels: present, absent, not-asked
# A finding's reading has side None and the qualifiers {"protocol": the protocol's url, "finding": the id of the finding or red flag}.
FINDING_LEVELS = ("present", "absent", "not-asked")


class Qualifier(Struct, frozen=True, kw_only=True):
    """`values` are the words allowed; `open` lets others in; `unit` means a quantity instead of words."""

    name: str
    values: tuple[str, ...] = ()
    required: bool = False
    open: bool = False
    unit: str | None = None


class Range(Struct, frozen=True, kw_only=True):
    """Plausible values, both ends included, where the reading has the qualifiers in `where`."""

    low: Decimal
    high: Decimal
    where: dict[str, str] = {}


class LevelNumber(Struct, frozen=True, kw_only=True):
    """A level whose name holds a number: `PWB n%`, written `PWB 50%`."""

    level: str
    unit: str
    required: bool
    written: str


class ErrorFigure(Struct, frozen=True, kw_only=True):
    """One published figure. Kinds MDC, MDC95, SEM, LoA, MSD and error bound measurement error; MCID, MIC and change never do."""

    value: Decimal
    unit: str
    kind: str
    src: str
    population: str | None = None
    where: dict[str, str] = {}
    raters: str | None = None
    instrument: str | None = None
    of: str | None = None


class Measure(Struct, frozen=True, kw_only=True):
    """Facts of one measure. `unit` is UCUM, None for an ordinal (then `levels` in the order of the scale).

    `joint` is the joint it is about, where it is about one: a body site that names another joint contradicts it.
    """

    id: str
    term: str
    joint: str | None = None
    unit: str | None
    bare_unit: str | None
    side: SideRule
    better: Better | None = None
    signed: str | None = None
    step: Decimal | None = None
    plausible: tuple[Range, ...] = ()
    levels: tuple[str, ...] = ()
    order_established: bool = True
    undecided: tuple[tuple[str, str], ...] = ()
    level_number: LevelNumber | None = None
    qualifiers: tuple[Qualifier, ...] = ()
    modified_words: tuple[str, ...] = ()
    fallback: str | None = None
    errors: tuple[ErrorFigure, ...] = ()
    src: tuple[str, ...] = ()


class MeasureCode(Struct, frozen=True, kw_only=True):
    """A code that means a measure, with what the code fixes (side, qualifiers) and what it leaves open (`needs`)."""

    system: str
    code: str
    measure: str
    reads_as: ReadsAs
    side: str | None = None
    qualifiers: dict[str, str] = {}
    needs: tuple[str, ...] = ()
    answers: dict[str, Threshold] = {}
    form: str | None = None
    seen: str = "once"
    verified: bool = False


class Panel(Struct, frozen=True, kw_only=True):
    """A code without a value of its own: components or members are read, `qualifiers` hold for all of them."""

    system: str
    code: str
    qualifiers: dict[str, str] = {}
    seen: str = "once"
    verified: bool = False


class FallbackPanel(Struct, frozen=True, kw_only=True):
    """A generic panel: the `name` component says which test it is, the `score` component carries the value."""

    key: str
    system: str
    panel: str
    name: str
    score: str
    interpretation: str
    unit: str | None = None
    seen: str = "once"
    verified: bool = False


class RefusedCode(Struct, frozen=True, kw_only=True):
    system: str
    code: str
    why: str


class SiteCode(Struct, frozen=True, kw_only=True):
    """A bodySite code that names a joint and its side."""

    code: str
    joint: str
    side: str
    seen: str = "once"
    verified: bool = False


class LateralityCode(Struct, frozen=True, kw_only=True):
    code: str
    sides: tuple[str, ...]
    seen: str = "once"
    verified: bool = False


class MethodCode(Struct, frozen=True, kw_only=True):
    code: str
    movement: str | None = None
    caveat: str | None = None
    seen: str = "once"
    verified: bool = False


class ArcEnd(Struct, frozen=True, kw_only=True):
    """One end of an arc: the measure past neutral, and the one of what is missing to neutral."""

    name: str
    past_neutral: str | None
    short_of_neutral: str | None


class Arc(Struct, frozen=True, kw_only=True):
    """Measures that are written together."""

    id: str
    term: str
    ends: tuple[ArcEnd, ArcEnd]
    two_number: bool
    triple_order: bool
    src: tuple[str, ...] = ()


class Word(Struct, frozen=True, kw_only=True):
    """What a word beside a value says: the measures it may name, a side, a qualifier's value, the end of an arc that is written first.

    `level` and `number` are values said in words, `limb` the part of a limb; all three need `measures`.
    """

    say: tuple[str, ...]
    measures: tuple[str, ...] = ()
    side: str | None = None
    qualifier: str | None = None
    value: str | None = None
    first: str | None = None
    level: str | None = None
    number: Decimal | None = None
    limb: str | None = None


class Landmark(Struct, frozen=True, kw_only=True):
    """A place on a limb. `above` and `below` name the part of the limb that lies there, where the place alone decides it."""

    name: str
    say: tuple[str, ...] = ()
    above: str | None = None
    below: str | None = None


class Catalogue(Struct, frozen=True, kw_only=True):
    """Everything in mappings/, with a digest of it (SHA-256, hex). `sources` says what each source key stands for."""

    version: str
    digest: str
    measures: dict[str, Measure]
    codes: tuple[MeasureCode, ...]
    panels: tuple[Panel, ...]
    fallback_panels: tuple[FallbackPanel, ...]
    refused: tuple[RefusedCode, ...]
    sites: tuple[SiteCode, ...]
    laterality: tuple[LateralityCode, ...]
    methods: tuple[MethodCode, ...]
    unit_spellings: dict[str, str]
    arcs: dict[str, Arc]
    words: tuple[Word, ...] = ()
    landmarks: tuple[Landmark, ...] = ()
    sources: dict[str, str] = {}
