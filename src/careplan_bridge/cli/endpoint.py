"""`endpoint`: what a server can do, what the bridge will do there and what without; and whether it is well."""

from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import link, options, output

_WORDS = {True: "yes", False: "no", None: "-"}
_NOT_WELL = 3
_ROLES = {"readings": "readings are pulled from", "plans": "plans and decisions are written to"}


@click.command("endpoint")
@click.argument("file", metavar="FILE", type=options.FILE)
@click.option(
    "--probe", is_flag=True, help="Try it on the test patient that FILE names; what is made is taken away again."
)
@click.option(
    "--health", "healthy", is_flag=True, help="Only whether it is well: login, scopes, one read. Exit code 0 or 3."
)
@click.option(
    "--forget",
    is_flag=True,
    help="First forget what was proven and observed: the server was mended, or is another one.",
)
@options.ledger
@options.format_("text", "json")
def command(*, file: Path, probe: bool, healthy: bool, forget: bool, ledger: Path, format_: str) -> int:
    """Say what the FHIR server of FILE can do: declared by itself, proven by a probe, observed in calls; and what follows.

    Where FILE names another server for plans in [roles], it says of each what it is for; a probe tries that one alone.
    What was proven and observed is kept in the ledger, and push, decide and sign go by it.
    """
    if healthy:
        return _health(bridge.health(bridge.endpoint(file), link.surroundings()), format_)
    if forget:
        bridge.forget(bridge.endpoint(file), link.surroundings(), ledger)
    report = bridge.capabilities_of(bridge.endpoint(file), link.surroundings(), ledger, probe=probe)
    if format_ == "json":
        output.document(report)
    else:
        _print(report)
    return 0


def _health(found: bridge.Health, format_: str) -> int:
    if format_ == "json":
        output.document(found)
    else:
        click.echo(f"{found.endpoint}: {'well' if found.well else 'not well'}")
        for sentence in found.says:
            output.note(sentence)
    return 0 if found.well else _NOT_WELL


def _print(report: bridge.CapabilitiesReport) -> None:
    if report.role != "everything":
        click.echo(_ROLES[report.role])
    software, version = report.software or "software not named", report.fhir_version or "version not named"
    click.echo(f"{report.endpoint} ({report.environment}): {software}, FHIR {version}")
    click.echo(f"login: {report.login}")
    for sentence in report.probed:
        output.note(sentence)
    click.echo()
    click.echo(f"{'what':<26}{'declared':<10}{'proven':<8}{'observed':<10}taken as")
    for fact in report.facts:
        said = f"{_WORDS[fact.declared]:<10}{_WORDS[fact.proven]:<8}{_WORDS[fact.observed]:<10}"
        click.echo(f"{fact.fact:<26}{said}{_WORDS[fact.holds]}")
    _list("the bridge will", report.does)
    _list("the bridge will do without", report.without)
    if report.plans is not None:
        click.echo()
        _print(report.plans)


def _list(heading: str, sentences: tuple[str, ...]) -> None:
    if sentences:
        click.echo(f"\n{heading}")
    for sentence in sentences:
        click.echo(f"  {sentence}")
