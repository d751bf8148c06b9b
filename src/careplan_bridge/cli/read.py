"""`read`: Observations into readings and unusable entries."""

import sys
from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import options, output
from careplan_bridge.review.documents import readings_document
from careplan_bridge.review.text import readings_text


@click.command("read")
@click.argument("observations", nargs=-1, required=True)
@options.conventions()
@options.to("Write the JSON document to this file.")
@options.format_("text", "json")
def command(*, observations: tuple[str, ...], conventions: Path, to: Path | None, format_: str) -> None:
    """Read OBSERVATIONS (files, folders, retrievals, or - for standard input).

    What cannot be read is listed with its reason and what would settle it. Reading ends with 0 either way.
    """
    readings = bridge.read(bridge.entries(observations, sys.stdin.buffer), bridge.conventions(conventions))
    document = readings_document(readings)
    if to is not None or format_ == "json":
        output.result(document, to)
        return
    if not (readings.readings or readings.unusable):
        output.note("no Observation was found in what was named")
        return
    click.echo(readings_text(document))
    output.note(f"{len(readings.readings)} readings, {len(readings.unusable)} entries that could not be used")
