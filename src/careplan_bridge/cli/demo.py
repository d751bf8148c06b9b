"""`demo`: the whole flow with an invented person, each step one of the commands that anyone can repeat."""

from collections.abc import Iterator
from contextlib import chdir, suppress
from pathlib import Path

import click

from careplan_bridge import bridge
from careplan_bridge.cli import options
from careplan_bridge.cli.demo_steps import INPUTS, Step, by_hand, steps
from careplan_bridge.cli.main import run
from careplan_bridge.errors import OurFault, WrongUse
from careplan_bridge.sandbox import background

_SHIPPED = {
    "protocol.yaml": "protocols/acl-reconstruction.yaml",
    "case.yaml": "cases/acl-quay-01.yaml",
    "conventions.toml": "conventions.toml",
    "endpoint.toml": "endpoints/sandbox.toml",
}
_TO_LOOK_AT = {
    "the plan as a page": "plan/plan.html",
    "the blocked visit as a page": "visit-1.html",
    "the second visit as a page": "visit-2.html",
    "the blocked visit as JSON": "visit-1-check.json",
    "what would be sent": "would-be-sent.json",
    "the run's results": "results.ndjson",
}


@click.command("demo")
@options.to("The folder for everything the demo makes; new or empty. [default: careplan-bridge-demo]")
def command(*, to: Path | None) -> None:
    """An invented person on the ACL protocol: from the protocol file through a blocked visit to a written decision.

    Runs against a sandbox of its own and leaves nothing outside the folder. Made-up criteria, not for care.
    """
    folder = to or Path("careplan-bridge-demo")
    port = background.free_port()
    _lay_out(folder, port)
    with chdir(folder):
        _take_all(steps(port))
    _close(folder.resolve())


def _take_all(script: list[Step]) -> None:
    try:
        for number, step in enumerate(script, 1):
            _take(step, f"{number}/{len(script)}")
    finally:
        with suppress(background.SandboxProblem):  # the last step has ended it, if all went well
            background.stop(Path("sandbox"))


def _take(step: Step, number: str) -> None:
    click.echo(f"\n[{number}] {step.says}")
    click.secho(f"$ {step.shown}", bold=True)
    if code := run(list(step.words)):
        raise OurFault(f"This step ended with exit code {code} instead of 0; please report it.")


def _lay_out(folder: Path, port: int) -> None:
    if _is_taken(folder):
        raise WrongUse(f"{folder} is not empty; name another folder with --to, or remove it.")
    for name, data in _inputs(port):
        bridge.write_bytes(folder / name, data)
    bridge.write_bytes(folder / "by-hand.sh", by_hand(port).encode())


def _is_taken(folder: Path) -> bool:
    try:
        return any(folder.iterdir())
    except FileNotFoundError:
        return False
    except OSError as error:
        raise WrongUse(f"{folder} cannot be used as a folder ({error.strerror}); name another one with --to.") from None


def _inputs(port: int) -> Iterator[tuple[str, bytes]]:
    for name in INPUTS:
        data = bridge.example(_SHIPPED.get(name, f"demo/{name}"))
        yield name, data.replace(b":8765/", f":{port}/".encode()) if name == "endpoint.toml" else data


def _close(folder: Path) -> None:
    click.echo("\nDone. To look at:")
    for what, name in _TO_LOOK_AT.items():
        click.echo(f"  {folder / name}  ({what})")
    click.echo(f"Each step by hand, with a sandbox of its own:\n  sh {folder / 'by-hand.sh'}")
