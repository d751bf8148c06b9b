"""`push`: a protocol or a drafted plan to an endpoint."""

from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import link, options, output
from careplan_bridge.errors import WrongUse

_HEADINGS = {
    "written": "a first push writes this; what is there already is left alone:",
    "ledger": "nothing will be written here:",
    "refused": "as things stand, the push will be refused:",
}


@click.command("push")
@click.argument("what", metavar="PROTOCOL|PLAN", type=options.FILE)
@options.endpoint()
@options.conventions(required=False)
@options.ledger
@click.option(
    "--patient",
    metavar="Patient/ID",
    help="Where [roles] names another server for plans: the Patient there, at the first push.",
)
@options.dry_run
@click.option(
    "--forecast",
    "foretold",
    type=click.Path(path_type=Path),
    help="Of a plan: write the forecast of its push to this file; --dry-run prints it too.",
)
@options.to("Write the receipt to this file; with --dry-run it holds every request as it would be sent.")
@options.format_("text", "json")
def command(
    *,
    what: Path,
    endpoint: Path,
    conventions: Path | None,
    ledger: Path,
    patient: str | None,
    foretold: Path | None,
    to: Path | None,
    format_: str,
    dry_run: bool,
) -> None:
    """Send a protocol (YAML, needs --conventions) or a plan document (JSON). A second push changes nothing and says so.

    A plan goes out as a draft, is bound to the endpoint, and is kept in the ledger from then on.
    """
    with link.open_link(ledger, "push", endpoint=endpoint, conventions=conventions) as site:
        if dry_run or foretold:
            _foretell(site, what, foretold, aloud=dry_run)
        receipt = _push(site, what, patient, dry_run=dry_run)
    if to is not None:
        output.result(receipt, to)
    if format_ == "json" and to is None:
        output.document(receipt)
    elif format_ == "text":
        output.receipt(receipt)


def _foretell(site: "bridge.Link", what: Path, to: Path | None, *, aloud: bool) -> None:
    if what.suffix != ".json":
        if to is not None:
            raise WrongUse("--forecast belongs to a plan; of a protocol, --dry-run shows each definition.")
        return
    forecast = site.push_forecast(site.plan(str(what)))
    if to is not None:
        output.result(forecast, to)
    if aloud:
        output.foretold(_HEADINGS[forecast.ends], forecast)


def _push(site: "bridge.Link", what: Path, patient: str | None, *, dry_run: bool) -> bridge.Receipt:
    if what.suffix == ".json":
        return site.push_plan(site.plan(str(what)), patient=patient, dry_run=dry_run)
    if patient is not None:
        raise WrongUse("--patient belongs to a plan; a protocol is about nobody.")
    return site.push_protocol(bridge.protocol(what), dry_run=dry_run)
