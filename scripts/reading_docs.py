"""Writes the generated tables of docs/reading.md, reading-examples.md and measures.md: python scripts/reading_docs.py"""

import importlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import yaml

from careplan_bridge.files.shipped import catalogue
from careplan_bridge.measures.reader import Reader
from careplan_bridge.measures.reasons import REASONS
from careplan_bridge.model.fhir_names import UCUM
from careplan_bridge.model.measure import Catalogue, Measure, Qualifier, Word

ROOT = Path(__file__).parents[1]
DOCS, CASES = ROOT / "docs", ROOT / "tests" / "measures" / "cases"
_SYSTEMS = {"http://loinc.org": "LOINC", "http://snomed.info/sct": "SNOMED CT"}
_BESIDE = {"bodySite": "body site", "method": "method"}
_WIDEST = 90  # characters of one column
BEGIN, END = "<!-- generated: {} -->\n", "<!-- end -->\n"


def main() -> None:
    for name, tables in documents(catalogue()).items():
        file = DOCS / name
        file.write_text(filled(file.read_text(), tables))


def documents(facts: Catalogue) -> dict[str, dict[str, str]]:
    """File name to its generated tables."""
    return {
        "reading.md": {
            "examples": "".join(_examples(facts, "often-written")),
            "words": "".join(_words(facts)),
            "landmarks": "".join(_landmarks(facts)),
            "reasons": "".join(_reasons()),
        },
        "reading-examples.md": {group: "".join(_examples(facts, group)) for group in ("every-measure", "kinds")},
        "measures.md": {"measures": "".join(_measures(facts)), "sources": "".join(_sources(facts))},
    }


def filled(text: str, tables: dict[str, str]) -> str:
    """The text with each table between its marks."""
    for name, table in tables.items():
        before, _, rest = text.partition(BEGIN.format(name))
        _, _, after = rest.partition(END)
        text = before + BEGIN.format(name) + table + END + after
    return text


def _reasons() -> Iterator[str]:
    yield "| reason | says | settled by | example |\n| --- | --- | --- | --- |\n"
    for reason in REASONS.values():
        example = f"[input](../tests/measures/data/reason/{reason.code}/input.json)"
        yield f"| `{reason.code}` | {reason.says} | {reason.settle} | {example} |\n".replace("{", "*").replace("}", "*")


def _examples(facts: Catalogue, group: str) -> Iterator[str]:
    """The case files as a therapist may check them: what is written, what is known beside it, what comes out."""
    yield "| what | written | known beside it | comes out |\n| --- | --- | --- | --- |\n"
    for file in sorted((CASES / group).glob("*.yaml")):
        case: dict[str, Any] = yaml.load(file.read_text(), yaml.BaseLoader)  # noqa: S506 - text alone, digits as written
        columns = (
            f"[{case['title']}](../tests/measures/cases/{group}/{file.name})",
            "; ".join(map(_written, case["observations"])),
            _known(facts, case),
            "; ".join([*(_read(facts, one) for one in case["readings"]), *_not_read(facts, file)]),
        )
        yield f"| {' | '.join(column.replace('|', chr(92) + '|') for column in columns)} |\n"


def _known(facts: Catalogue, case: dict[str, Any]) -> str:
    """What the code means, and what the site declares."""
    code = dict(case.get("code", {}))
    meant = [_name(facts, code.pop(kind)) for kind in ("measure", "arc") if kind in code]
    site = [f"{name.replace('_', ' ')} {_declared(value)}" for name, value in case.get("conventions", {}).items()]
    said = [", ".join([*meant, *map(_unit, code.values())]), f"the site declares: {', '.join(site)}" if site else ""]
    return "; ".join(filter(None, said)) or "-"


def _declared(value: object) -> str:
    return _quoted(value) if value in (",", ".") else _plain(value)


def _name(facts: Catalogue, name: str) -> str:
    known = facts.measures.get(name) or facts.arcs.get(name)
    return known.term if known else name


def _plain(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name}: {_plain(one)}" for name, one in cast("dict[str, object]", value).items())
    return ", ".join(map(_plain, cast("list[object]", value))) if isinstance(value, list) else str(value)


def _written(entry: dict[str, Any]) -> str:
    """The value as it stands, and what stands beside it."""
    values = [_value(name, value) for name, value in entry.items() if name.startswith("value")]
    beside = [_beside(name, value) for name, value in entry.items() if not name.startswith("value")]
    return ", ".join(filter(None, values + beside))


def _value(name: str, value: Any) -> str:
    match name:
        case "valueString":
            return _quoted(value)
        case "valueQuantity":
            return " ".join(filter(None, (value.get("comparator"), value["value"], _unit_as_written(value))))
        case "valueInteger":
            return f"{value} (an integer)"
        case "valueCodeableConcept":
            return _concept(value)
        case "valueRange":
            ends = (f"{end} {_value('valueQuantity', value[end])}" for end in ("low", "high") if end in value)
            return f"a range: {', '.join(ends)}"
        case _:
            return f"{name} {_short(value)}"


def _unit_as_written(quantity: dict[str, Any]) -> str:
    """The unit's text; its code and its system where they say something else."""
    said, code, system = (quantity.get(name) for name in ("unit", "code", "system"))
    other = code if said and code and catalogue().unit_spellings.get(said, said) != code else None
    odd = [*([f"code {other}"] if other else []), *([f"system {system}"] if system not in (None, UCUM) else [])]
    return " ".join([_unit(said or code or ""), *([f"({', '.join(odd)})"] if odd else [])])


def _beside(name: str, value: Any) -> str:
    match name:
        case "code":
            return f"code {_concept(value)}"
        case "bodySite" | "method":
            return f"{_BESIDE[name]} {_concept(value)}"
        case "extension":
            return ", ".join(f"extension {_extension(one)}" for one in value)
        case "component":
            return "; ".join(f"part {_written(one)}" for one in value)
        case "effectiveDateTime":
            return f"measured {value}"
        case _:
            return f"{name} {_short(value)}"


