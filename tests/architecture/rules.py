"""The invariants that a module's source can break, as names it must not use."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from tests.architecture.source import Module, Use, uses

PURE_ROOMS = {"model", "syntax", "protocol", "measures", "planning", "criteria"}
# The ledger and the sandbox each keep a database and its lock; everyone else's files go through files/.
ROOMS_WITH_FILES = {"files", "ledger", "sandbox"}
# The sandbox stamps what it stores, as a server does, and may import nothing of ours: it has a clock of its own.
CLOCKS = {"careplan_bridge.cli.clock", "careplan_bridge.sandbox.clock"}

CLOCK_READINGS = {
    "datetime.datetime.now",
    "datetime.datetime.utcnow",
    "datetime.datetime.today",
    "datetime.date.today",
    "time.time",
    "time.time_ns",
    "time.localtime",
    "time.gmtime",
    "time.ctime",
    "time.strftime",
    "time.clock_gettime",
}
OPENING = {
    "builtins.open",
    "io.open",
    "os.open",
    "codecs.open",
    "importlib.resources",
    "pkgutil.get_data",
    ".read_text",
    ".read_bytes",
    ".write_text",
    ".write_bytes",
}
OUTSIDE_WORLD = {
    "asyncio",
    "builtins.input",
    "fcntl",
    "getpass",
    "glob",
    "http",
    "locale",
    "logging",
    "os",
    "pathlib.Path",
    "platform",
    "random",
    "secrets",
    "shutil",
    "signal",
    "socket",
    "sqlite3",
    "ssl",
    "subprocess",
    "sys.argv",
    "sys.stderr",
    "sys.stdin",
    "sys.stdout",
    "tempfile",
    "threading",
    "time",
    "urllib.request",
    "uuid.uuid1",
    "uuid.uuid4",
}
PRINTING_AND_ENDING = {
    "builtins.print",
    "builtins.exit",
    "builtins.quit",
    "builtins.SystemExit",
    "sys.exit",
    "sys.stdout",
    "sys.stderr",
    "os._exit",
    "os.abort",
}

# Single uses that a rule would forbid, each with the reason why it stands.
EXCUSED = {
    ("careplan_bridge.review.page", "importlib.resources"): "its templates are code of its own room",
    ("careplan_bridge.review.page", "importlib.resources.files"): "its templates are code of its own room",
    ("careplan_bridge.review.page", ".read_text"): "its templates are code of its own room",
}


@dataclass(frozen=True, slots=True)
class Rule:
    """Names that the modules it applies to must not use; `allowed` names beneath them are the exception."""

    id: str
    says: str
    applies_to: Callable[[Module], bool]
    banned: frozenset[str]
    allowed: frozenset[str] = frozenset()

    def violations(self, module: Module) -> list[str]:
        """A line for each use that breaks the rule."""
        broken = {use for use in self.forbidden_uses(module) if (module.name, use.name) not in EXCUSED}
        in_order = sorted(broken, key=lambda use: (use.line, use.name))
        return [f"{module.name}, line {use.line}: {use.name}. {self.id}: {self.says}" for use in in_order]

    def forbidden_uses(self, module: Module) -> set[Use]:
        """What the rule forbids, excused or not."""
        return {use for use in uses(module) if self._forbids(use.name)} if self.applies_to(module) else set()

    def _forbids(self, name: str) -> bool:
        return _is_under(name, self.banned) and not _is_under(name, self.allowed)


def _is_under(name: str, parents: Iterable[str]) -> bool:
    return any(name == parent or name.startswith(f"{parent}.") for parent in parents)


def _pure(module: Module) -> bool:
    return module.room in PURE_ROOMS


RULES = [
    Rule("I1", "the pure rooms do no I/O and draw no chance", _pure, frozenset(OUTSIDE_WORLD | OPENING)),
    Rule("I1", "only files opens files", lambda m: m.room not in ROOMS_WITH_FILES, frozenset(OPENING)),
    Rule(
        "I2",
        "only endpoint/http.py imports httpx",
        lambda m: m.name != "careplan_bridge.endpoint.http",
        frozenset({"httpx"}),
    ),
    Rule("I2", "only fhir imports fhir.resources", lambda m: m.room != "fhir", frozenset({"fhir"})),
    Rule(
        "I2",
        "of fhir.resources only the R4B part is near enough to R4",
        lambda m: m.room == "fhir",
        frozenset({"fhir"}),
        allowed=frozenset({"fhir.resources.R4B"}),
    ),
    Rule(
        "I5",
        "only writeback imports endpoint/send.py",
        lambda m: m.room != "writeback" and m.name != "careplan_bridge.endpoint.send",
        frozenset({"careplan_bridge.endpoint.send"}),
    ),
    Rule("I7", "only cli prints or ends the process", lambda m: m.room != "cli", frozenset(PRINTING_AND_ENDING)),
    Rule("I7", "only cli knows click", lambda m: m.room != "cli", frozenset({"click"})),
    Rule("I8", "the moment is an argument", lambda m: m.name not in CLOCKS, frozenset(CLOCK_READINGS)),
    Rule(
        "sandbox",
        "the sandbox imports nothing of ours",
        lambda m: m.room == "sandbox",
        frozenset({"careplan_bridge"}),
        allowed=frozenset({"careplan_bridge.sandbox"}),
    ),
]
