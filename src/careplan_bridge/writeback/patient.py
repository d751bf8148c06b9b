"""Is the patient of a plan still the same? Nothing is written about a person who was merged, taken away or put out of use."""

from careplan_bridge.endpoint.http import Client
from careplan_bridge.endpoint.identity import identity_changed
from careplan_bridge.errors import WriteConflict


class IdentityChanged(WriteConflict):
    """The record says that the Patient of a plan is no longer the one."""


def refuse_changed_identity(client: Client, patient: str) -> None:
    """Raise IdentityChanged where the Patient was merged, is gone or not active; Refused where it can't be read."""
    if changed := identity_changed(client, patient):
        raise IdentityChanged(
            f"identity changed: {changed}; nothing was written. Settle in the record which Patient the plan is about, then "
            "`respond PLAN identity Patient/ID`"
        )
