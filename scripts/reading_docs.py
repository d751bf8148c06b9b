"""Writes the generated tables of docs/reading.md and docs/measures.md: python scripts/reading_docs.py"""

from collections.abc import Iterator
from pathlib import Path

from careplan_bridge.files.shipped import catalogue
from careplan_bridge.measures.reasons import REASONS
from careplan_bridge.model.measure import Catalogue, Measure, Qualifier

DOCS = Path(__file__).parents[1] / "docs"
BEGIN, END = "<!-- generated: {} -->\n", "<!-- end -->\n"


def main() -> None:
    for name, tables in documents(catalogue()).items():
        file = DOCS / name
        file.write_text(filled(file.read_text(), tables))


def documents(facts: Catalogue) -> dict[str, dict[str, str]]:
    """File name to its generated tables."""
    return {
        "reading.md": {"reasons": "".join(_reasons())},
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
    yield "| reason | says | settled by |\n| --- | --- | --- |\n"
    for reason in REASONS.values():
        yield f"| `{reason.code}` | {reason.says} | {reason.settle} |\n".replace("{", "*").replace("}", "*")


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
