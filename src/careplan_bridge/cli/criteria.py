"""`criteria`: the check of the current stage."""

from pathlib import Path

import click

from careplan_bridge.cli import checking, options, output
from careplan_bridge.review.documents import check_document
from careplan_bridge.review.text import check_text


@click.command("criteria")
@checking.asking
@options.to("Write the JSON document to this file.")
@options.format_("text", "json")
def command(*, asked: checking.CheckInputs, to: Path | None, format_: str) -> None:
    """Judge the current stage of PLAN (a plan document, or an id in the ledger) on OBSERVATIONS or on --endpoint.

    Prints every criterion as met, not met or cannot be told, with the reason and the readings. It decides nothing.
    """
    document = check_document(checking.check(asked))
    if to is not None:
        output.result(document, to)
    if format_ == "json" and to is None:
        output.document(document)
    elif format_ == "text":
        click.echo(check_text(document))
