"""`sandbox`: the embedded FHIR server."""

from pathlib import Path

import click

from careplan_bridge.cli import options, output


@click.command("sandbox")
@click.option("--port", default=8765, show_default=True, help="0 picks a free one.")
@click.option(
    "--folder", type=click.Path(file_okay=False, path_type=Path), help="Where it keeps its data; else in memory."
)
@click.option("--load", type=options.FILE, multiple=True, help="A transaction Bundle to start with.")
def command(*, port: int, folder: Path | None, load: tuple[Path, ...]) -> None:
    """Run the embedded FHIR R4 server on loopback until it is stopped: for rehearsal and tests, never for care."""
    from careplan_bridge.sandbox.server import serve  # noqa: PLC0415 - starts no server until asked

    serve(folder, port, load=load, ready=lambda base: output.note(f"sandbox at {base} (Ctrl-C ends it)"))
