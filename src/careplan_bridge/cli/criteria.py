"""`criteria`: the check of the current stage."""

from pathlib import Path

import click

from careplan_bridge.cli import checking, options, output
from careplan_bridge.review.documents import check_document
from careplan_bridge.review.text import check_text


@click.command("criteria")
@click.argument("plan", metavar="PLAN")
@click.argument("observations", nargs=-1)
@options.conventions()
@options.endpoint(required=False)
@options.ledger
@options.at
@click.option(
    "--incomplete",
    is_flag=True,
    help="These are not all Observations there are: latest values and counts cannot be told.",
)
@options.to("Write the JSON document to this file.")
@options.format_("text", "json")
def command(
    *,
    plan: str,
    observations: tuple[str, ...],
    conventions: Path,
    endpoint: Path | None,
    ledger: Path,
    at: str | None,
    to: Path | None,
    format_: str,
    incomplete: bool,
) -> None:
    """Judge the current stage of PLAN (a plan document, or an id in the ledger) on OBSERVATIONS or on --endpoint.

    Prints every criterion as met, not met or cannot be told, with the reason and the readings. It decides nothing.
    """
    asked = checking.Asked(plan, observations, conventions, endpoint, ledger, at, complete=not incomplete)
    document = check_document(checking.check(asked))
    if to is not None:
        output.result(document, to)
    if format_ == "json" and to is None:
        output.document(document)
    elif format_ == "text":
        click.echo(check_text(document))
