"""`sign`: one signature; the last one needed writes the decision back."""

from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import clock, link, options, output
from careplan_bridge.review.documents import signing_document


@click.command("sign")
@click.argument("decision", metavar="DECISION")
@click.option("--person", required=True, help="The id of the signing person in the case file.")
@options.endpoint()
@options.conventions()
@options.ledger
@options.at
@options.to("Where the record takes nothing: write the sheet for hand entry to this file.")
@options.format_("text", "json")
def command(
    *,
    decision: str,
    person: str,
    endpoint: Path,
    conventions: Path,
    ledger: Path,
    at: str | None,
    to: Path | None,
    format_: str,
) -> None:
    """Sign DECISION (its document or its id) as PERSON. Pulls and checks anew first.

    Refuses where the record has changed since the decision. Running it again after a cut-off finishes the write-back;
    nothing is written twice.
    """
    with link.open_link(ledger, "sign", endpoint=endpoint, conventions=conventions) as site:
        zone = site.conventions.zone if site.conventions else None
        signed = site.sign(bridge.decision_id(decision), person, clock.moment(at, zone))
        if to is not None and not signed.decision.missing_roles:
            output.save(to, site.sheet(signed.decision.id))
    if format_ == "json":
        output.document(signing_document(signed.decision, signed.receipt))
        return
    _print(signed.decision)
    if signed.receipt is not None:
        output.receipt(signed.receipt)


def _print(decision: bridge.Decision) -> None:
    signed = ", ".join(f"{signature.role} ({signature.person})" for signature in decision.signatures)
    click.echo(f"{decision.kind} of stage {decision.stage!r} signed by {signed}")
    if decision.missing_roles:
        click.echo(f"still missing: {', '.join(decision.missing_roles)}; nothing is written before")
