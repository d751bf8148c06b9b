"""How requests to an endpoint are authorised: not at all, by a fixed token, or by SMART Backend Services.

Secrets come from the environment or from a file outside the endpoint file; they are kept in memory only and appear in
no message (I6). A login gives the value of the Authorization header; who may receive it is the client's business.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Protocol
from uuid import uuid4

from careplan_bridge.endpoint.origin import encrypted_or_local
from careplan_bridge.endpoint.outcomes import LoginFailed
from careplan_bridge.endpoint.scopes import missing_scopes
from careplan_bridge.errors import LoginRefused, WrongUse
from careplan_bridge.model.endpoint import Auth

ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
# SMART: an assertion is valid for five minutes at most; clocks differ by seconds.
ASSERTION_LIFE = timedelta(minutes=4)
# A token must still be valid when the request arrives.
MARGIN = timedelta(seconds=30)
# SMART asks for 300 seconds or less; this is used where the server does not say.
DEFAULT_LIFE = 300
LONGEST_LIFE = 86_400

Secret = Callable[[str], bytes]
"""The contents of a secret file, refused if others than its owner may read it."""

Post = Callable[[str, Callable[[], Mapping[str, str]]], Mapping[str, Any]]
"""Posts a form, made anew for every try, and gives the JSON answer; raises LoginRefused or EndpointDown."""

Discover = Callable[[], Mapping[str, Any]]
"""The endpoint's SMART configuration document."""


class Login(Protocol):
    def header(self) -> str | None:
        """The value for Authorization, or None; may ask the token endpoint."""
        ...

    def renew(self) -> bool:
        """The server did not accept the last token: forget it. False where no other is to be had."""
        ...


class NoLogin:
    def header(self) -> None:
        return None

    def renew(self) -> bool:
        return False


@dataclass(frozen=True, slots=True)
class FixedToken:
    token: str = field(repr=False)

    def header(self) -> str:
        return f"Bearer {self.token}"

    def renew(self) -> bool:
        return False


@dataclass(frozen=True, slots=True)
class SigningKey:
    """A private key in PEM form, and the name under which its public half is registered."""

    key_id: str | None
    pem: bytes = field(repr=False)


@dataclass(slots=True)
class BackendServices:
    """SMART App Launch 2.2, backend services with an asymmetric key. The token is kept until shortly before it ends.

    `granted_less` names the scopes that were asked for and not granted: what they allow will be refused later. Of several
    `keys` the first is used until the server no longer knows it, as happens while keys are being changed.
    """

    auth: Auth
    keys: list[SigningKey]
    clock: Callable[[], datetime] = field(repr=False)
    post: Post = field(repr=False)
    discover: Discover = field(repr=False)
    granted_less: tuple[str, ...] = ()
    _token: str | None = field(default=None, repr=False)
    _until: datetime | None = None
    _url: str | None = None

    def header(self) -> str:
        if self._token is None or self._until is None or self.clock() >= self._until:
            self._fetch()
        return f"Bearer {self._token}"

    def renew(self) -> bool:
        self._token = None
        return True

    def _fetch(self) -> None:
        answer = self._asked()
        token = answer.get("access_token")
        # RFC 6750: other characters would allow another header to be smuggled in.
        if not isinstance(token, str) or not re.fullmatch(r"[A-Za-z0-9\-._~+/]+=*", token):
            raise LoginRefused("the token endpoint answered without a usable access token; ask its administrator")
        self._token, self._until = token, self.clock() + _life(answer) - MARGIN
        self.granted_less = missing_scopes(self.auth.scopes, answer.get("scope"))

    def _asked(self) -> Mapping[str, Any]:
        while len(self.keys) > 1:
            try:
                return self.post(self._token_url(), self._form)
            except LoginFailed as failed:
                if UNKNOWN_CLIENT not in {issue.code for issue in failed.issues}:
                    raise
                del self.keys[0]
        return self.post(self._token_url(), self._form)

    def _form(self) -> dict[str, str]:
        return {
            "grant_type": "client_credentials",
            "scope": " ".join(self.auth.scopes),
            "client_assertion_type": ASSERTION_TYPE,
            "client_assertion": self._signed(self._claims()),
        }

    def _claims(self) -> dict[str, Any]:
        """Who we are; with a new `jti` every time, as a server refuses one it has seen."""
        expires = int((self.clock() + ASSERTION_LIFE).timestamp())
        client = self.auth.client_id
        return {"iss": client, "sub": client, "aud": self._token_url(), "exp": expires, "jti": str(uuid4())}

    def _signed(self, claims: dict[str, Any]) -> str:
        import jwt  # noqa: PLC0415 - brings in cryptography, which no other login needs

        key = self.keys[0]
        headers = {"kid": key.key_id} if key.key_id else None
        try:
            return jwt.encode(claims, key.pem, algorithm=self.auth.algorithm, headers=headers)
        except (ValueError, TypeError, jwt.PyJWTError):
            pass
        raise WrongUse(f"`key_file` does not hold a private key in PEM form that {self.auth.algorithm} can sign with")

    def _token_url(self) -> str:
        if self._url is None:
            self._url = self.auth.token_url or _discovered(self.discover())
        return self._url


