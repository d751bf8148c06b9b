"""The written staged plan for a surgery. A version of it never changes."""

from msgspec import Struct

from careplan_bridge.model.criterion import Criterion, Precaution, RedFlag, Restriction

DISCHARGE = "discharge"  # the id of the last stage, whose criteria are those for discharge


class Window(Struct, frozen=True, kw_only=True):
    """Days after surgery. `from_day` and `earliest_advance` include their day, `before_day` excludes it."""

    from_day: int = 0
    before_day: int | None = None
    earliest_advance: int | None = None


class Exercise(Struct, frozen=True, kw_only=True):
    """A sample exercise; `needs` a device, `instead` is done where it lacks. `id` is unique in its stage."""

    id: str
    name: str
    dose: str | None = None
    needs: str | None = None
    instead: str | None = None


class Stage(Struct, frozen=True, kw_only=True):
    id: str
    title: str
    window: Window
    goals: tuple[str, ...] = ()
    restrictions: tuple[Restriction, ...] = ()
    precautions: tuple[Precaution, ...] = ()
    exercises: tuple[Exercise, ...] = ()
    criteria: tuple[Criterion, ...] = ()


class Protocol(Struct, frozen=True, kw_only=True):
    """`stages` ends with the one whose id is `discharge`; `signatures` maps a decision's kind to roles.

    `digest` is SHA-256 over the meaning of the file, not over its bytes.
    """

    id: str
    version: str
    url: str
    title: str
    notice: str
    laterality: str
    signatures: dict[str, tuple[str, ...]]
    red_flags: tuple[RedFlag, ...]
    stages: tuple[Stage, ...]
    digest: str
