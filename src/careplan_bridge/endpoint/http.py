"""HTTP with one endpoint: the only module that imports httpx (I2).

What every request keeps to: only the configured origin is asked, and only it gets the token; TLS is checked; no URL,
identifier or body reaches a log line or a message (I6), only method, type and status; a write is never repeated when its
answer was lost.
"""

import logging
import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from importlib.metadata import version
from time import monotonic
from typing import Any, Self, TypeVar
from urllib.parse import quote, urlencode, urljoin
from uuid import uuid4

import httpx

from careplan_bridge.endpoint.asking import Ask, Reply
from careplan_bridge.endpoint.bodies import decoded
from careplan_bridge.endpoint.breaker import Breaker
from careplan_bridge.endpoint.issues import Issue, issues_of
from careplan_bridge.endpoint.login import (
    BackendServices,
    Login,
    NoLogin,
    Secret,
    SigningKey,
    fixed_token,
    refused_login,
)
from careplan_bridge.endpoint.origin import Origin, encrypted_or_local, is_loopback, origin, same_origin
from careplan_bridge.endpoint.outcomes import Action, LoginFailed, Refused, Trouble, error_for, outcome_of
from careplan_bridge.endpoint.patience import Patience, retry_after
from careplan_bridge.endpoint.trust import about_certificate, trust
from careplan_bridge.endpoint.unlogged import urls_unlogged
from careplan_bridge.errors import BridgeError, LoginRefused, WrongUse
from careplan_bridge.model.endpoint import Endpoint

FHIR_JSON = "application/fhir+json"
# HAPI answers a search that it was asked in the last minute from memory: what came since would not be seen, neither a
# reading before a signature nor our own write after a lost answer.
FRESH = {"Cache-Control": "no-cache"}
FORM = "application/x-www-form-urlencoded"
REDIRECTS = 5
CONNECT_SECONDS = 10.0
# Shorter than what servers keep: a write on a connection that the server is just closing has no known outcome.
KEEP_ALIVE_SECONDS = 2.0
# An answer must be whole within so many times the timeout, which is one of silence alone.
SLOWEST = 4
# A page of 1,000 Observations has about 1 MB; the largest CapabilityStatement seen has 1.5 MB.
LARGEST_BODY = 48 * 1024 * 1024
FORBIDDEN = 403

Params = Sequence[tuple[str, str]]
T = TypeVar("T")

_NEVER_SENT = (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout, httpx.ProxyError, httpx.UnsupportedProtocol)

log = logging.getLogger(__name__)


