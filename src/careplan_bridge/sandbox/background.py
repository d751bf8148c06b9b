"""A sandbox in the background of a shell: started, found again by its folder, given data, and ended."""

import json
import os
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Sequence
from pathlib import Path

STATE = "sandbox.json"
_PATIENCE = 10.0


class SandboxProblem(Exception):
    """What a person at the keyboard can mend: no sandbox there, one there already, or data it refuses."""


def detach(folder: Path, command: Sequence[str]) -> str:
    """Starts `command`, which serves from `folder` and prints its base as its first line; returns once it answers."""
    if base := running(folder):
        raise SandboxProblem(f"a sandbox runs from {folder} already, at {base}")
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "sandbox.log").open("wb") as log:
        process = subprocess.Popen(  # noqa: S603 - our own command
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=log, start_new_session=True
        )
    line = process.stdout.readline() if process.stdout else b""
    if not line:
        process.wait()
        raise SandboxProblem(f"the sandbox did not start; {folder / 'sandbox.log'} says why")
    base = line.decode().strip()
    (folder / STATE).write_text(json.dumps({"pid": process.pid, "base": base}), encoding="utf-8")
    process.returncode = 0  # it lives on by itself; without this Popen warns that it was left behind
    return base


def free_port() -> int:
    """A loopback port that nobody listens on at this moment."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        port: int = listening.getsockname()[1]
    return port


def running(folder: Path) -> str | None:
    """The base of the sandbox that runs from this folder, or None."""
    state = _state(folder)
    return state[1] if state and _alive(state[0]) else None


def stop(folder: Path) -> None:
    """Ends the sandbox of this folder; its data stays."""
    state = _state(folder)
    if state is None or not _alive(state[0]):
        raise SandboxProblem(f"no sandbox runs from {folder}")
    os.kill(state[0], signal.SIGTERM)
    until = time.monotonic() + _PATIENCE
    while _alive(state[0]) and time.monotonic() < until:
        time.sleep(0.02)
    (folder / STATE).unlink(missing_ok=True)


def load(base: str, bundle: bytes) -> None:
    """Sends a transaction Bundle to a running sandbox."""
    request = urllib.request.Request(  # noqa: S310 - loopback http, made by us
        base, data=bundle, headers={"Content-Type": "application/fhir+json"}, method="POST"
    )
    try:
        with urllib.request.urlopen(request, timeout=_PATIENCE) as answer:  # noqa: S310 - as above
            answer.read()
    except urllib.error.HTTPError as error:
        raise SandboxProblem(f"the sandbox refused the Bundle: {error.read().decode(errors='replace')}") from None


def _state(folder: Path) -> tuple[int, str] | None:
    try:
        state = json.loads((folder / STATE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return state["pid"], state["base"]


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except OSError:
        return False
    return not _is_zombie(pid)


def _is_zombie(pid: int) -> bool:
    """A child that ended stays listed until its parent asks; it serves nothing any more."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return False
