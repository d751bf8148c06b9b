"""`review`: a criteria check as a page or as JSON."""

from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import checking, options, output
from careplan_bridge.errors import InputRefused, WrongUse
from careplan_bridge.review.documents import Document, check_document
from careplan_bridge.review.page import page


@click.command("review")
@click.argument("what", metavar="CHECK|PLAN")
@options.conventions(required=False)
@options.endpoint(required=False)
@options.ledger
@options.at
@options.to("The page (or the document) goes to this file instead of stdout.")
@options.format_("html", "json")
def command(
    *,
    what: str,
    conventions: Path | None,
    endpoint: Path | None,
    ledger: Path,
    at: str | None,
    to: Path | None,
    format_: str,
) -> None:
    """Show a criteria check: CHECK is its document; PLAN (with --endpoint and --conventions) is checked first.

    The page needs no script and no network, and reads well on a phone and on paper.
    """
    document = _document(what, conventions, endpoint, ledger, at)
    if format_ == "json":
        output.result(document, to)
    elif to is None:
        click.echo(page(document).encode(), nl=False)  # the page says UTF-8 of itself, whatever the terminal speaks
    else:
        output.save(to, page(document).encode())


def _check(path: Path) -> bridge.CriteriaCheck:
    try:
        return bridge.check_from(path)
    except InputRefused as refused:
        raise InputRefused(f"{refused} A plan is checked first where --endpoint and --conventions are named.") from None


def _document(what: str, conventions: Path | None, endpoint: Path | None, ledger: Path, at: str | None) -> Document:
    if endpoint is None:
        if at is not None:
            raise WrongUse("A check was made for its moment; --at goes with --endpoint, where a new one is made.")
        return check_document(_check(Path(what)))
    if conventions is None:
        raise WrongUse("Checking a plan needs the clinic's conventions; name their file with --conventions.")
    return check_document(checking.check(checking.CheckInputs(what, (), conventions, endpoint, ledger, at)))
