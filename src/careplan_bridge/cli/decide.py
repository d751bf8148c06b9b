"""`decide`: a decision bound to one criteria check."""

from pathlib import Path
from typing import get_args

import click

from careplan_bridge import bridge
from careplan_bridge.cli import clock, link, options, output

_HEADINGS = {
    "written": "once signed, this will be written:",
    "unknown": "once signed, this will be written:",
    "parked": "once signed, nothing will be written here:",
    "refused": "as things stand, the write-back will be refused:",
}


@click.command("decide")
@click.argument("check", type=options.FILE)
@click.argument("kind", metavar="|".join(get_args(bridge.Kind)), type=click.Choice(get_args(bridge.Kind)))
@click.option("--reason", required=True, help="Why, in a sentence that the record will keep.")
@options.endpoint(required=False)
@options.ledger
@options.at
@options.to("Write the decision document to this file.")
@click.option(
    "--forecast", "foretold", type=click.Path(path_type=Path), help="Write the forecast of the write-back to this file."
)
@options.format_("text", "json")
def command(
    *,
    check: Path,
    kind: bridge.Kind,
    reason: str,
    endpoint: Path | None,
    ledger: Path,
    at: str | None,
    to: Path | None,
    foretold: Path | None,
    format_: str,
) -> None:
    """Prepare a decision on CHECK: advance to the next stage, remain in this one, or discharge. Signs nothing, sends nothing.

    It waits in the ledger for the signatures that the protocol names, and says what will be written once they are given.
    Refused while an earlier decision on the plan is signed and not in the record yet: that one comes first.
    """
    made_on = bridge.check_from(check)
    with link.open_link(ledger, "decide", endpoint=endpoint) as site:
        decision = site.decide(made_on, kind, reason, clock.moment(at, made_on.clinic.timezone))
        forecast = site.forecast(decision)
    if to is not None:
        output.result(decision, to)
    if foretold is not None:
        output.result(forecast, foretold)
    if format_ == "json" and to is None:
        output.document(decision)
    elif format_ == "text":
        _print(decision, forecast)


def _print(decision: bridge.Decision, forecast: bridge.Forecast) -> None:
    click.echo(decision.id)
    output.note(f"{decision.kind} of stage {decision.stage!r}; signatures needed: {', '.join(decision.missing_roles)}")
    output.foretold(_HEADINGS[forecast.ends], forecast)
