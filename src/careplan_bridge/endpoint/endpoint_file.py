"""An endpoint file (TOML) into an endpoint, or into all of its faults."""

import re
from pathlib import PurePath
from typing import Annotated, ClassVar, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, ConfigDict

from careplan_bridge.errors import Fault
from careplan_bridge.model.endpoint import Auth, Endpoint, Limits, Roles
from careplan_bridge.syntax import toml
from careplan_bridge.syntax.examined import every_fault, without_fault
from careplan_bridge.syntax.nearest import suggestion
from careplan_bridge.syntax.shape import Part, shaped
from careplan_bridge.syntax.spot import Faults, Spot
from careplan_bridge.syntax.toml_values import Flag, Seconds, Whole, Word
from careplan_bridge.syntax.values import fault

UNSIGNED = ("in-progress", "improving", "worsening", "no-change", "re-open")
_LOOPBACK = ("localhost", "127.0.0.1", "::1")
_KEEP_OUT = (
    "a secret never stands in this file; name the environment variable in `token_env`, or a file in `token_file`"
)


def _a_patient(text: str) -> str:
    if not re.fullmatch(r"Patient/[A-Za-z0-9\-.]{1,64}", text):
        raise fault("this is no reference to a Patient", 'write it as "Patient/ID"')
    return text


PatientReference = Annotated[Word, AfterValidator(_a_patient)]


def _a_system(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9+.\-]*:[^\s|]+", text):
        raise fault("this is no system of identifiers", "write the URI that the servers give as `system`")
    return text


SystemAddress = Annotated[Word, AfterValidator(_a_system)]


def _as_written(name: str) -> str:
    return name


class AuthPart(Part):
    model_config = ConfigDict(alias_generator=_as_written)
    unknown_keys: ClassVar = dict.fromkeys(("token", "password", "secret", "client_secret", "key"), _KEEP_OUT)

    kind: Literal["none", "token", "backend-services"] = "none"
    token_env: Word | None = None
    token_file: Word | None = None
    client_id: Word | None = None
    key_file: Word | None = None
    key_id: Word | None = None
    next_key_file: Word | None = None
    next_key_id: Word | None = None
    algorithm: Literal["RS384", "ES384"] = "RS384"
    token_url: Word | None = None
    scopes: tuple[Word, ...] = ()


class LimitsPart(Part):
    """Times in seconds."""

    model_config = ConfigDict(alias_generator=_as_written)

    page_size: Whole | None = None
    pages: Whole | None = None
    in_flight: Whole | None = None
    transaction_size: Whole | None = None
    timeout: Seconds | None = None
    attempts: Whole | None = None
    waiting: Seconds | None = None


class TrustPart(Part):
    model_config = ConfigDict(alias_generator=_as_written)
    unknown_keys: ClassVar = dict.fromkeys(
        ("verify", "insecure", "skip_verify"), "certificates are always checked; name your own authority in `ca_file`"
    )

    ca_file: Word | None = None
    client_certificate: Word | None = None
    client_key: Word | None = None


class RolesPart(Part):
    """Paths are relative to the file that they stand in."""

    model_config = ConfigDict(alias_generator=_as_written)
    unknown_keys: ClassVar = {"readings": "readings are those of the server that this very file is about"}

    plans: Word | None = None
    patient_identifier: SystemAddress | None = None


class EndpointPart(Part):
    """An endpoint file."""

    model_config = ConfigDict(alias_generator=_as_written, title="Endpoint file")
    stand_ins: ClassVar = {"base": "https://example.org/fhir", "environment": "sandbox"}
    unknown_keys: ClassVar = dict.fromkeys(("token", "password"), _KEEP_OUT)

    name: Word | None = None
    base: Word
    environment: Literal["sandbox", "production"]
    writes: Flag | None = None
    us_core: Flag = False
    allow_unguarded: Flag = False
    transactions: Literal["declared", "never"] = "declared"
    search: Literal["get", "post"] = "get"
    unsigned: tuple[Word, ...] = ()
    categories: tuple[Word, ...] = ()
    categories_exhaustive: Flag = False
    test_patient: PatientReference | None = None
    plans: Literal["server", "ledger"] = "server"
    auth: AuthPart = AuthPart()
    limits: LimitsPart = LimitsPart()
    trust: TrustPart = TrustPart()
    roles: RolesPart = RolesPart()


def read_endpoint(data: bytes, name: str) -> Endpoint:
    """The endpoint that a file describes; `name` stands in the faults, its stem is the endpoint's name where none is given.

    Raises:
        FileRefused: with every fault of the file.
    """
    return without_fault(*_examined(data, name))


def check_endpoint(data: bytes, name: str) -> tuple[Fault, ...]:
    """Every fault and warning of an endpoint file, in the order of the file."""
    return every_fault(lambda: _examined(data, name))


def _examined(data: bytes, name: str) -> tuple[Endpoint | None, Faults]:
    tree, faults = toml.read(data, name)
    part, tree = shaped(EndpointPart, tree, faults)
    if part is None:
        return None, faults
    spot = Spot(tree, faults)
    _check_base(part, spot)
    _check_auth(part, spot["auth"])
    _check_trust(part, spot["trust"])
    _check_writes(part, spot)
    _check_unsigned(part, spot["unsigned"])
    _check_categories(part, spot)
    _check_roles(part, spot)
    return _endpoint(part, name), faults


