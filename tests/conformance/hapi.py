"""A HAPI FHIR JPA R4 server of our own on loopback, with an empty database in memory.

By hand, from the root of the repository, a server for ten minutes:

    python -m tests.conformance.hapi --minutes 10 [--validate] [--no-integrity]

It prints the base address; with `CAREPLAN_BRIDGE_HAPI` set to that address the tests use this server instead of
starting one each time.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import threading
from collections.abc import Generator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from tests.conformance.real_parts import HAPI_JAR, why_no_java

JVM = ("-Xmx1g", "-XX:+UseSerialGC", "-XX:TieredStopAtLevel=1")
START_SECONDS = 240
STOP_SECONDS = 20
EMPTY_EVERYTHING = {
    "resourceType": "Parameters",
    "parameter": [{"name": "expungeEverything", "valueBoolean": True}],
}


class HapiError(RuntimeError):
    """The server did not start; the message ends with the last lines of its log."""


@dataclass(frozen=True, slots=True)
class Hapi:
    """A running server: its base address and the file its log goes to."""

    base: str
    log: Path


@contextmanager
def running_hapi(log: Path, *, validate: bool = False, integrity: bool = True) -> Generator[Hapi]:
    """Start a server on a free port, wait until it answers, end it with the block.

    The server also ends when this process dies without ending the block: it watches its standard input.
    """
    options = ["--port=0", "--attached=true", f"--validate={_flag(validate)}", f"--integrity={_flag(integrity)}"]
    with log.open("wb") as sink:
        process = subprocess.Popen(
            ["java", *JVM, "-jar", str(HAPI_JAR), *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=sink,
        )
    try:
        yield Hapi(_base_once_it_answers(process, log), log)
    finally:
        _end(process)


def empty(base: str) -> None:
    """Remove everything the server holds, history included (about three seconds)."""
    # A server in the middle of an earlier search's paging may take much longer than its usual three seconds.
    answer = httpx.post(f"{base}/$expunge", json=EMPTY_EVERYTHING, timeout=60, trust_env=False)
    answer.raise_for_status()


def _flag(value: bool) -> str:  # noqa: FBT001
    return "true" if value else "false"


def _base_once_it_answers(process: subprocess.Popen[bytes], log: Path) -> str:
    assert process.stdout is not None
    overdue = threading.Timer(START_SECONDS, process.kill)
    overdue.start()
    try:
        line = process.stdout.readline()
    finally:
        overdue.cancel()
    if not line:
        raise HapiError(f"HAPI did not start (exit status {process.wait()}); {log} ends with:\n{_tail(log)}")
    return json.loads(line)["base"]


def _tail(log: Path, lines: int = 25) -> str:
    return "\n".join(log.read_text(encoding="utf-8", errors="replace").splitlines()[-lines:])


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(STOP_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    for stream in (process.stdin, process.stdout):
        if stream is not None:
            stream.close()


def _main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.conformance.hapi", description="A HAPI server by hand.")
    parser.add_argument("--minutes", type=float, default=10, help="how long it runs (default: 10)")
    parser.add_argument("--validate", action="store_true", help="refuse resources the instance validator rejects")
    parser.add_argument("--no-integrity", action="store_true", help="accept references without a target")
    wanted = parser.parse_args()
    if reason := why_no_java(HAPI_JAR):
        print(reason, file=sys.stderr)
        return 1
    log = Path(tempfile.mkdtemp(prefix="hapi-")) / "server.log"
    with running_hapi(log, validate=wanted.validate, integrity=not wanted.no_integrity) as hapi:
        print(hapi.base, flush=True)
        print(f"log: {hapi.log}; ends after {wanted.minutes:g} minutes or with Ctrl-C", file=sys.stderr)
        try:
            threading.Event().wait(wanted.minutes * 60)
        except KeyboardInterrupt:
            return 0
    return 0


if __name__ == "__main__":
    raise SystemExit(_main())
