"""Processes that start with everything loaded: forked from one that has done nothing else."""

import multiprocessing
import os
from multiprocessing import forkserver
from multiprocessing.context import ForkServerContext
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PRELOADED = ["tests.faults.loaded"]


def forked() -> ForkServerContext:
    """The context for such processes. There is one server for them in a test run, whoever asks first."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOADED)
    with pytest.MonkeyPatch.context() as patch:
        # The server imports with its own path, and says nothing where it finds nothing.
        patch.setenv("PYTHONPATH", os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]))
        forkserver.ensure_running()
    return context
