"""The FHIR part of sekmet-fhir on loopback, in memory: run by the Python of the environment that has it, never imported.

Prints its base once it can be connected to; ends when its standard input does.
"""

import logging
import os
import socket
import sys
import tempfile
import threading

import uvicorn
from fastapi import FastAPI
from sekmet.config import Settings
from sekmet.context import AppContext
from sekmet.fhir.router import build_router


def main() -> None:
    logging.disable(logging.CRITICAL)
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    listening.listen(64)
    base = f"http://127.0.0.1:{listening.getsockname()[1]}/fhir"
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(base_url=base, host="127.0.0.1", data_dir=folder, log_inbound=False)
        settings.simulator.enabled = False
        context = AppContext(settings)
        app = FastAPI()
        app.state.ctx = context
        app.include_router(build_router(lambda: context))
        server = uvicorn.Server(uvicorn.Config(app, log_level="critical"))
        threading.Thread(target=_end_with_input, args=(server,), daemon=True).start()
        print(base, flush=True)
        server.run(sockets=[listening])


def _end_with_input(server: uvicorn.Server) -> None:
    sys.stdin.read()
    server.should_exit = True


if __name__ == "__main__":
    os.environ.pop("SEKMET_CONFIG", None)
    main()
