"""A conventions file (TOML) into a site's conventions, or into all of its faults."""

from typing import Annotated, Any, ClassVar, Literal
from zoneinfo import ZoneInfo, available_timezones

from msgspec.structs import replace
from pydantic import ConfigDict, Field

from careplan_bridge.errors import Fault
from careplan_bridge.measures.qualifiers import normal
from careplan_bridge.measures.scales import misfit
from careplan_bridge.measures.units import is_unit
from careplan_bridge.model.conventions import Clinic, Conventions, LocalCode
from careplan_bridge.model.digest import digest
from careplan_bridge.model.measure import FINDING, Catalogue, Measure, Qualifier
from careplan_bridge.syntax import toml
from careplan_bridge.syntax.examined import every_fault, without_fault
from careplan_bridge.syntax.nearest import nearest, suggestion
from careplan_bridge.syntax.shape import Part, shaped
from careplan_bridge.syntax.spot import Faults, Spot
from careplan_bridge.syntax.toml_values import Day, Flag, Number, Word


def _as_written(name: str) -> str:
    return name.rstrip("_")


class ClinicPart(Part):
    model_config = ConfigDict(alias_generator=_as_written)
    stand_ins: ClassVar = {
        "base": "https://example.org",
        "name": "-",
        "contact": "-",
        "timezone": "UTC",
    }

    base: Word
    name: Word
    contact: Word
    timezone: Word


class ConventionsTable(Part):
    model_config = ConfigDict(alias_generator=_as_written)

    timezone: Word | None = None
    arc: Literal["two-number", "neutral-zero"] | None = None
    triple_order: Literal["extension-first", "flexion-first"] | None = None
    extension_sign: Literal["deficit-positive", "deficit-negative"] | None = None
    kilogram_means_force: Flag = False
    unit_aliases: dict[str, Word] = Field(default_factory=dict[str, Word])
    decimal: Literal[",", "."] | None = None


class CodePart(Part):
    """What a local code means, and what the code alone says."""

    model_config = ConfigDict(alias_generator=_as_written)

    measure: Word | None = None
    arc: Word | None = None
    side: Literal["left", "right", "involved", "uninvolved"] | None = None
    movement: Word | None = None
    position: Word | None = None
    muscle: Word | None = None
    lever: Word | None = None
    effort: Word | None = None
    trials: Word | None = None
    speed: Word | None = None
    mode: Word | None = None
    of: Word | None = None
    handle: Word | None = None
    context: Word | None = None
    landmark: Word | None = None
    basis: Word | None = None
    aid: Word | None = None
    course: Word | None = None
    steps: Word | None = None
    step_height: Word | None = None
    rail: Word | None = None
    joint: Word | None = None
    subscale: Word | None = None
    rating: Word | None = None
    version: Word | None = None
    performer: Word | None = None
    instrument: Word | None = None
    from_: Day | None = None
    until: Day | None = None


NOT_QUALIFIERS = ("measure", "arc", "side", "performer", "instrument", "from_", "until")
QUALIFIERS = tuple(name for name in CodePart.model_fields if name not in NOT_QUALIFIERS)


Range = Annotated[tuple[Number, ...], Field(json_schema_extra={"minItems": 2, "maxItems": 2})]


class ConventionsPart(Part):
    """A conventions file."""

    model_config = ConfigDict(alias_generator=_as_written, title="Conventions file")

    clinic: ClinicPart | None = None
    conventions: ConventionsTable = ConventionsTable()
    codes: dict[str, CodePart] = Field(default_factory=dict[str, CodePart])
    plausible: dict[str, Range] = Field(default_factory=dict[str, Range])
    levels: dict[str, tuple[Word, ...]] = Field(default_factory=dict[str, tuple[Word, ...]])


def read_conventions(data: bytes, name: str, catalogue: Catalogue) -> Conventions:
    """The conventions that a file declares; `name` stands in the faults.

    Raises:
        FileRefused: with every fault of the file.
    """
    found = without_fault(*_examined(data, name, catalogue))
    return replace(found, digest=digest(found))


def check_conventions(data: bytes, name: str, catalogue: Catalogue) -> tuple[Fault, ...]:
    """Every fault and warning of a conventions file, in the order of the file."""
    return every_fault(lambda: _examined(data, name, catalogue))


def _examined(data: bytes, name: str, catalogue: Catalogue) -> tuple[Conventions | None, Faults]:
    tree, faults = toml.read(data, name)
    part, tree = shaped(ConventionsPart, tree, faults)
    if part is None:
        return None, faults
    spot = Spot(tree, faults)
    table = part.conventions
    _check_zones(part, spot)
    _check_base(part, spot)
    _check_aliases(table.unit_aliases, spot["conventions"]["unit_aliases"])
    found = Conventions(
        clinic=Clinic(**part.clinic.model_dump()) if part.clinic else None,
        **table.model_dump(),
        codes=_codes(part.codes, spot["codes"], catalogue),
        plausible=_plausible(part, spot["plausible"], catalogue),
        levels=_levels(part, spot["levels"], catalogue),
    )
    return found, faults


def _check_zones(part: ConventionsPart, spot: Spot) -> None:
    for table, zone in (("clinic", part.clinic and part.clinic.timezone), ("conventions", part.conventions.timezone)):
        if zone and spot[table].has("timezone") and not _is_zone(zone):
            spot[table]["timezone"].wrong(f"`{zone[:60]}` is no time zone", suggestion(zone, available_timezones()))
    if part.clinic and part.conventions.timezone and part.clinic.timezone != part.conventions.timezone:
        spot["conventions"]["timezone"].wrong("the time zone differs from the clinic's", "keep one of them")


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ValueError, KeyError, OSError):
        return False
    return True


