"""How a part of the reader says that an entry cannot be read."""

from careplan_bridge.measures.reasons import REASONS


class Refused(Exception):
    """Raised where the fact is known, caught by the reader; never leaves this room."""

    def __init__(self, reason: str, **facts: str) -> None:
        self.reason = REASONS[reason]
        self.facts = facts
        self.says = self.reason.says.format(**facts)
        self.settle = self.reason.settle.format(**facts)
        super().__init__(self.reason.code)
