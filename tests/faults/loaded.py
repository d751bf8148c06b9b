"""What a killed process needs, loaded once in the process that all of them are forked from."""

from careplan_bridge.files import shipped
from tests.faults import boundaries, killed

__all__ = ["killed"]

boundaries.load_everything()
shipped.catalogue()
