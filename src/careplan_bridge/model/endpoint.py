"""One FHIR server as a site configured it."""

from typing import Literal

from msgspec import Struct

Role = Literal["readings", "plans"]


class Auth(Struct, frozen=True, kw_only=True):
    """How to log in. A token comes from an environment variable or a file, never from the endpoint file itself.

    `next_key_file`, `next_key_id`: while keys are being changed, the key that is used where the server no longer knows the first.
    """

    kind: Literal["none", "token", "backend-services"] = "none"
    token_env: str | None = None
    token_file: str | None = None
    client_id: str | None = None
    key_file: str | None = None
    key_id: str | None = None
    next_key_file: str | None = None
    next_key_id: str | None = None
    algorithm: Literal["RS384", "ES384"] = "RS384"
    token_url: str | None = None
    scopes: tuple[str, ...] = ()


class Limits(Struct, frozen=True, kw_only=True):
    """Times in seconds; `waiting` is the budget for all waits of one request together."""

    page_size: int = 200
    pages: int = 10_000
    in_flight: int = 4
    transaction_size: int = 200
    timeout: float = 30.0
    attempts: int = 4
    waiting: float = 60.0


class Roles(Struct, frozen=True, kw_only=True):
    """Which server does what, where not one does all. Readings are always those of the file that names the roles.

    `plans`: the path, as written, of the endpoint file of the server that plans and decisions are written to; None: the same one.
    `patient_identifier`: the system of an identifier of Patients that both servers keep, by which the Patient there is found.
    """

    plans: str | None = None
    patient_identifier: str | None = None


class Endpoint(Struct, frozen=True, kw_only=True):
    """`base` without a trailing slash. `unsigned` lists what sync may write without a signature (Goal achievement codes, `re-open`).

    `transactions`: declared = as the CapabilityStatement says; never = one request after another even where offered.
    `search`: post keeps the parameters (the patient's id) out of the logs of a server that writes down addresses.
    `test_patient`: a Patient of nobody, on whom `endpoint --probe` may try what the server can do.
    `plans`: ledger = nothing is written here, decisions are entered by hand.
    `record`: the server of `roles.plans`, once its file was read.
    `categories`: where a search without category is refused, this list is searched instead; complete only if `categories_exhaustive`.
    """

    name: str
    base: str
    environment: Literal["sandbox", "production"]
    writes: bool = True
    auth: Auth = Auth()
    limits: Limits = Limits()
    ca_file: str | None = None
    client_certificate: str | None = None
    client_key: str | None = None
    us_core: bool = False
    allow_unguarded: bool = False
    transactions: Literal["declared", "never"] = "declared"
    search: Literal["get", "post"] = "get"
    unsigned: tuple[str, ...] = ()
    categories: tuple[str, ...] = ()
    categories_exhaustive: bool = False
    test_patient: str | None = None
    plans: Literal["server", "ledger"] = "server"
    roles: Roles = Roles()
    record: "Endpoint | None" = None

    @property
    def written(self) -> "Endpoint":
        """Where plans and decisions are written."""
        return self.record or self

    @property
    def apart(self) -> bool:
        """Do readings lie on another server than plans? Then neither's references and ids mean anything on the other."""
        return self.written.base != self.base
