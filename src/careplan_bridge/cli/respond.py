"""`respond`: what a named clinician did about a red flag or an exceeded restriction."""

from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import clock, link, options, output
from careplan_bridge.review.documents import response_document


@click.command("respond")
@click.argument("check", type=options.FILE)
@click.argument("about", type=click.Choice(["red-flag", "excess"]))
@click.argument("subject", metavar="ID")
@click.option("--person", required=True, help="The id of the responding clinician in the case file.")
@click.option("--reason", required=True, help="What was found and done, in a sentence that the record will keep.")
@options.endpoint(required=False)
@options.ledger
@options.at
@options.format_("text", "json")
def command(
    *,
    check: Path,
    about: str,
    subject: str,
    person: str,
    reason: str,
    endpoint: Path | None,
    ledger: Path,
    at: str | None,
    format_: str,
) -> None:
    """Record a response to what CHECK shows: a red flag that is present, or a restriction that is (possibly) exceeded.

    It covers the readings that the check shows, and no later ones.
    """
    seen = bridge.check_from(check)
    with link.open_link(ledger, "respond", endpoint=endpoint) as site:
        moment = clock.moment(at, seen.clinic.timezone)
        response = site.respond(seen, about, subject, person=person, reason=reason, at=moment)
    if format_ == "json":
        output.document(response_document(seen.plan, response))
        return
    click.echo(f"response of {response.by} to {about} {subject!r} recorded; it covers {len(response.evidence)} entries")