def _check_base(part: ConventionsPart, spot: Spot) -> None:
    if part.clinic is None:
        return
    at, base = spot["clinic"]["base"], part.clinic.base
    if not base.startswith(("https://", "http://", "urn:")) or any(sign in base for sign in "|# "):
        at.wrong("this cannot be the root of identifiers", "write an https address without `|` and `#`")
    elif base.endswith("/"):
        at.wrong("the root of identifiers ends with `/`", "take the last `/` out")


def _check_aliases(aliases: dict[str, str], spot: Spot) -> None:
    for spelling, unit in aliases.items():
        if not is_unit(unit):
            spot[spelling].wrong(f"`{unit[:40]}` is no UCUM unit", "write it as UCUM does, as in [lbf_av] or deg")


def _codes(parts: dict[str, CodePart], spot: Spot, catalogue: Catalogue) -> tuple[LocalCode, ...]:
    found = (_code(key, part, spot[key], catalogue) for key, part in parts.items())
    return tuple(
        sorted(
            (code for code in found if code is not None), key=lambda code: (code.system, code.code, code.since or "")
        )
    )


def _code(key: str, part: CodePart, spot: Spot, catalogue: Catalogue) -> LocalCode | None:
    system, bar, code = key.partition("|")
    if not bar or not system.strip() or not code.strip() or key != key.strip():
        spot.wrong_key(f"`{key[:80]}` is no code with its system", 'write it as "https://system|CODE"')
    if part.from_ and part.until and part.until < part.from_:
        spot["until"].wrong("this lies before `from`", "write a later day")
    meant = _meant(part, spot, catalogue)
    return LocalCode(
        system=system,
        code=code,
        measure=part.measure,
        arc=part.arc,
        side=part.side,
        qualifiers=_qualifiers(part, meant, spot),
        performer=part.performer,
        instrument=part.instrument,
        since=part.from_,
        until=part.until,
    )


def _meant(part: CodePart, spot: Spot, catalogue: Catalogue) -> list[Measure]:
    """The measures that the code can give; none where that is a fault."""
    if (part.measure is None) == (part.arc is None):
        spot.lacks("a code means one `measure` or one `arc`", "add one of them, and only one")
        return []
    if part.measure is not None:
        measure = catalogue.measures.get(part.measure)
        if measure is None and part.measure != FINDING:
            _unknown(part.measure, spot["measure"], "measure", catalogue.measures)
        return [measure] if measure else []
    arc = catalogue.arcs.get(part.arc or "")
    if arc is None:
        _unknown(part.arc or "", spot["arc"], "arc", catalogue.arcs)
        return []
    names = (name for end in arc.ends for name in (end.past_neutral, end.short_of_neutral) if name)
    return [catalogue.measures[name] for name in names]


def _unknown(name: str, spot: Spot, kind: str, known: dict[str, Any]) -> None:
    close = nearest(name, known)
    spot.wrong(
        f"there is no {kind} `{name[:60]}`", f"did you mean `{close}`?" if close else "the list is in docs/measures.md"
    )


def _qualifiers(part: CodePart, meant: list[Measure], spot: Spot) -> dict[str, str]:
    known: dict[str, Qualifier] = {qualifier.name: qualifier for measure in meant for qualifier in measure.qualifiers}
    given = {name: text for name in QUALIFIERS if (text := getattr(part, name)) is not None}
    for name, text in given.items():
        if meant and name not in known:
            spot[name].wrong_key(f"{meant[0].id} has no `{name}`", suggestion(name, known) if known else "take it out")
        elif meant:
            _check_word(text, known[name], spot[name])
    if part.side is not None and meant and all(measure.side in ("none", "both") for measure in meant):
        spot["side"].wrong_key(f"{meant[0].id} has no side", "take `side` out")
    return given


def _check_word(text: str, qualifier: Qualifier, spot: Spot) -> None:
    if normal(qualifier, text) is None:
        mend = f'write it as "60 {qualifier.unit}"' if qualifier.unit else suggestion(text, qualifier.values)
        spot.wrong(f"`{qualifier.name}` cannot be `{text[:60]}`", mend)


def _plausible(part: ConventionsPart, spot: Spot, catalogue: Catalogue) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, ends in part.plausible.items():
        measure = _named(name, spot, catalogue)
        if measure is not None and measure.unit is None:
            spot[name].wrong_key(f"{name} is a scale of levels", "take it out; only numbers have a plausible range")
        if len(ends) != 2 or ends[0] > ends[1]:  # noqa: PLR2004 - a range has two ends
            spot[name].wrong("this is no range", "write [lowest, highest], both in the measure's unit")
        else:
            found[name] = (ends[0], ends[1])
    return found


def _levels(part: ConventionsPart, spot: Spot, catalogue: Catalogue) -> dict[str, tuple[str, ...]]:
    for name, levels in part.levels.items():
        measure = _named(name, spot, catalogue)
        if measure is not None and (fault := misfit(measure, levels)):
            spot[name].wrong(*fault)
    return part.levels


def _named(name: str, spot: Spot, catalogue: Catalogue) -> Measure | None:
    """The measure that a key names; a fault at the key where there is none."""
    measure = catalogue.measures.get(name)
    if measure is None:
        close = nearest(name, catalogue.measures)
        mend = f"did you mean `{close}`?" if close else "the list is in docs/measures.md"
        spot[name].wrong_key(f"there is no measure `{name[:60]}`", mend)
    return measure