# RFC 6749, 5.2 and RFC 7523: what a token endpoint says in one word, and what mends it.
UNKNOWN_CLIENT = "invalid_client"
_REFUSALS: Mapping[str, str] = {
    UNKNOWN_CLIENT: "does not know this client by this key: check `client_id`, `key_id` and that the public half of"
    " `key_file` is the one registered there (after a change of keys, the new one)",
    "unauthorized_client": "does not let this client log in as a backend service; ask its administrator",
    "invalid_scope": "does not grant these scopes; compare `scopes` with what was registered",
    "invalid_grant": "does not accept the assertion; check that this machine's clock is right and that `token_url` is"
    " the address that the server knows itself by",
    "invalid_request": "cannot read the login; check that it offers SMART Backend Services",
    "unsupported_grant_type": "does not offer SMART Backend Services (client_credentials)",
}
_NOT_FOUND = "the endpoint names no token endpoint (SMART configuration); set `token_url` in the endpoint file"


def refused_login(says: str, words: Iterable[str], *, found: bool) -> str:
    """A refusal by the token endpoint in a sentence; `found` is false where already its address was asked for in vain."""
    if not found:
        return f"{says}. {_NOT_FOUND[0].upper()}{_NOT_FOUND[1:]}"
    word = next((word for word in words if word in _REFUSALS), "")
    return f"log in: the token endpoint {_REFUSALS[word]} ({word})" if word else says


def _life(answer: Mapping[str, Any]) -> timedelta:
    seconds = answer.get("expires_in")
    return timedelta(seconds=seconds if isinstance(seconds, int) and 0 < seconds < LONGEST_LIFE else DEFAULT_LIFE)


def _discovered(configuration: Mapping[str, Any]) -> str:
    url = configuration.get("token_endpoint")
    if isinstance(url, str) and encrypted_or_local(url):
        return url
    raise LoginRefused(
        "the endpoint's SMART configuration names no usable token endpoint; set `token_url` in the endpoint file"
    )


def fixed_token(auth: Auth, environ: Mapping[str, str], secret: Secret) -> FixedToken:
    """The token from the environment variable or the file that the endpoint file names. Raises WrongUse."""
    token = environ.get(auth.token_env or "", "") or (
        secret(auth.token_file).decode(errors="replace") if auth.token_file else ""
    )
    if not re.fullmatch(r"[\x21-\x7e]+", token.strip()):
        raise WrongUse(f"there is no token in {_where(auth)}; put it there before the run")
    return FixedToken(token.strip())


def _where(auth: Auth) -> str:
    places: Sequence[str] = [f"the environment variable {auth.token_env}"] if auth.token_env else []
    return " or ".join([*places, *(["the file that `token_file` names"] if auth.token_file else [])]) or "`[auth]`"
