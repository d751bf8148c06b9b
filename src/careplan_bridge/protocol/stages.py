"""Stages with their windows, restrictions, precautions, exercises and criteria."""

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from careplan_bridge.model.criterion import Criterion, Precaution, Restriction, TimeSince
from careplan_bridge.model.protocol import DISCHARGE, Exercise, Stage, Window
from careplan_bridge.protocol.conditions import Context, condition
from careplan_bridge.protocol.measured import BOUNDS, bounds, known_measure, measured
from careplan_bridge.protocol.shape import (
    CriterionPart,
    DischargePart,
    ExercisePart,
    PrecautionPart,
    ProtocolPart,
    RestrictionPart,
    StageBody,
    WindowPart,
)
from careplan_bridge.protocol.wording import criterion_says, day, restriction_says
from careplan_bridge.syntax.nearest import suggestion
from careplan_bridge.syntax.node import Node
from careplan_bridge.syntax.spot import Spot

Written = Mapping[str, set[str]]  # the ids of each stage's criteria, by the stage's id


def stages(part: ProtocolPart, spot: Spot, context: Context, whole: Node) -> tuple[Stage, ...]:
    """All stages in their order, the discharge last. `whole` is the tree as it was written, faulty parts included."""
    written = _criteria_written(whole)
    inside = spot["stages"]
    if not part.stages:
        inside.lacks("there are no stages", "add at least one")
    found = [
        _stage(
            entry.id,
            entry.title,
            _window(entry.window, inside[index]["window"]),
            entry,
            inside[index],
            context,
            written,
        )
        for index, entry in enumerate(part.stages)
    ]
    _check_ids(inside, (entry.id for entry in part.stages), "stage")
    _check_order(found, inside)
    _check_names_apart(part, spot)
    return (*found, _discharge(part.discharge, found, spot["discharge"], context, written))


def unique(spot: Spot, ids: Iterable[str], what: str) -> None:
    """A fault at each id that stood in the list before."""
    seen: Counter[str] = Counter()
    for index, name in enumerate(ids):
        seen[name] += 1
        if seen[name] > 1:
            spot[index]["id"].wrong(f"the {what} `{name}` stands here a second time", "give it an id of its own")


def ids_written(node: Node | None) -> set[str]:
    """Ids of the entries of a list as written, those of faulty entries included."""
    entries = node.value if node and isinstance(node.value, tuple) else ()
    named = [entry.child("id") for entry in entries]
    return {str(name.value) for name in named if name is not None}


def _check_ids(spot: Spot, ids: Iterable[str], what: str) -> None:
    names = list(ids)
    unique(spot, names, what)
    if DISCHARGE in names:
        spot[names.index(DISCHARGE)]["id"].wrong(
            f"`{DISCHARGE}` is the id of the last stage", "give this stage another id"
        )


def _check_names_apart(part: ProtocolPart, spot: Spot) -> None:
    """An order and a response name a restriction or precaution without its stage."""
    bodies = [
        *((entry, spot["stages"][index]) for index, entry in enumerate(part.stages)),
        (part.discharge, spot["discharge"]),
    ]
    for kind in ("restrictions", "precautions"):
        seen: set[str] = set()
        for body, at in bodies:
            ids = [entry.id for entry in getattr(body, kind)]
            for index, name in enumerate(ids):
                if name in seen:
                    at[kind][index]["id"].wrong(
                        f"`{name}` is an id in an earlier stage too", "give it an id of its own"
                    )
            seen.update(ids)


def _window(part: WindowPart, spot: Spot) -> Window:
    if part.before is not None and part.before <= part.from_:
        spot["before"].wrong(f"the window ends before it begins ({day(part.from_)})", "write a later day")
    if part.earliest_advance is not None and part.earliest_advance < part.from_:
        spot["earliest advance"].wrong(
            f"the earliest advance lies before the window ({day(part.from_)})", "write a later day"
        )
    if part.earliest_advance is not None and part.before is not None and part.earliest_advance > part.before:
        spot["earliest advance"].wrong(
            f"the earliest advance lies beyond the window ({day(part.before)})", "write an earlier day"
        )
    return Window(from_day=part.from_, before_day=part.before, earliest_advance=part.earliest_advance)


def _check_order(found: list[Stage], spot: Spot) -> None:
    for index in range(1, len(found)):
        former, latter = found[index - 1].window, found[index].window
        at = spot[index]["window"]
        if latter.from_day <= former.from_day:
            at["from"].wrong(
                f"this stage begins no later than the one before it ({day(former.from_day)})",
                "put the stages in their order",
            )
        elif former.before_day is not None and latter.from_day > former.before_day:
            at["from"].warn(
                f"between {day(former.before_day)} and {day(latter.from_day)} lies no stage's window",
                "let the windows meet",
            )


def _discharge(part: DischargePart, found: list[Stage], spot: Spot, context: Context, written: Written) -> Stage:
    last = found[-1].window if found else Window()
    if part.window is None:
        window = Window(from_day=last.from_day if last.before_day is None else last.before_day)
    else:
        window = _window(part.window, spot["window"])
        if window.from_day <= last.from_day and found:
            spot["window"]["from"].wrong(
                f"discharge begins no later than the last stage ({day(last.from_day)})", "write a later day"
            )
    return _stage(DISCHARGE, part.title, window, part, spot, context, written)