class Client:
    """One endpoint, as a context manager.

    `wait` sleeps for some seconds; `clock` gives the moment, for Retry-After and for how long a token lives; `secret`
    reads a secret file; `jitter` gives numbers from 0 to 1.
    """

    def __init__(
        self,
        endpoint: Endpoint,
        *,
        environ: Mapping[str, str],
        wait: Callable[[float], None],
        clock: Callable[[], datetime],
        secret: Secret | None = None,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        _check(endpoint)
        self.endpoint = endpoint
        self.base = endpoint.base.rstrip("/")
        self._wait, self._clock, self._jitter = wait, clock, jitter
        self._login = self._logged_in(environ, secret or _no_secrets)
        self._http = _http(endpoint, secret or _no_secrets)
        self._breaker = Breaker(clock)
        self._known: dict[str, Any] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._http.close()

    def get(self, path: str, params: Params = (), *, what: str, prefer: str = "") -> Reply:
        """Read `base/path?params`. Raises Refused, LoginRefused, EndpointDown."""
        query = f"?{encoded(params)}" if params else ""
        return self.follow(f"{self.base}/{path}{query}", what=what, prefer=prefer)

    def follow(self, url: str, *, what: str, prefer: str = "") -> Reply:
        """Read an absolute URL that the server gave, byte for byte; refused on any other origin than the configured one."""
        self._same_origin(url, what)
        return self._settled(Ask(method="GET", url=url, what=f"GET {what}", headers=_prefer(prefer)))

    def search_by_post(self, path: str, params: Params, *, what: str, prefer: str = "") -> Reply:
        """Search with the parameters in the body, where a server or what lies before it writes URLs to its logs."""
        headers = {"Content-Type": FORM} | _prefer(prefer)
        body = encoded(params).encode()
        ask = Ask(
            method="POST", url=f"{self.base}/{path}/_search", what=f"search {what}", body=lambda: body, headers=headers
        )
        return self._settled(ask)

    def write(self, method: str, path: str, body: bytes, *, what: str, headers: Mapping[str, str]) -> Reply:
        """Send a change; only endpoint/send.py calls this (I5). Raises as get does, and AnswerLost, Stale."""
        if not self.endpoint.writes:
            raise WrongUse(
                f"the endpoint file of {self.endpoint.name} does not allow writing; it needs `writes = true`"
            )
        url = f"{self.base}/{path}" if path else self.base
        sent = {"Content-Type": FHIR_JSON, **headers}
        return self._settled(
            Ask(method=method, url=url, what=f"{method} {what}", body=lambda: body, headers=sent, writes=True)
        )

    def once(self, key: str, make: Callable[[], T]) -> T:
        """What `make` gives, kept for as long as this client lives."""
        if key not in self._known:
            self._known[key] = make()
        return self._known[key]

    @property
    def granted_less(self) -> tuple[str, ...]:
        """Scopes that were asked for and not granted, once logged in."""
        return self._login.granted_less if isinstance(self._login, BackendServices) else ()

    def _settled(self, ask: Ask) -> Reply:
        """Ask until there is an answer, or a reason to stop."""
        self._breaker.refuse_while_resting(ask.what)
        patience = Patience(self.endpoint.limits, self._wait, self._jitter)
        relogin, hops = ask.login, 0
        while True:
            result = self._once(ask)
            action = outcome_of(_status(result)).action(writes=ask.writes)
            if isinstance(result, Reply) and action is Action.TAKE:
                self._breaker.note(result.status)
                return result
            if action is Action.FOLLOW and hops < REDIRECTS and (url := self._elsewhere(ask, result)):
                ask, hops = replace(ask, url=url), hops + 1
            elif action is Action.LOGIN and relogin and self._login.renew():
                relogin = False  # a second refusal is not about the token's age
            elif action is not Action.AGAIN or not patience.again(self._asked_wait(result)):
                self._breaker.note(_status(result))
                raise self._error(ask, result)

    def _error(self, ask: Ask, result: Reply | Trouble) -> BridgeError:
        status, less = _status(result), self.granted_less
        because = f"The login was granted less than asked for: {', '.join(less)} is missing" if less else ""
        also = because if status == FORBIDDEN else ""
        return error_for(ask.what, status, writes=ask.writes, issues=_issues(result), also=also)

    def _once(self, ask: Ask) -> Reply | Trouble:
        request_id = str(uuid4())
        request = self.request(ask, request_id)
        with urls_unlogged():
            result = _sent(self._http, request, ask, monotonic() + SLOWEST * self.endpoint.limits.timeout)
        facts = {"event": "request", "what": ask.what, "status": str(_status(result)), "request": request_id}
        log.debug("%s: %s, request %s", ask.what, _status(result), request_id, extra=facts)
        return result

    def request(self, ask: Ask, request_id: str) -> httpx.Request:
        """The request as it goes out, with the token if it goes to the configured origin."""
        headers = {"Accept": FHIR_JSON, "X-Request-Id": request_id, **FRESH, **ask.headers}
        # httpx would send a default header to whatever host a link names.
        if ask.login and same_origin(ask.url, self.base) and (authorization := self._login.header()):
            headers["Authorization"] = authorization
        content = ask.body() if ask.body else None
        return self._http.build_request(
            ask.method, ask.url, headers=headers, content=content, extensions=_verbatim(ask.url)
        )

    def _elsewhere(self, ask: Ask, result: Reply | Trouble) -> str:
        """Where a redirected read goes on, on the same origin; empty where it cannot."""
        location = "" if isinstance(result, Trouble) else result.headers.get("location", "")
        # A search by POST would become another question on the way.
        if ask.method != "GET" or not location:
            return ""
        url = urljoin(ask.url, location)
        self._same_origin(url, ask.what)
        return url

    def _same_origin(self, url: str, what: str) -> None:
        same = same_origin(url, self.base)
        if not (same and _is_readable(url)):
            raise Refused(
                f"{what}: the server points to {_named(None if same else origin(url))}, which is not an address at the origin of"
                " `base`; it was not followed. If it is the same server, set `base` to the address it knows itself by"
            )

    def _asked_wait(self, result: Reply | Trouble) -> float | None:
        return None if isinstance(result, Trouble) else retry_after(result.headers.get("retry-after"), self._clock())

    def _logged_in(self, environ: Mapping[str, str], secret: Secret) -> Login:
        auth = self.endpoint.auth
        if auth.kind == "none":
            return NoLogin()
        if auth.kind == "token":
            return fixed_token(auth, environ, secret)
        if not auth.client_id or not auth.key_file:
            raise WrongUse("`[auth]` with kind backend-services needs `client_id` and `key_file`")
        keys = [SigningKey(auth.key_id, secret(auth.key_file))]
        keys += [SigningKey(auth.next_key_id, secret(auth.next_key_file))] if auth.next_key_file else []
        return BackendServices(auth, keys, self._clock, self._post_form, self._discover)

    def _post_form(self, url: str, form: Callable[[], Mapping[str, str]]) -> Mapping[str, Any]:
        if not encrypted_or_local(url):
            raise WrongUse("`token_url` must be https: what proves who we are would be readable on the way")
        headers = {"Content-Type": FORM, "Accept": "application/json"}
        body = lambda: urlencode(form()).encode()  # noqa: E731
        return self._unauthorised(Ask(method="POST", url=url, what="log in", body=body, headers=headers, login=False))

    def _discover(self) -> Mapping[str, Any]:
        url = f"{self.base}/.well-known/smart-configuration"
        headers = {"Accept": "application/json"}
        return self._unauthorised(Ask(method="GET", url=url, what="find the login", headers=headers, login=False))

    def _unauthorised(self, ask: Ask) -> Mapping[str, Any]:
        """An answer on the way to a token; a refusal here is one of the login."""
        try:
            content = self._settled(ask).content()
        except (Refused, LoginFailed) as refused:
            says = refused_login(str(refused), (issue.code for issue in refused.issues), found=ask.body is not None)
            failed = LoginFailed(says, status=refused.status, issues=refused.issues)
        else:
            if content is not None:
                return content
            failed = LoginRefused(f"{ask.what}: the answer is not JSON; check `token_url` in the endpoint file")
        raise failed


def encoded(params: Params) -> str:
    """A query in which +, |, comma and colon are safe: a + in a time zone would reach the server as a space."""
    return urlencode(params, quote_via=quote, safe="")


def _check(endpoint: Endpoint) -> None:
    if origin(endpoint.base) is None:
        raise WrongUse("`base` is not an http or https address")
    if endpoint.auth.kind != "none" and not encrypted_or_local(endpoint.base):
        raise WrongUse("`base` must be https where a login is used: a token would be readable on the way")


def _no_secrets(_: str) -> bytes:
    raise WrongUse("the endpoint file names a secret file, and this program was given no way to read it")


def _http(endpoint: Endpoint, secret: Secret) -> httpx.Client:
    place = origin(endpoint.base)
    return httpx.Client(
        verify=trust(endpoint, secret),
        timeout=httpx.Timeout(endpoint.limits.timeout, connect=min(CONNECT_SECONDS, endpoint.limits.timeout)),
        limits=httpx.Limits(max_connections=endpoint.limits.in_flight, keepalive_expiry=KEEP_ALIVE_SECONDS),
        follow_redirects=False,
        headers={"User-Agent": f"careplan-bridge/{version('careplan-bridge')}"},
        # A site's proxy is honoured; what stays on this machine never goes through it.
        trust_env=not (place and is_loopback(place[1])),
    )


def _prefer(value: str) -> dict[str, str]:
    return {"Prefer": value} if value else {}


def _named(place: Origin | None) -> str:
    return f"{place[0]}://{place[1]}:{place[2]}" if place else "something that cannot be read"


def _is_readable(url: str) -> bool:
    try:
        httpx.URL(url)
    except httpx.InvalidURL:
        return False
    return True


def _verbatim(url: str) -> dict[str, bytes]:
    """Keep httpx from re-encoding a link: servers sign their page links, or compare them byte for byte."""
    target = "/" + url.partition("://")[2].partition("/")[2]
    if httpx.URL(url).raw_path == target.encode() or not target.isascii() or not target.isprintable() or "#" in target:
        return {}
    return {"target": target.encode()}


def _sent(http: httpx.Client, request: httpx.Request, ask: Ask, until: float) -> Reply | Trouble:
    """The exceptions of httpx hold the URL: none leaves this function, neither raised nor as a cause."""
    try:
        response = http.send(request, stream=True)
        try:
            body = _read(response, until)
        finally:
            response.close()
    except _NEVER_SENT as error:
        return Trouble.UNTRUSTED if about_certificate(error) else Trouble.NEVER_SENT
    except httpx.RequestError:
        return Trouble.NO_ANSWER
    headers = {name.lower(): value for name, value in response.headers.items()}
    return body if isinstance(body, Trouble) else Reply(response.status_code, headers, body, str(request.url), ask)


def _read(response: httpx.Response, until: float) -> bytes | Trouble:
    """The whole body. The timeout of httpx is one of silence: an answer in drops would never end, a huge one fill the memory."""
    parts: list[bytes] = []
    size = 0
    for part in response.iter_bytes():
        parts.append(part)
        size += len(part)
        if size > LARGEST_BODY:
            return Trouble.TOO_LARGE
        if monotonic() > until:
            return Trouble.NO_ANSWER
    return b"".join(parts)


def _status(result: Reply | Trouble) -> int | Trouble:
    return result if isinstance(result, Trouble) else result.status


def _issues(result: Reply | Trouble) -> tuple[Issue, ...]:
    return () if isinstance(result, Trouble) else issues_of(decoded(result.body))
