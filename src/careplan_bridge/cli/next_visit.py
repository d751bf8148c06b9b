"""`next-visit`: what to measure next, what is out of date, what is not yet safe."""

from pathlib import Path

import click

from careplan_bridge.cli import checking, options, output
from careplan_bridge.review.documents import plain_document
from careplan_bridge.review.next_visit import next_visit_text
from careplan_bridge.review.page import next_visit_page


@click.command("next-visit")
@checking.asking
@options.to("Write a page to print to this file.")
@options.format_("text", "json")
def command(*, asked: checking.CheckInputs, to: Path | None, format_: str) -> None:
    """Say what a visit should measure: PLAN (a plan document, or an id in the ledger) on OBSERVATIONS or on --endpoint.

    Names each test with its position, movement and side, and the criterion it is for; what is out of date and when the rest will
    be; and what is suppressed because it is not yet safe. --at is the moment of the visit. It orders nothing: a clinician decides.
    """
    document = plain_document(checking.next_visit(asked))
    if to is not None:
        output.save(to, next_visit_page(document).encode())
    if format_ == "json":
        output.document(document)
    elif to is None:
        click.echo(next_visit_text(document))