def _concept(concept: dict[str, Any]) -> str:
    """What the concept says: its words, and its codes by the names of their systems."""
    inside = (one["valueCodeableConcept"] for one in concept.get("extension", []))
    codes = [
        f"{_SYSTEMS[one['system']]} {one['code']}" for one in concept.get("coding", []) if one.get("system") in _SYSTEMS
    ]
    words = [concept.get("text"), *(one.get("display") for one in concept.get("coding", []))]
    return ", ".join([*codes, *map(_quoted, filter(None, words)), *(f"laterality {_concept(one)}" for one in inside)])


def _extension(extension: dict[str, Any]) -> str:
    """Our own one: a qualifier or the side."""
    said = {part["url"]: part["valueString"] for part in extension["extension"]}
    return f"{said['name']}: {said['value']}"


def _quoted(said: str) -> str:
    return f"\u201c{_short(said)}\u201d"


def _short(value: Any) -> str:
    said = _plain(value).strip()
    return said if len(said) <= _WIDEST else f"{said[:_WIDEST]} ..."


def _unit(text: str) -> str:
    """UCUM's braces are no words for people."""
    return (
        text.replace("{score}", "points")
        .replace("{Tscore}", "points (T-score)")
        .translate({ord("{"): None, ord("}"): None})
    )


def _read(facts: Catalogue, reading: dict[str, Any]) -> str:
    sure = [reading.get("side"), *map(_unit, reading.get("qualifiers", {}).values())]
    known = " ".join(
        filter(None, (f"{_name(facts, reading['measure'])}:", _interval(reading), _unit(reading.get("unit", ""))))
    )
    said = [one for one in sure if one] + [_caveat(one) for one in reading.get("caveats", [])]
    return f"{known} ({', '.join(said)})" if said else known


def _caveat(caveat: str) -> str:
    code, weakens, _ = caveat.partition(" (weakens)")
    return f"weakened: {code}" if weakens else f"noted: {code}"


def _not_read(facts: Catalogue, file: Path) -> Iterator[str]:
    """Each reason once, in the words that a person gets; one entry may have several values that are not read for it."""
    sys.path.append(str(ROOT))  # the tests' own reading of the case files
    cases = importlib.import_module("tests.measures.written")
    sys.path.remove(str(ROOT))
    case = cases.written(file)
    found = Reader(facts, cases.conventions(case)).read_all(cases.observations(case))
    yield from dict.fromkeys(f"not read: {one.says} (`{one.reason}`)" for one in found.unusable)


def _interval(reading: dict[str, Any]) -> str:
    low, high = reading["low"], reading["high"]
    if low == high:
        return low
    if low == "null":
        return f"{'at most' if reading.get('high_included') != 'false' else 'below'} {high}"
    if high == "null":
        return f"{'at least' if reading.get('low_included') != 'false' else 'above'} {low}"
    return f"{low} to {high}"


def _words(facts: Catalogue) -> Iterator[str]:
    yield "| word | means |\n| --- | --- |\n"
    for word in facts.words:
        yield f"| {', '.join(word.say)} | {_means(word)} |\n"


def _means(word: Word) -> str:
    if word.number is not None:
        return f"{word.number}, with the caveat `qualitative`"
    if word.level is not None:
        return f"the level {word.level}"
    if word.limb is not None:
        return f"the limb; only for {', '.join(word.measures)}"
    if word.first is not None:
        return f"the first of three numbers is {word.first}"
    said = word.side or (f"{word.qualifier}: {word.value}" if word.qualifier else None)
    return said or f"one of: {', '.join(word.measures)}"


def _landmarks(facts: Catalogue) -> Iterator[str]:
    yield "| place | also written | above it | below it |\n| --- | --- | --- | --- |\n"
    for one in facts.landmarks:
        yield f"| {one.name} | {', '.join(one.say) or '-'} | {one.above or '-'} | {one.below or '-'} |\n"


def _measures(facts: Catalogue) -> Iterator[str]:
    yield "| measure | term | unit or levels | without a unit | plausible | side | qualifiers (required in bold) | sources |\n"
    yield "| --- | --- | --- | --- | --- | --- | --- | --- |\n"
    for measure in facts.measures.values():
        columns = (
            f"`{measure.id}`",
            measure.term,
            f"`{measure.unit}`"
            if measure.unit
            else " < ".join(measure.levels)
            if measure.order_established
            else ", ".join(measure.levels),
            f"read as `{measure.bare_unit}`" if measure.bare_unit else "not read",
            _range(measure),
            measure.side,
            "; ".join(map(_qualifier, measure.qualifiers)),
            ", ".join(measure.src) or "-",
        )
        yield f"| {' | '.join(columns)} |\n"


def _range(measure: Measure) -> str:
    return f"{measure.plausible[-1].low} to {measure.plausible[-1].high}" if measure.plausible else "-"


def _qualifier(qualifier: Qualifier) -> str:
    name = f"**{qualifier.name}**" if qualifier.required else qualifier.name
    words = [
        *qualifier.values,
        *(["any other"] if qualifier.open else []),
        *([f"in `{qualifier.unit}`"] if qualifier.unit else []),
    ]
    return f"{name}: {', '.join(words)}"


def _sources(facts: Catalogue) -> Iterator[str]:
    yield "| key | source |\n| --- | --- |\n"
    for key in sorted(facts.sources, key=lambda name: (name[0], int("".join(filter(str.isdigit, name))), name)):
        yield f"| {key} | {facts.sources[key]} |\n"


if __name__ == "__main__":
    main()
