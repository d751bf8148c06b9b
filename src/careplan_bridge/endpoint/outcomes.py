"""What each answer of a server, or its absence, means: one table, and the errors it leads to.

    BridgeError
    ├── EndpointDown ── Unreachable    nothing was done, or only asked for; try later
    ├── LoginRefused
    ├── ServerRefused ── Refused       the server understood and said no; nothing was written
    └── WriteUnresolved
        ├── AnswerLost                 the write may or may not have been done: find out, never repeat
        ├── Ambiguous                  several resources carry the identity that must be one resource's
        └── WriteConflict ── Stale     the resource is no longer in the version the write was made for

A read may be asked again. A write is sent again only where the server cannot have acted on it: the connection was never
made, or the answer says so (401, 429).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum, auto

from careplan_bridge.endpoint.issues import Issue
from careplan_bridge.errors import (
    BridgeError,
    EndpointDown,
    LoginRefused,
    ServerRefused,
    WriteConflict,
    WriteUnresolved,
)


class Action(StrEnum):
    """What the client does next."""

    TAKE = auto()  # it is an answer
    FOLLOW = auto()  # ask where the answer points, on the same origin only
    AGAIN = auto()  # after a wait, as often as the limits allow; then try later
    LOGIN = auto()  # get a new token, once
    DOWN = auto()  # stop; try later
    CONFLICT = auto()  # someone else was there: look again before anything is written
    REFUSED = auto()  # stop; ask the administrator or mend what was sent
    LOST = auto()  # stop; find out what happened


class Trouble(StrEnum):
    """Why there is no usable answer."""

    NEVER_SENT = auto()  # no connection: the server has not seen the request
    UNTRUSTED = auto()  # the certificate is not one we trust: nothing was sent
    NO_ANSWER = auto()  # the connection broke, or time ran out, after something was sent
    UNREADABLE = auto()  # an answer came, and it is not FHIR JSON
    TWO_MEANINGS = auto()  # JSON in which a name stands twice in one object
    TOO_LARGE = auto()  # an answer came, and did not end where any sensible one does


@dataclass(frozen=True, slots=True)
class Outcome:
    """A row of the table: what a read does, what a write does, and what a person is told."""

    read: Action
    write: Action
    says: str

    def action(self, *, writes: bool) -> Action:
        return self.write if writes else self.read


_GOOD = Outcome(Action.TAKE, Action.TAKE, "done")
_MOVED = Outcome(
    Action.FOLLOW, Action.REFUSED, "redirects elsewhere, which is not followed for this; set `base` to its new address"
)
_UNKNOWN = Outcome(Action.REFUSED, Action.LOST, "gave an answer that has no meaning here")
_NO = Outcome(Action.REFUSED, Action.REFUSED, "refused this")
_BROKEN = Outcome(Action.AGAIN, Action.LOST, "failed inside")
_AWAY = Outcome(Action.AGAIN, Action.LOST, "is not available now")

OUTCOMES: Mapping[int | Trouble, Outcome] = {
    200: _GOOD,
    201: _GOOD,
    204: _GOOD,
    # Accepted for later is no statement that it was done.
    202: Outcome(Action.REFUSED, Action.LOST, "took this on for later and did not say that it is done"),
    301: _MOVED,
    302: _MOVED,
    307: _MOVED,
    308: _MOVED,
    # "See other" after a POST can mean that it was done.
    304: Outcome(Action.REFUSED, Action.LOST, "says that nothing has changed, and was not asked that"),
    303: Outcome(Action.FOLLOW, Action.LOST, "points to another address for the result"),
    400: Outcome(Action.REFUSED, Action.REFUSED, "could not read this request"),
    401: Outcome(Action.LOGIN, Action.LOGIN, "does not accept the login; check `[auth]` in the endpoint file"),
    403: Outcome(
        Action.REFUSED, Action.REFUSED, "does not allow this for our login; ask its administrator for the right"
    ),
    404: Outcome(Action.REFUSED, Action.REFUSED, "does not know this"),
    405: Outcome(Action.REFUSED, Action.REFUSED, "does not offer this"),
    408: Outcome(Action.AGAIN, Action.LOST, "gave up waiting for the request"),
    # A lost update (DSTU2 and STU3 habit), or two writers at the same moment.
    409: Outcome(Action.REFUSED, Action.CONFLICT, "holds a newer state than the one this was made for"),
    410: Outcome(Action.REFUSED, Action.REFUSED, "has deleted this"),
    412: Outcome(Action.REFUSED, Action.CONFLICT, "finds that what this write depends on does not hold"),
    413: Outcome(
        Action.REFUSED,
        Action.REFUSED,
        "finds this too large; lower `transaction_size` or `page_size` in the endpoint file",
    ),
    415: Outcome(Action.REFUSED, Action.REFUSED, "does not take FHIR JSON"),
    422: Outcome(Action.REFUSED, Action.REFUSED, "holds this against its rules"),
    # Throttled before it was looked at: even a write may be sent again.
    429: Outcome(Action.AGAIN, Action.AGAIN, "asks for fewer requests; try later"),
    500: _BROKEN,
    501: Outcome(Action.REFUSED, Action.REFUSED, "does not offer this"),
    # A gateway's 502 and 504 say nothing about the server behind it; 503 often comes from one too.
    502: _AWAY,
    503: _AWAY,
    504: _AWAY,
    Trouble.NEVER_SENT: Outcome(
        Action.AGAIN, Action.AGAIN, "cannot be reached; check `base`, the network and that it runs"
    ),
    Trouble.UNTRUSTED: Outcome(
        Action.DOWN,
        Action.DOWN,
        "shows a certificate that is not trusted; name the site's authority as `ca_file` in the endpoint file",
    ),
    Trouble.NO_ANSWER: Outcome(Action.AGAIN, Action.LOST, "did not answer in time, or broke off"),
    Trouble.UNREADABLE: Outcome(
        Action.REFUSED,
        Action.LOST,
        "answered with something that is not FHIR JSON; check that `base` is the FHIR address",
    ),
    Trouble.TWO_MEANINGS: Outcome(
        Action.REFUSED,
        Action.LOST,
        "answered with JSON in which a name stands twice in one object, so that what is meant can't be told; tell its administrator",
    ),
    Trouble.TOO_LARGE: Outcome(
        Action.REFUSED, Action.LOST, "sent far more than an answer holds; lower `page_size` in the endpoint file"
    ),
}

_CLASSES = {2: _UNKNOWN, 3: _MOVED, 4: _NO, 5: _BROKEN}


def outcome_of(result: int | Trouble) -> Outcome:
    """The row for a status or a trouble; a status without one is taken as its class says."""
    return OUTCOMES.get(result) or _CLASSES.get(int(result) // 100 if isinstance(result, int) else 0, _UNKNOWN)


class _Told(BridgeError):
    """`status` is None where no answer came. `issues` may hold identifiers in their `text`: never print that unasked."""

    def __init__(self, says: str, *, status: int | None = None, issues: Sequence[Issue] = ()) -> None:
        self.status = status
        self.issues = tuple(issues)
        super().__init__(says)


class Unreachable(_Told, EndpointDown):
    """No usable answer, and nothing was written."""


class LoginFailed(_Told, LoginRefused):
    """The login was refused, or the token it gave is not accepted."""


class Refused(_Told, ServerRefused):
    """The server said no; nothing was written."""


class AnswerLost(_Told, WriteUnresolved):
    """Something was sent and no usable answer came: the write may have been done. Find out; do not repeat it."""


class Ambiguous(_Told, WriteUnresolved):
    """Several resources match the condition of a conditional create or update; nothing was written."""


class Stale(_Told, WriteConflict):
    """The resource has another version than the one named by If-Match, or another writer was faster; nothing was written."""


ERRORS: Mapping[Action, type[_Told]] = {
    Action.AGAIN: Unreachable,
    Action.DOWN: Unreachable,
    Action.LOGIN: LoginFailed,
    Action.CONFLICT: Stale,
    Action.REFUSED: Refused,
    Action.FOLLOW: Refused,
    Action.LOST: AnswerLost,
}


def error_for(what: str, result: int | Trouble, *, writes: bool, issues: Sequence[Issue] = (), also: str = "") -> _Told:
    """The error a result leads to once nothing more is tried.

    `what` names method and type, never an id or a query; `also` is one more sentence.
    """
    outcome = outcome_of(result)
    kind = ERRORS[outcome.action(writes=writes)]
    status = None if isinstance(result, Trouble) else result
    says = _sentence(what, outcome, status, issues, lost=kind is AnswerLost)
    return kind(". ".join(filter(None, (says, also))), status=status, issues=issues)


def _sentence(what: str, outcome: Outcome, status: int | None, issues: Sequence[Issue], *, lost: bool) -> str:
    parts = [f"{what}: the server {outcome.says}{f' ({status})' if status else ''}"]
    parts += [f"It names: {'; '.join(map(str, issues[:5]))}"] if issues else []
    parts += ["Whether it was written is not known; the next run finds out"] if lost else []
    return ". ".join(parts)
