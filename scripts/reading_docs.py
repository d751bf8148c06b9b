"""Writes the generated tables of docs/reading.md, reading-examples.md and measures.md: python scripts/reading_docs.py"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import yaml

from careplan_bridge.files.shipped import catalogue
from careplan_bridge.measures.reasons import REASONS
from careplan_bridge.model.measure import Catalogue, Measure, Qualifier, Word

ROOT = Path(__file__).parents[1]
DOCS, CASES = ROOT / "docs", ROOT / "tests" / "measures" / "cases"
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
            "examples": "".join(_examples("often-written")),
            "words": "".join(_words(facts)),
            "landmarks": "".join(_landmarks(facts)),
            "reasons": "".join(_reasons()),
        },
        "reading-examples.md": {group: "".join(_examples(group)) for group in ("every-measure", "kinds")},
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


def _examples(group: str) -> Iterator[str]:
    """The case files as a person may check them: what is written, what is known beside it, what comes out."""
    yield "| what | written | known beside it | comes out |\n| --- | --- | --- | --- |\n"
    for file in sorted((CASES / group).glob("*.yaml")):
        case: dict[str, Any] = yaml.load(file.read_text(), yaml.BaseLoader)  # noqa: S506 - text alone, digits as written
        known = [*_pairs(case.get("code", {})), *_pairs(case.get("conventions", {}))]
        columns = (
            f"[{case['title']}](../tests/measures/cases/{group}/{file.name})",
            "; ".join(map(_written, case["observations"])),
            ", ".join(known) or "-",
            "; ".join([*map(_read, case["readings"]), *(f"`{one['reason']}`" for one in case["unusable"])]),
        )
        yield f"| {' | '.join(column.replace('|', chr(92) + '|') for column in columns)} |\n"


def _pairs(facts: dict[str, Any]) -> list[str]:
    return [f"{name.replace('_', ' ')} {_plain(value)}" for name, value in facts.items()]


def _plain(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name}: {_plain(one)}" for name, one in cast("dict[str, object]", value).items())
    return ", ".join(map(_plain, cast("list[object]", value))) if isinstance(value, list) else str(value)


def _written(entry: dict[str, Any]) -> str:
    """The value as it stands, and what stands beside it."""
    beside = [f"{name} {_short(value)}" for name, value in entry.items() if not name.startswith("value")]
    return ", ".join([_value(name, value) for name, value in entry.items() if name.startswith("value")] + beside)


def _value(name: str, value: Any) -> str:
    if name == "valueString":
        return f"\u201c{_short(value)}\u201d"
    if name == "valueQuantity":
        return " ".join(filter(None, (value.get("comparator"), value["value"], value.get("unit") or value.get("code"))))
    return f"{name} {_short(value)}"


def _short(value: Any) -> str:
    said = _plain(value).strip()
    return said if len(said) <= _WIDEST else f"{said[:_WIDEST]} ..."


def _read(reading: dict[str, Any]) -> str:
    sure = [reading.get("side"), *(reading.get("qualifiers", {}).values())]
    known = " ".join(filter(None, (reading["measure"].replace("_", " "), _interval(reading), reading.get("unit"))))
    said = [one for one in sure if one] + [f"caveat {one}" for one in reading.get("caveats", [])]
    return f"{known} ({', '.join(said)})" if said else known


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
