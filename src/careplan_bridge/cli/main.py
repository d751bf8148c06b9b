"""The command `careplan-bridge`: finds the command, runs it, turns what went wrong into a sentence and an exit code."""

import errno
import importlib
import io
import os
import sys
from typing import NamedTuple, NoReturn

import click

from careplan_bridge.cli.logs import begin, note, one_run
from careplan_bridge.cli.meant import Meaning
from careplan_bridge.errors import BridgeError


class Entry(NamedTuple):
    """A command's module in this package and the line shown for it; modules are imported only when called."""

    module: str
    short_help: str


COMMANDS = {
    "check": Entry("check", "Check protocol, case, endpoint and conventions files; every fault with its place."),
    "convert": Entry("convert", "Turn a protocol into a PlanDefinition and what belongs to it."),
    "draft": Entry("draft", "Fit a protocol to a case: plan document, CarePlan and Goals, a page."),
    "push": Entry("push", "Send a protocol or a drafted plan to an endpoint."),
    "pull": Entry("pull", "Fetch a plan's Observations and say whether they are complete."),
    "read": Entry("read", "Turn Observations into readings and unusable entries."),
    "criteria": Entry("criteria", "Judge the current stage: what is met, not met, or cannot be told."),
    "review": Entry("review", "Show a criteria check as a self-contained page or as JSON."),
    "next-visit": Entry("next_visit", "What to measure next, what is out of date, what is not yet safe."),
    "decide": Entry("decide", "Prepare a decision bound to one criteria check; signs nothing."),
    "sign": Entry("sign", "Sign a decision; the last signature needed writes it back."),
    "respond": Entry("respond", "Record a named clinician's response to a red flag or an exceeded restriction."),
    "sync": Entry("sync", "Run the whole caseload against an endpoint, one plan after another."),
    "ledger": Entry("ledger", "Back up, export, purge or verify the local record."),
    "endpoint": Entry(
        "endpoint", "Say what a FHIR server can do, what the bridge will do there, and whether it is well."
    ),
    "sandbox": Entry("sandbox", "Run the embedded FHIR server on loopback."),
    "demo": Entry("demo", "The whole flow with an invented person, against the sandbox."),
}


_NO_ROOM = (
    "The result could not be written: there is no room left where it goes. Make room and run the same command again."
)


class Commands(Meaning):
    """Imports a command's module when the command is asked for, so that `--help` stays quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        del ctx
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        del ctx
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"careplan_bridge.cli.{COMMANDS[cmd_name].module}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry.short_help) for name, entry in COMMANDS.items()])


@click.command(cls=Commands, name="careplan-bridge", context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="careplan-bridge")
@click.option(
    "--log",
    metavar="FILE",
    envvar="CAREPLAN_BRIDGE_LOG",
    show_envvar=True,
    help="Add a line of JSON an event to this file, or to stderr (-). No line names a person.",
)
@click.option("--verbose", is_flag=True, help="Log each request to the server too.")
@click.pass_context
def program(context: click.Context, *, log: str | None, verbose: bool) -> None:
    """Fit staged post-operative rehab protocols to FHIR R4, judge their criteria, and write signed decisions back.

    Decision support for licensed clinicians; not a medical device and not a substitute for the surgeon's orders.
    """
    if log:
        begin(log, context.invoked_subcommand or "", verbose=verbose)


def main() -> NoReturn:
    """Run one command. Exit codes: 0 done, 1 in part or refused, 2 wrong use, 3 endpoint, 4 unresolved, 70 ours, 75 again."""
    _print_anywhere()
    sys.exit(run(sys.argv[1:]))  # noqa: TID251 - the one place that ends the process


def run(arguments: list[str]) -> int:
    """One command in this process; its exit code. Where the reader of the output goes away (`| head`), click ends the process
    with 1 and without a word: done in part.
    """
    with one_run():
        code = _run(arguments)
        note("ended", exit_code=code)
        return code


def _run(arguments: list[str]) -> int:
    try:
        result = program.main(args=arguments, prog_name="careplan-bridge", standalone_mode=False)
    except BridgeError as error:
        return _say(str(error), error.exit_code)
    except click.UsageError as error:
        return _say(f"{_one_line(error)} See: {_place(error)} --help", 2)
    except click.ClickException as error:
        return _say(_one_line(error), 2)
    except (click.Abort, KeyboardInterrupt):
        return _say("Stopped. Nothing is lost; run the same command again.", 75)
    except Exception as error:  # noqa: BLE001 - no traceback reaches a user
        return _say(_NO_ROOM, 75) if _is_no_room(error) else _fault_of_ours(error)
    return result if isinstance(result, int) else 0


def _one_line(error: click.ClickException) -> str:
    sentence = " ".join(error.format_message().split())
    return sentence if sentence.endswith((".", "?")) else f"{sentence}."


def _place(error: click.UsageError) -> str:
    return error.ctx.command_path if error.ctx else "careplan-bridge"


def _print_anywhere() -> None:
    """A terminal that lacks a sign gets its code instead; what is said stands in words beside every sign."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _is_no_room(error: Exception) -> bool:
    return isinstance(error, OSError) and error.errno == errno.ENOSPC


def _say(message: str, code: int) -> int:
    click.echo(message, err=True)
    return code


def _fault_of_ours(error: Exception) -> int:
    if os.environ.get("CAREPLAN_BRIDGE_DEBUG"):
        raise error
    frame = error.__traceback__
    while frame is not None and frame.tb_next is not None:
        frame = frame.tb_next
    place = f"{os.path.basename(frame.tb_frame.f_code.co_filename)}:{frame.tb_lineno}" if frame else "?"  # noqa: PTH119
    return _say(
        f"A fault of ours ({type(error).__name__} at {place}); nothing you typed should cause it. "
        "Please report it; CAREPLAN_BRIDGE_DEBUG=1 shows the whole trace, which may hold patient data.",
        70,
    )
