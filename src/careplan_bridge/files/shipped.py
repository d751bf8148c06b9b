"""What the package ships beside its code: the catalogue's files and the invented examples."""

from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Literal

from careplan_bridge.errors import OurFault
from careplan_bridge.measures import catalogue as catalogue_files
from careplan_bridge.model.measure import Catalogue

Kind = Literal["mappings", "fixtures", "schemas"]
_IN_THE_TREE = {"mappings": "mappings", "fixtures": "fixtures", "schemas": "docs/schemas"}


def folder(kind: Kind) -> Traversable:
    """The folder: inside the package when it was installed from a wheel, else in the source tree around it.

    Raises:
        OurFault: neither is there; the installation is broken.
    """
    package = files("careplan_bridge")
    tree = Path(str(package)).parents[1] / _IN_THE_TREE[kind]
    for candidate in (package / "shipped" / kind, tree):
        if candidate.is_dir():
            return candidate
    raise OurFault(f"the package's own folder {kind}/ is missing; install the package again")


@cache
def catalogue() -> Catalogue:
    """The catalogue of measures in mappings/."""
    found = (entry for entry in folder("mappings").iterdir() if entry.name.endswith(".yaml"))
    return catalogue_files.load({entry.name: entry.read_bytes() for entry in found})


def read(kind: Kind, path: str) -> bytes:
    """One shipped file, by its path with slashes inside the folder."""
    return folder(kind).joinpath(*path.split("/")).read_bytes()


def example(path: str) -> bytes:
    """One of the invented examples."""
    return read("fixtures", path)
