"""Reads a token or a key that an endpoint file points to."""

import os
import stat
from pathlib import Path

from careplan_bridge.errors import WrongUse

LARGEST = 64 * 1024
_OTHERS = stat.S_IRWXG | stat.S_IRWXO


def read_secret(path: str) -> bytes:
    """The contents. Raises WrongUse where the file is missing, too large, or open to others than its owner.

    The mode is asked of the opened file, so that it cannot be exchanged in between.
    """
    try:
        with Path(path).expanduser().open("rb") as secret:
            mode = os.fstat(secret.fileno()).st_mode
            data = secret.read(LARGEST + 1)
    except OSError as error:
        why = error.strerror or type(error).__name__
    else:
        return _guarded(path, mode, data)
    raise WrongUse(f"{path}: the secret file cannot be read ({why}); check its name and owner")


def _guarded(path: str, mode: int, data: bytes) -> bytes:
    # Windows has no such modes; what it reports says nothing about who may read.
    if os.name == "posix" and mode & _OTHERS:
        raise WrongUse(f"{path}: others than its owner may read this secret; `chmod 600` it")
    if len(data) > LARGEST:
        raise WrongUse(f"{path}: this is too large for a token or a key; check `[auth]` in the endpoint file")
    return data
