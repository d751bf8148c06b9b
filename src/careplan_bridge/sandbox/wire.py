"""Answers as bytes on the connection, the broken ones too."""

import asyncio
from typing import Any

from starlette.responses import Response

from careplan_bridge.sandbox.exchange import Answer

FHIR_JSON = "application/fhir+json; charset=utf-8"
_BETWEEN_DROPS = 0.001


def response(answer: Answer) -> Response:
    stated = {"Content-Type": FHIR_JSON} if answer.resource is not None else {}
    whole = Response(answer.body, answer.status, {**stated, **answer.headers})
    return _Broken(whole, answer) if answer.cut_at is not None or answer.drops > 1 else whole


class NoAnswer(Response):
    """Closes the connection without a byte.

    uvicorn closes the transport when an application fails after it has begun its response; a header that HTTP does
    not allow makes it fail before anything is sent.
    """

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:  # noqa: ARG002 - ASGI's signature
        await send({"type": "http.response.start", "status": 200, "headers": [(b"not\nallowed", b"")]})


class _Broken(Response):
    """A body in drops, or cut off: uvicorn closes the connection where less comes than Content-Length promised."""

    def __init__(self, whole: Response, answer: Answer) -> None:
        super().__init__(whole.body, whole.status_code)
        self.raw_headers = whole.raw_headers
        self._sent = answer.body[: answer.cut_at]
        self._drops = answer.drops

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:  # noqa: ARG002 - ASGI's signature
        await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
        size = len(self._sent) // self._drops + 1
        for begin in range(0, len(self._sent), size):
            await send({"type": "http.response.body", "body": self._sent[begin : begin + size], "more_body": True})
            await asyncio.sleep(_BETWEEN_DROPS if self._drops > 1 else 0)
        await send({"type": "http.response.body", "body": b"", "more_body": False})
