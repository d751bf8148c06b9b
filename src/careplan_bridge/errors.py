"""What can go wrong, grouped by what the caller should do about it.

    BridgeError
    ├── InputRefused          mend the input: a file, a plan, a decision             exit 1
    │   ├── FileRefused       a file of ours has faults, each with line and column
    │   ├── PlanRefused       protocol and case do not make a plan
    │   └── DecisionRefused   the decision does not stand: digest, outcome, roles, incomplete data
    ├── DoneInPart            some of the work is done, some is not                  exit 1
    ├── WrongUse              mend the command or the configuration                  exit 2
    ├── EndpointDown          try later                                              exit 3
    ├── LoginRefused          mend the login                                         exit 3
    ├── ServerRefused         the server will not do this; ask its administrator     exit 1
    ├── WriteUnresolved       a person must look: unknown outcome or conflict        exit 4
    │   └── WriteConflict     what we manage was changed elsewhere
    ├── RunAgain              stopped or locked: the same command goes on            exit 75
    └── OurFault              report it                                              exit 70

Messages are sentences for the person at the keyboard. They carry no name, identifier, token or resource body (I6).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar


class BridgeError(Exception):
    """Base of everything this package raises on purpose."""

    exit_code: ClassVar[int] = 70


class InputRefused(BridgeError):
    exit_code = 1


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One fault in one place of a file; line and column count from 1."""

    file: str
    line: int
    column: int
    what: str
    mend: str
    warning: bool = False

    def __str__(self) -> str:
        kind = "warning: " if self.warning else ""
        return f"{self.file}:{self.line}:{self.column}: {kind}{self.what}; {self.mend}"


class FileRefused(InputRefused):
    """A file with its faults, all of them at once."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(sorted(faults))
        super().__init__("\n".join(map(str, self.faults)))


class PlanRefused(InputRefused):
    """Protocol and case contradict each other, or a criterion demands what a restriction forbids."""


class DecisionRefused(InputRefused):
    """A decision, signature or response that does not stand; nothing was written."""


class DoneInPart(BridgeError):
    exit_code = 1


class WrongUse(BridgeError):
    exit_code = 2


class EndpointDown(BridgeError):
    exit_code = 3


class LoginRefused(BridgeError):
    exit_code = 3


class ServerRefused(BridgeError):
    exit_code = 1


class WriteUnresolved(BridgeError):
    exit_code = 4


class WriteConflict(WriteUnresolved):
    pass


class RunAgain(BridgeError):
    exit_code = 75


class OurFault(BridgeError):
    exit_code = 70
