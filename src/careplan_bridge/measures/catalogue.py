"""The catalogue of clinical measures, read from the files in mappings/.

Each file holds any of the sections of `_File`; together they are one catalogue. A code stands beside its system, which the
file names once.
"""

import itertools
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any, Literal, TypeVar

import msgspec
import yaml
from msgspec import Struct

from careplan_bridge.errors import Fault, FileRefused
from careplan_bridge.model.digest import digest
from careplan_bridge.model.measure import (
    Arc,
    ArcEnd,
    Better,
    Catalogue,
    ErrorFigure,
    FallbackPanel,
    Landmark,
    LateralityCode,
    LevelNumber,
    Measure,
    MeasureCode,
    MethodCode,
    Panel,
    Qualifier,
    Range,
    RefusedCode,
    SideRule,
    SiteCode,
    Word,
)

Pair = tuple[Decimal, Decimal]
Entry = TypeVar("Entry")


class _Qualifier(Struct, kw_only=True, forbid_unknown_fields=True):
    values: tuple[str, ...] = ()
    required: bool = False
    open: bool = False
    unit: str | None = None


class _Where(Struct, kw_only=True, forbid_unknown_fields=True):
    where: dict[str, str]
    range: Pair


class _Measure(Struct, kw_only=True, forbid_unknown_fields=True):
    id: str
    term: str
    joint: str | None = None
    unit: str | None
    bare_unit: str | None
    plausible: Pair | None = None
    plausible_where: tuple[_Where, ...] = ()
    levels: tuple[str, ...] = ()
    order_established: bool = True
    undecided: tuple[tuple[str, str], ...] = ()
    level_number: LevelNumber | None = None
    better: Better | None
    signed: Literal["extension"] | None = None
    step: Decimal | None = None
    side: SideRule
    qualifiers: dict[str, _Qualifier] = {}
    modified_words: tuple[str, ...] = ()
    fallback: str | None = None
    errors: tuple[ErrorFigure, ...] = ()
    src: tuple[str, ...]


class _Arc(Struct, kw_only=True, forbid_unknown_fields=True):
    id: str
    term: str
    ends: tuple[ArcEnd, ArcEnd]
    two_number: bool
    triple_order: bool
    src: tuple[str, ...] = ()


class _File(Struct, kw_only=True, forbid_unknown_fields=True):
    """The sections a file may have; codes are plain entries until the file's system stands beside them."""

    version: str = ""
    sources: dict[str, str] = {}
    system: str = ""
    measures: tuple[_Measure, ...] = ()
    codes: tuple[dict[str, Any], ...] = ()
    panels: tuple[dict[str, Any], ...] = ()
    fallback_panels: tuple[dict[str, Any], ...] = ()
    refused: tuple[dict[str, Any], ...] = ()
    sites: tuple[SiteCode, ...] = ()
    laterality: tuple[LateralityCode, ...] = ()
    methods: tuple[MethodCode, ...] = ()
    unit_spellings: dict[str, str] = {}
    arcs: tuple[_Arc, ...] = ()
    words: tuple[Word, ...] = ()
    landmarks: tuple[Landmark, ...] = ()


def load(files: Mapping[str, bytes]) -> Catalogue:
    """The catalogue of these files (name to content). The order of the files does not matter.

    Raises FileRefused if a file is not as it should be, or names a measure or qualifier that no file describes.
    """
    catalogue = _joined([_parsed(name, files[name]) for name in sorted(files)])
    _check(catalogue)
    return msgspec.structs.replace(catalogue, digest=digest(catalogue))


