"""`sandbox`: the embedded FHIR server, in the foreground or in the background of a shell."""

import sys
from difflib import get_close_matches
from pathlib import Path
from typing import NamedTuple

import click

from careplan_bridge import bridge
from careplan_bridge.cli import options, output
from careplan_bridge.errors import WrongUse
from careplan_bridge.sandbox import background


@click.command("sandbox")
@click.option("--port", type=click.IntRange(0, 65535), default=8765, show_default=True, help="0 picks a free one.")
@click.option(
    "--folder", type=click.Path(file_okay=False, path_type=Path), help="Where it keeps its data; without it, in memory."
)
@click.option("--load", type=options.FILE, multiple=True, help="Give it this transaction Bundle; may be repeated.")
@click.option("--detach", is_flag=True, help="Run in the background; needs --folder.")
@click.option(
    "--without",
    "lacks",
    multiple=True,
    metavar="WHAT",
    help="What it lacks and does not declare: transaction, conditional-create, client-id, identifier, version, or an "
    "interaction as in Goal.update; may be repeated.",
)
@click.option("--stop", is_flag=True, help="End the one that runs in the background from --folder.")
@click.option(
    "--misbehave", multiple=True, metavar="NAME", help="Misbehave in this way from the start on; may be repeated."
)
@click.option("--misbehaviours", is_flag=True, help="List the ways to misbehave, with what each stands for, and end.")
def command(
    *,
    port: int,
    folder: Path | None,
    load: tuple[Path, ...],
    detach: bool,
    lacks: tuple[str, ...],
    stop: bool,
    misbehave: tuple[str, ...],
    misbehaviours: bool,
) -> None:
    """Run the embedded FHIR R4 server on loopback: for rehearsal and tests, never for care.

    Without --detach it runs until Ctrl-C. With --load alone, the Bundle goes to the one that runs from --folder.
    """
    if misbehaviours:
        _list_misbehaviours()
        return
    try:
        _act(port, folder, load, _Ways(_known(lacks), _named(misbehave)), detach=detach, stop=stop)
    except background.SandboxProblem as problem:
        raise WrongUse(f"{problem}.") from None
    except OSError as error:
        raise WrongUse(
            f"The sandbox cannot listen on port {port} ({error.strerror}); choose another with --port."
        ) from None


class _Ways(NamedTuple):
    """What it lacks, and how it misbehaves."""

    lacks: tuple[str, ...]
    misbehave: tuple[str, ...]


def _list_misbehaviours() -> None:
    from careplan_bridge.sandbox.misbehaviours.registry import KINDS  # noqa: PLC0415 - no server code for --stop and --load

    for kind in KINDS.values():
        click.echo(f"{kind.name:<32}{kind.stands_for}")


def _named(names: tuple[str, ...]) -> tuple[str, ...]:
    """The misbehaviours, each once. Raises WrongUse for one that is none."""
    if not names:
        return ()
    from careplan_bridge.sandbox.misbehaviours.registry import KINDS  # noqa: PLC0415 - as above

    for name in names:
        if name not in KINDS:
            near = " or ".join(get_close_matches(name, KINDS)) or "none"
            raise WrongUse(f"--misbehave {name}: no such misbehaviour; near to it: {near}. --misbehaviours lists them.")
    return tuple(dict.fromkeys(names))


def _act(port: int, folder: Path | None, load: tuple[Path, ...], ways: _Ways, *, detach: bool, stop: bool) -> None:
    if stop:
        background.stop(_needed(folder))
        output.note("sandbox ended")
    elif detach:
        output.note(f"sandbox at {_detached(_needed(folder), port, load, ways)}")
    elif load and folder and (base := background.running(folder)):
        _load(base, load)
    else:
        _foreground(port, folder, load, ways)


def _detached(folder: Path, port: int, bundles: tuple[Path, ...], ways: _Ways) -> str:
    """Its base. Where it refuses what it is given it is ended again: it would run without what was asked for."""
    base = background.detach(folder, _own_command(port, folder, ways))
    try:
        _load(base, bundles)
    except BaseException:
        background.stop(folder)
        raise
    return base


def _foreground(port: int, folder: Path | None, load: tuple[Path, ...], ways: _Ways) -> None:
    from careplan_bridge.sandbox.app import Settings  # noqa: PLC0415 - no server code for --stop and --load
    from careplan_bridge.sandbox.misbehaviours.registry import KINDS  # noqa: PLC0415
    from careplan_bridge.sandbox.server import serve  # noqa: PLC0415

    if load:
        raise WrongUse("--load needs a sandbox in the background: --detach starts one from --folder.")
    misbehaviours = [KINDS[name].make() for name in ways.misbehave]
    serve(folder, port, ready=click.echo, settings=Settings(lacks=ways.lacks), misbehaviours=misbehaviours)


def _load(base: str, bundles: tuple[Path, ...]) -> None:
    for bundle in bundles:
        background.load(base, bridge.read_bytes(bundle))
        output.note(f"loaded {bundle}")


def _own_command(port: int, folder: Path, ways: _Ways) -> list[str]:
    words = [sys.executable, "-m", "careplan_bridge", "sandbox", "--port", str(port), "--folder", str(folder)]
    without = [part for word in ways.lacks for part in ("--without", word)]
    return words + without + [part for name in ways.misbehave for part in ("--misbehave", name)]


def _known(lacks: tuple[str, ...]) -> tuple[str, ...]:
    from careplan_bridge.sandbox.lacking import LACKS, is_a_lack  # noqa: PLC0415

    if wrong := next((word for word in lacks if not is_a_lack(word)), None):
        raise WrongUse(f"--without {wrong}: name one of {', '.join(LACKS)}, or an interaction as in Goal.update.")
    return lacks


def _needed(folder: Path | None) -> Path:
    if folder is None:
        raise WrongUse("This needs --folder, by which the sandbox in the background is found again.")
    return folder