def _stage(
    id_: str, title: str, window: Window, part: StageBody, spot: Spot, context: Context, written: Written
) -> Stage:
    if not part.criteria:
        spot["criteria"].lacks(f"`{id_}` has no criteria", "add at least one")
    criteria = [_criterion(entry, spot["criteria"][index], context) for index, entry in enumerate(part.criteria)]
    unique(spot["criteria"], (entry.id for entry in part.criteria), "criterion")
    return Stage(
        id=id_,
        title=title,
        window=window,
        goals=part.goals,
        restrictions=_restrictions(part, spot["restrictions"], context),
        precautions=_precautions(part, spot["precautions"], written.get(id_, set())),
        exercises=_exercises(part.exercises, spot["exercises"]),
        criteria=tuple(entry for entry in criteria if entry is not None),
    )


def _criteria_written(whole: Node) -> Written:
    """The ids of each stage's criteria as written, by the stage's id."""
    entries, discharge = whole.child("stages"), whole.child(DISCHARGE)
    written = entries.value if entries and isinstance(entries.value, tuple) else ()
    found = {_id(entry): ids_written(entry.child("criteria")) for entry in written}
    return {**found, DISCHARGE: ids_written(discharge.child("criteria") if discharge else None)}


def _id(entry: Node) -> str:
    name = entry.child("id")
    return str(name.value) if name else ""


def _criterion(part: CriterionPart, spot: Spot, context: Context) -> Criterion | None:
    stated = condition(part, spot, context)
    if stated is None:
        return None
    _check_age(part, spot, timed=isinstance(stated, TimeSince))
    _check_days(part, spot)
    return Criterion(
        id=part.id,
        says=part.says or criterion_says(stated, context.catalogue),
        condition=stated,
        no_older_than=part.no_older_than,
        expected_by=part.expected_by,
        call_surgeon_by=part.call_surgeon_by,
        accepts=part.accepts,
        stalled_over=_stalled_over(part, spot),
    )


def _stalled_over(part: CriterionPart, spot: Spot) -> int:
    """Three visits, unless the protocol says another number."""
    if part.stalled_over_visits is None:
        return 3
    if part.stalled_over_visits < 2:  # noqa: PLR2004 - a change lies between two
        spot["stalled over visits"].wrong("one visit shows no change", "write 2 or more")
    return part.stalled_over_visits


def _check_age(part: CriterionPart, spot: Spot, *, timed: bool) -> None:
    if timed and part.no_older_than is not None:
        spot["no older than"].wrong_key("time since surgery has no age", "take `no older than` out")
    if not timed and part.no_older_than is None:
        spot.lacks(
            f"`{part.id}` does not say how old a reading may be", "add `no older than: 10 days`, or what is right here"
        )
    if part.no_older_than == 0:
        spot["no older than"].wrong("0 days would leave no reading that counts after its day", "write 1 day or more")


def _check_days(part: CriterionPart, spot: Spot) -> None:
    if part.expected_by is not None and part.call_surgeon_by is not None and part.call_surgeon_by < part.expected_by:
        spot["call surgeon by"].wrong(f"this lies before `expected by` ({day(part.expected_by)})", "write a later day")


def _restrictions(part: StageBody, spot: Spot, context: Context) -> tuple[Restriction, ...]:
    unique(spot, (entry.id for entry in part.restrictions), "restriction")
    found = [_restriction(entry, spot[index], context) for index, entry in enumerate(part.restrictions)]
    return tuple(entry for entry in found if entry is not None)


def _restriction(part: RestrictionPart, spot: Spot, context: Context) -> Restriction | None:
    measure = known_measure(part.measure, spot, context.catalogue) if spot.has("measure") else None
    if measure is None:
        return None
    about = measured(part, measure, spot)
    allowed = bounds(part, measure, spot, context.catalogue)
    first = part.from_ or 0
    if part.before is not None and part.before <= first:
        spot["before"].wrong(f"the restriction ends before it begins ({day(first)})", "write a later day")
    if allowed is None and not any(spot.has(key) for key in BOUNDS):
        spot.lacks(
            f"the restriction `{part.id}` sets no bound", "add `at most`, `at least` or `between`, with a quantity"
        )
    if allowed is None:
        return None
    return Restriction(
        id=part.id,
        says=part.says or restriction_says(about, allowed, measure, from_day=first, before_day=part.before),
        measured=about,
        bounds=allowed,
        from_day=first,
        before_day=part.before,
        when_performed=part.when_performed,
    )


def _precautions(part: StageBody, spot: Spot, criteria: set[str]) -> tuple[Precaution, ...]:
    unique(spot, (entry.id for entry in part.precautions), "precaution")
    return tuple(_precaution(entry, spot[index], criteria) for index, entry in enumerate(part.precautions))


def _precaution(part: PrecautionPart, spot: Spot, criteria: set[str]) -> Precaution:
    for index, name in enumerate(part.lifted_by):
        if name not in criteria:
            spot["lifted by"][index].wrong(f"this stage has no criterion `{name}`", suggestion(name, criteria))
    if not part.lifted_by and part.before is None and not spot.node.damaged:
        spot.warn(
            f"`{part.id}` holds until the stage is left",
            "add `lifted by: [criterion]` or `before: week 6` if it ends sooner",
        )
    return Precaution(
        id=part.id,
        text=part.text,
        lifted_by=part.lifted_by,
        before_day=part.before,
        when_performed=part.when_performed,
    )


def _exercises(parts: Sequence[ExercisePart], spot: Spot) -> tuple[Exercise, ...]:
    ids = [entry.id or _slug(entry.name) for entry in parts]
    unique(spot, ids, "exercise")
    pairs = zip(ids, parts, strict=True)
    return tuple(Exercise(id=i, name=e.name, dose=e.dose, needs=e.needs, instead=e.instead) for i, e in pairs)


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:64].strip("-") or "exercise"