def _endpoint(part: EndpointPart, name: str) -> Endpoint:
    return Endpoint(
        name=part.name or PurePath(name).stem or "endpoint",
        base=part.base.rstrip("/"),
        environment=part.environment,
        writes=part.environment == "sandbox" if part.writes is None else part.writes,
        auth=Auth(**part.auth.model_dump()),
        limits=_limits(part.limits),
        ca_file=part.trust.ca_file,
        client_certificate=part.trust.client_certificate,
        client_key=part.trust.client_key,
        us_core=part.us_core,
        allow_unguarded=part.allow_unguarded,
        transactions=part.transactions,
        search=part.search,
        unsigned=part.unsigned,
        categories=part.categories,
        categories_exhaustive=part.categories_exhaustive,
        test_patient=part.test_patient,
        plans=part.plans,
        roles=Roles(**part.roles.model_dump()),
    )


def _limits(part: LimitsPart) -> Limits:
    return Limits(**part.model_dump(exclude_none=True))


def _check_base(part: EndpointPart, spot: Spot) -> None:
    try:
        address = urlsplit(part.base)
        host, _ = address.hostname, address.port
    except ValueError:
        address, host = urlsplit(""), None
    at = spot["base"]
    if address.scheme not in ("http", "https") or not host or any(sign.isspace() for sign in part.base):
        at.wrong("this is no address of a server", "write it as https://host/path")
        return
    if address.query or address.fragment or address.username is not None:
        at.wrong("the address holds a query, a fragment or a login", "write scheme, host and path only")
    if address.scheme == "http" and host not in _LOOPBACK:
        _check_unencrypted(part, at)


def _check_unencrypted(part: EndpointPart, at: Spot) -> None:
    if part.environment == "production" or part.auth.kind != "none":
        at.wrong("http would send health data or a token in the clear", "write https")
    else:
        at.warn("http sends everything in the clear", "write https, unless nothing on this server is real")


_NEEDED: dict[str, tuple[str, ...]] = {"backend-services": ("client_id", "key_file")}
_BELONGS = {
    "none": (),
    "token": ("token_env", "token_file"),
    "backend-services": (
        "client_id",
        "key_file",
        "key_id",
        "next_key_file",
        "next_key_id",
        "algorithm",
        "token_url",
        "scopes",
    ),
}


def _check_auth(part: EndpointPart, spot: Spot) -> None:
    kind = part.auth.kind
    for key in _NEEDED.get(kind, ()):
        if not spot.has(key):
            spot.lacks(f"`{kind}` needs `{key}`", f"add `{key}`")
    if kind == "token" and spot.has("token_env") == spot.has("token_file"):
        spot.lacks(
            "`token` needs one of `token_env` and `token_file`",
            "name the environment variable or the file that holds it",
        )
    for key in sorted({key for keys in _BELONGS.values() for key in keys} - set(_BELONGS[kind])):
        if spot.has(key):
            spot[key].wrong_key(f'`{key}` says nothing for `kind = "{kind}"`', "take it out, or set `kind`")
    if part.auth.token_url is not None and not part.auth.token_url.startswith(
        ("https://", "http://127.0.0.1", "http://localhost")
    ):
        spot["token_url"].wrong("a login must go over https", "write https")


def _check_trust(part: EndpointPart, spot: Spot) -> None:
    if (part.trust.client_certificate is None) != (part.trust.client_key is None):
        spot.lacks(
            "`client_certificate` and `client_key` belong together", "name both, or take the one out that is there"
        )


def _check_writes(part: EndpointPart, spot: Spot) -> None:
    if part.environment == "production" and part.writes is None:
        spot.warn("nothing will be written to this production server", "add `writes = true` when it may be")
    if part.unsigned and part.writes is False:
        spot["unsigned"].warn(
            "`unsigned` has no effect where nothing is written", "set `writes = true`, or take it out"
        )


def _check_unsigned(part: EndpointPart, spot: Spot) -> None:
    for index, word in enumerate(part.unsigned):
        if word not in UNSIGNED:
            signed = word in ("achieved", "completed", "active", "cancelled")
            mend = "this is written on a signed decision only; take it out" if signed else suggestion(word, UNSIGNED)
            spot[index].wrong(f"`{word}` cannot be written unsigned", mend)


def _check_categories(part: EndpointPart, spot: Spot) -> None:
    if part.categories_exhaustive and not part.categories:
        spot["categories_exhaustive"].wrong_key("`categories_exhaustive` without `categories`", "list the categories")
    for index, word in enumerate(part.categories):
        if word in part.categories[:index]:
            spot["categories"][index].wrong(f"`{word}` stands here twice", "take it out")


# What is said of writing holds for the server that is written to, so it stands in that one's file.
_OF_WRITING = ("unsigned", "us_core", "allow_unguarded", "transactions")


def _check_roles(part: EndpointPart, spot: Spot) -> None:
    if part.roles.plans is None:
        if part.roles.patient_identifier is not None:
            spot["roles"]["patient_identifier"].wrong_key(
                "`patient_identifier` finds a Patient on another server, and none is named",
                "name that server's endpoint file as `plans`, or take this out",
            )
        return
    if part.plans == "ledger":
        spot["plans"].wrong(
            '`plans = "ledger"` and a server for plans in `[roles]` contradict each other', "take one of the two out"
        )
    for key in _OF_WRITING:
        if spot.has(key):
            spot[key].warn(
                f"`{key}` has no effect here, as plans are written to another server", f"move it to {part.roles.plans}"
            )
