"""Extension without an agreed sign: what is missing to neutral, or what goes beyond it, as two measures that are never negative."""

from careplan_bridge.measures.pieces import Piece
from careplan_bridge.measures.refusal import Refused
from careplan_bridge.model.conventions import Conventions
from careplan_bridge.model.measure import Catalogue
from careplan_bridge.model.reading import Recorded
from careplan_bridge.model.value import Amount


def extension_measures(catalogue: Catalogue, measure_id: str) -> list[str]:
    """The deficit and, where the catalogue has one, the hyperextension of the same joint."""
    joint = catalogue.measures[measure_id].joint
    family = [one.id for one in catalogue.measures.values() if one.signed == "extension" and one.joint == joint]
    return sorted(family, key=lambda name: catalogue.measures[name].better != "down")


def signed_extension(
    catalogue: Catalogue, conventions: Conventions, measure_id: str, amount: Amount, recorded: Recorded
) -> Piece:
    """Neutral needs no convention; any other value needs to know which sign the site gives to a deficit.

    Raises Refused without that, for values on both sides of neutral, and where no measure holds what goes beyond it.
    """
    deficit, *beyond = extension_measures(catalogue, measure_id)
    if amount.low == amount.high == 0:
        return Piece(deficit, amount, recorded)
    if conventions.extension_sign is None:
        raise Refused("extension-sign")
    missing = amount if conventions.extension_sign == "deficit-positive" else _turned(amount)
    if missing.low is not None and missing.low >= 0:
        return Piece(deficit, missing, recorded)
    if missing.high is None or missing.high > 0:
        raise Refused("extension-across-neutral")
    if not beyond:
        raise Refused("arc-not-covered")
    return Piece(beyond[0], _turned(missing), recorded)


def _turned(amount: Amount) -> Amount:
    """The interval with its sign turned round; minus is not applied to zero, which has none."""
    return Amount(
        None if amount.high is None else 0 - amount.high,
        None if amount.low is None else 0 - amount.low,
        amount.unit,
        amount.high_included,
        amount.low_included,
    )
