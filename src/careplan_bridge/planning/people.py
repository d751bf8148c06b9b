"""Do case and protocol fit each other: people, roles, sides, surgeries?"""

from collections import Counter
from collections.abc import Iterator

from careplan_bridge.model.case import Case, Surgery
from careplan_bridge.model.protocol import Protocol
from careplan_bridge.planning.faults import listed

SIDES = ("left", "right")


def misfits(protocol: Protocol, case: Case) -> Iterator[str]:
    """What does not fit, each with what would mend it."""
    yield from _repeated_people(case)
    yield from _unknown_people(case)
    yield from _roles_without_a_person(protocol, case)
    yield from _sides(protocol, case)


def counted_from(case: Case) -> Surgery | None:
    """The surgery that days count from."""
    return next((surgery for surgery in case.surgeries if surgery.id == case.surgery), None)


def _repeated_people(case: Case) -> Iterator[str]:
    for person, times in Counter(person.id for person in case.people).items():
        if times > 1:
            yield f"The case names the person {person!r} {times} times; one person fills one role, so list each once."


def _unknown_people(case: Case) -> Iterator[str]:
    known = {person.id for person in case.people}
    for order in case.orders:
        if order.by not in known:
            yield f"Order {order.id!r} is by {order.by!r}, whom the case does not name; its people: {listed(sorted(known))}."
    confirmed = case.orders_confirmed
    if confirmed and confirmed.by not in known:
        yield f"The orders were confirmed by {confirmed.by!r}, whom the case does not name; its people: {listed(sorted(known))}."


def _roles_without_a_person(protocol: Protocol, case: Case) -> Iterator[str]:
    filled = {person.role for person in case.people}
    for kind, roles in protocol.signatures.items():
        for role in roles:
            if role not in filled:
                yield f"The protocol asks a {role} to sign {kind!r}, but the case names no {role}; add one to its people."


def _sides(protocol: Protocol, case: Case) -> Iterator[str]:
    surgery = counted_from(case)
    if surgery is None:
        known = listed(surgery.id for surgery in case.surgeries)
        yield f"The case counts days from surgery {case.surgery!r}, which it does not list; its surgeries: {known}."
    elif surgery.side not in (case.side, "both"):
        yield f"The case is about the {case.side} side, but surgery {surgery.id!r} was on the {surgery.side}; one of the two is wrong."
    if protocol.laterality == "unilateral" and case.side not in SIDES:
        yield f"Protocol {protocol.id!r} is about one side, but the case's side is {case.side!r}; make one case a side."
