"""`check`: every fault of our files, each with its place and what would mend it."""

from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import options, output
from careplan_bridge.errors import Fault
from careplan_bridge.review.documents import faults_document


@click.command("check")
@click.argument("files", nargs=-1, required=True, type=options.FILE)
@click.option(
    "--as",
    "kind",
    type=click.Choice(["protocol", "case", "endpoint", "conventions"]),
    help="What the files are, where their names do not tell.",
)
@options.format_("text", "json")
def command(*, files: tuple[Path, ...], kind: str | None, format_: str) -> int:
    """Check protocol and case files (YAML), endpoint and conventions files (TOML).

    Every fault is printed as FILE:LINE:COLUMN: what, and what would mend it. Warnings do not change the exit code.
    """
    faults = [fault for file in files for fault in bridge.check(file, kind)]
    if format_ == "json":
        output.document(faults_document(faults))
    else:
        _print(faults, len(files))
    return 1 if any(not fault.warning for fault in faults) else 0


def _print(faults: list[Fault], files: int) -> None:
    for fault in faults:
        click.echo(str(fault))
    errors = sum(not fault.warning for fault in faults)
    output.note(f"{files} checked: {errors} to mend, {len(faults) - errors} to look at")
