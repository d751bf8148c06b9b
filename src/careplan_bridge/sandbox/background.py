"""A sandbox in the background of a shell: started, found again by its folder, given data, and ended."""

import http.client
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

from careplan_bridge.sandbox.capability import SOFTWARE

STATE = "sandbox.json"
_PATIENCE = 10.0
_LOOPBACK = "http://127.0.0.1:"
_DIRECTLY = urllib.request.build_opener(urllib.request.ProxyHandler({}))  # no proxy of the shell stands before loopback


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
    line = _first_line(process)
    if not line:
        process.wait()
        raise SandboxProblem(f"the sandbox did not start: {_last_words(folder / 'sandbox.log')}")
    base = line.decode().strip()
    (folder / STATE).write_text(json.dumps({"pid": process.pid, "base": base}), encoding="utf-8")
    process.returncode = 0  # it lives on by itself; without this Popen warns that it was left behind
    return base


def _last_words(log: Path) -> str:
    said = log.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    return said[-1].rstrip(".") if said else f"nothing is said in {log}"


def _first_line(process: subprocess.Popen[bytes]) -> bytes:
    """Empty where the process ends without one."""
    assert process.stdout is not None  # noqa: S101 - it was asked for
    with process.stdout as spoken:
        return spoken.readline()


def free_port() -> int:
    """A loopback port that nobody listens on at this moment."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        port: int = listening.getsockname()[1]
    return port


def running(folder: Path) -> str | None:
    """The base of the sandbox that runs from this folder, or None."""
    state = _running_state(folder)
    return state[1] if state else None


def stop(folder: Path) -> None:
    """Ends the sandbox of this folder; its data stays."""
    state = _running_state(folder)
    if state is None:
        raise SandboxProblem(f"no sandbox runs from {folder}")
    os.kill(state[0], signal.SIGTERM)
    if not _ended(state[0]):
        raise SandboxProblem(f"the sandbox at {state[1]} does not end; look at process {state[0]}")
    (folder / STATE).unlink(missing_ok=True)


def load(base: str, bundle: bytes) -> None:
    """Sends a transaction Bundle to a running sandbox."""
    request = urllib.request.Request(  # noqa: S310 - loopback http, made by us
        base, data=bundle, headers={"Content-Type": "application/fhir+json"}, method="POST"
    )
    try:
        with _DIRECTLY.open(request, timeout=_PATIENCE) as answer:
            answer.read()
    except urllib.error.HTTPError as error:
        raise SandboxProblem(f"the sandbox refused the Bundle: {_said(error.read())}") from None
    except OSError:
        raise SandboxProblem(f"the sandbox at {base} does not answer") from None


def _said(outcome: bytes) -> str:
    """The sentence in an OperationOutcome, else the body as it came."""
    try:
        return str(json.loads(outcome)["issue"][0]["diagnostics"]).rstrip(".")
    except (ValueError, LookupError, TypeError):
        return outcome.decode(errors="replace")


def _running_state(folder: Path) -> tuple[int, str] | None:
    """Process id and base. A process id alone proves nothing: after a crash another program may have been given it."""
    state = _state(folder)
    return state if state and _alive(state[0]) and _answers(state[1]) else None


def _state(folder: Path) -> tuple[int, str] | None:
    try:
        state = json.loads((folder / STATE).read_text(encoding="utf-8"))
        pid, base = int(state["pid"]), str(state["base"])
    except (OSError, ValueError, LookupError, TypeError):
        return None
    # 0 and negative numbers mean whole groups of processes to kill(2), and 1 is the system's own.
    return (pid, base) if pid > 1 and base.startswith(_LOOPBACK) else None


def _answers(base: str) -> bool:
    """Whether a sandbox of ours answers there."""
    try:
        with _DIRECTLY.open(f"{base}/metadata", timeout=_PATIENCE) as answer:
            return bool(json.load(answer)["software"]["name"] == SOFTWARE)
    except (OSError, ValueError, LookupError, TypeError, http.client.HTTPException):
        return False


def _ended(pid: int) -> bool:
    until = time.monotonic() + _PATIENCE
    while _alive(pid) and time.monotonic() < until:
        time.sleep(0.02)
    return not _alive(pid)


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