def _joined(files: list[_File]) -> Catalogue:
    return Catalogue(
        version="".join(file.version for file in files),
        digest="",
        measures={measure.id: _measure(measure) for file in files for measure in file.measures},
        codes=_coded(files, "codes", MeasureCode),
        panels=_coded(files, "panels", Panel),
        fallback_panels=_coded(files, "fallback_panels", FallbackPanel),
        refused=_coded(files, "refused", RefusedCode),
        sites=_all(file.sites for file in files),
        laterality=_all(file.laterality for file in files),
        methods=_all(file.methods for file in files),
        unit_spellings={spelling: unit for file in files for spelling, unit in file.unit_spellings.items()},
        arcs={arc.id: _arc(arc) for file in files for arc in file.arcs},
        words=_all(file.words for file in files),
        landmarks=_all(file.landmarks for file in files),
        sources={key: says for file in files for key, says in file.sources.items()},
    )


def _verbatim(loader: Any, node: Any) -> Decimal:
    return Decimal(loader.construct_scalar(node))


def _loader() -> Any:
    """Safe YAML whose numbers keep their digits; the C loader is ten times as quick, where it was built."""
    base: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    loader: Any = type("CatalogueLoader", (base,), {})
    loader.add_constructor("tag:yaml.org,2002:float", _verbatim)
    return loader


_LOADER = _loader()


def _parsed(name: str, data: bytes) -> _File:
    try:
        return msgspec.convert(yaml.load(data, _LOADER), _File)  # noqa: S506 - a safe loader, see above
    except (yaml.YAMLError, msgspec.ValidationError) as error:
        raise _refused(name, str(error)) from None


def _refused(name: str, what: str) -> FileRefused:
    return FileRefused([Fault(name, 1, 1, what, "mend the entry of the catalogue")])


def _coded(files: list[_File], section: str, kind: type[Entry]) -> tuple[Entry, ...]:
    return tuple(_in_system(file.system, entry, kind) for file in files for entry in getattr(file, section))


def _in_system(system: str, entry: dict[str, Any], kind: type[Entry]) -> Entry:
    try:
        return msgspec.convert({**entry, "system": system}, kind)
    except msgspec.ValidationError as error:
        raise _refused("mappings", f"code {entry.get('code', entry.get('key'))}: {error}") from None


def _all(groups: Iterable[tuple[Entry, ...]]) -> tuple[Entry, ...]:
    return tuple(itertools.chain.from_iterable(groups))


def _measure(measure: _Measure) -> Measure:
    facts: dict[str, Any] = msgspec.structs.asdict(measure)
    del facts["plausible_where"]
    facts["plausible"] = _ranges(measure)
    facts["qualifiers"] = tuple(_qualifier(name, qualifier) for name, qualifier in measure.qualifiers.items())
    return Measure(**facts)


def _qualifier(name: str, given: _Qualifier) -> Qualifier:
    return Qualifier(name=name, values=given.values, required=given.required, open=given.open, unit=given.unit)


def _ranges(measure: _Measure) -> tuple[Range, ...]:
    """The narrower ranges come first: the first one that fits a reading counts."""
    narrower = tuple(Range(low=case.range[0], high=case.range[1], where=case.where) for case in measure.plausible_where)
    general = (Range(low=measure.plausible[0], high=measure.plausible[1]),) if measure.plausible else ()
    return narrower + general


def _arc(arc: _Arc) -> Arc:
    return Arc(
        id=arc.id, term=arc.term, ends=arc.ends, two_number=arc.two_number, triple_order=arc.triple_order, src=arc.src
    )


def _check(catalogue: Catalogue) -> None:
    for code in catalogue.codes:
        measure = catalogue.measures.get(code.measure)
        if measure is None:
            raise _refused("mappings", f"code {code.code} means {code.measure!r}, which no file describes")
        known = {qualifier.name for qualifier in measure.qualifiers}
        if unknown := {*code.qualifiers, *code.needs} - known:
            raise _refused("mappings", f"code {code.code} names {sorted(unknown)}, which {code.measure} does not have")
    for word in catalogue.words:
        if unknown := set(word.measures) - set(catalogue.measures):
            raise _refused("mappings", f"word {word.say[0]} names {sorted(unknown)}, which no file describes")
