"""Servers that want a token, and what goes wrong on the way to one.

The token endpoint stands at `token` under the base and is found by the SMART configuration. It is a rehearsal: an assertion
is taken apart, not verified, as there is no register of clients.
"""

import base64
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qs

from careplan_bridge.sandbox.exchange import Answer, Asked, Handler, Misbehaviour
from careplan_bridge.sandbox.misbehaviours.answers import HTML, instead
from careplan_bridge.sandbox.misbehaviours.kind import Kind
from careplan_bridge.sandbox.misbehaviours.requests import TOKEN, WELL_KNOWN, anything, is_write
from careplan_bridge.sandbox.outcome import Issue, operation_outcome

_UNAUTHORISED = Answer(401, operation_outcome([Issue("login", "a valid token is needed")]))
_FORBIDDEN = Answer(403, operation_outcome([Issue("forbidden", "the scope does not allow this")]))
_READING_ONLY = "system/Patient.rs system/Observation.rs"


@dataclass
class Guard:
    """A server that wants a token from its own token endpoint; each kind below is one of these with a fault.

    uses: how often each token is accepted. life: `expires_in`. scopes: what is granted, where not what was asked for.
    """

    uses: int = 1_000_000
    life: int | None = 300
    scopes: str | None = None
    lost_first: bool = False
    answer: Answer | None = None
    refused_keys: tuple[str, ...] = ()
    configured: bool = True
    _given: dict[str, int] = field(default_factory=dict[str, int])
    _seen: set[str] = field(default_factory=set[str])

    def __call__(self, asked: Asked, handler: Handler) -> Answer:
        if asked.path[:1] == (WELL_KNOWN,):
            return self._configuration(asked, handler)
        if asked.path == (TOKEN,):
            return self._token(asked)
        if anything(asked) and not self._lets_in(asked):
            return _UNAUTHORISED
        return _FORBIDDEN if is_write(asked) and self.scopes == _READING_ONLY else handler(asked)

    def _configuration(self, asked: Asked, handler: Handler) -> Answer:
        if not self.configured:
            return handler(asked)
        return Answer(200, {"token_endpoint": f"{asked.base}/{TOKEN}", "grant_types_supported": ["client_credentials"]})

    def _lets_in(self, asked: Asked) -> bool:
        token = (asked.header("authorization") or "").removeprefix("Bearer ")
        left = self._given.get(token, 0)
        self._given[token] = left - 1
        return left > 0

    def _token(self, asked: Asked) -> Answer:
        form = {name: values[0] for name, values in parse_qs(asked.body.decode()).items()}
        header, claims = (_part(form.get("client_assertion", ""), number) for number in (0, 1))
        seen, self._seen = claims.get("jti") in self._seen, self._seen | {claims.get("jti", "")}
        if header.get("kid") in self.refused_keys or seen:
            return Answer(400, {"error": "invalid_client"})
        if self.lost_first:
            self.lost_first = False
            return instead(503, "transient")(asked, lambda _: Answer(500))
        return self.answer or self._granted(form)

    def _granted(self, form: dict[str, str]) -> Answer:
        token = f"rehearsal-{len(self._given) + 1}"
        self._given[token] = self.uses
        lives = {} if self.life is None else {"expires_in": self.life}
        scope = form.get("scope", "") if self.scopes is None else self.scopes
        return Answer(200, {"access_token": token, "token_type": "bearer", "scope": scope, **lives})


def _part(assertion: str, number: int) -> dict[str, Any]:
    parts = assertion.split(".")
    try:
        return json.loads(base64.urlsafe_b64decode(parts[number] + "=="))
    except (ValueError, IndexError):
        return {}


def _guarded(**facts: Any) -> Callable[[], Misbehaviour]:
    return lambda: Guard(**facts)


_HTML = Answer(200, headers={"Content-Type": "text/html"}, text=HTML)

KINDS = (
    Kind("login-needed", "A server that wants a token of SMART Backend Services.", _guarded()),
    Kind("login-expires-in-mid-run", "Tokens that are no longer accepted after three requests.", _guarded(uses=3)),
    Kind("login-short", "Tokens that live for one second.", _guarded(life=1)),
    Kind("login-life-unsaid", "Tokens that do not say how long they live.", _guarded(life=None)),
    Kind("login-never-accepted", "Tokens that the server then does not accept.", _guarded(uses=0)),
    Kind("login-scopes-narrower", "A login that is granted less than it asked for.", _guarded(scopes=_READING_ONLY)),
    Kind("login-key-rotated", "A key that the server no longer knows by its kid.", _guarded(refused_keys=("k1",))),
    Kind(
        "login-assertion-once",
        "A token endpoint that fails once and takes no assertion twice.",
        _guarded(lost_first=True),
    ),
    Kind("login-down", "A token endpoint that is not available.", _guarded(answer=Answer(503))),
    Kind(
        "login-refused", "A client that is not registered.", _guarded(answer=Answer(401, {"error": "invalid_client"}))
    ),
    Kind("login-html", "A token endpoint that answers with a sign-in page.", _guarded(answer=_HTML)),
    Kind(
        "login-token-missing",
        "A token endpoint that answers without a token.",
        _guarded(answer=Answer(200, {"token_type": "bearer"})),
    ),
    Kind("login-unconfigured", "A server without a SMART configuration.", _guarded(configured=False)),
)
