"""What a module's source uses: every dotted name it reads, with imports followed back to where they come from."""

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

PACKAGE = "careplan_bridge"
ROOT = Path(__file__).parents[2] / "src" / PACKAGE


@dataclass(frozen=True, slots=True)
class Use:
    """A name as used on a line: `datetime.datetime.now`, `builtins.open`, or `.read_text` of something unknown."""

    line: int
    name: str


@dataclass(frozen=True, slots=True)
class Module:
    """One module of the package: its dotted name, the room it stands in, and its syntax tree."""

    name: str
    is_package: bool
    tree: ast.Module

    @property
    def room(self) -> str:
        return self.name.split(".")[1] if "." in self.name else PACKAGE

    @classmethod
    def of(cls, name: str, source: str, *, is_package: bool = False) -> "Module":
        return cls(name, is_package, ast.parse(source))


def modules(root: Path = ROOT) -> list[Module]:
    """Every module under the package's folder."""
    return [_read(path, root) for path in sorted(root.rglob("*.py"))]


def _read(path: Path, root: Path) -> Module:
    parts = (root.name, *path.relative_to(root).with_suffix("").parts)
    is_package = parts[-1] == "__init__"
    name = ".".join(parts[:-1] if is_package else parts)
    return Module.of(name, path.read_text(encoding="utf-8"), is_package=is_package)


def uses(module: Module) -> Iterator[Use]:
    """Every import and every name or attribute the module reads, by its full dotted name where that is known."""
    known = dict(_imported_names(module))
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            yield from (Use(node.lineno, target) for _, target in _targets(node, module))
        elif isinstance(node, ast.Attribute):
            yield Use(node.lineno, _dotted(node, known) or f".{node.attr}")
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load) and node.id not in known:
            yield Use(node.lineno, f"builtins.{node.id}")


def _imported_names(module: Module) -> Iterator[tuple[str, str]]:
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            yield from _targets(node, module)


def _targets(node: ast.Import | ast.ImportFrom, module: Module) -> Iterator[tuple[str, str]]:
    """Pairs of the local name an import binds and what it stands for."""
    if isinstance(node, ast.ImportFrom):
        origin = _origin(node, module)
        yield from ((alias.asname or alias.name, f"{origin}.{alias.name}") for alias in node.names)
        return
    for alias in node.names:
        # `import a.b` binds `a`; the whole of it is what the module depends on.
        yield (alias.asname or alias.name, alias.name)
        if alias.asname is None:
            top = alias.name.split(".")[0]
            yield (top, top)


def _origin(node: ast.ImportFrom, module: Module) -> str:
    if node.level == 0:
        return node.module or ""
    parts = module.name.split(".")
    base = parts[: len(parts) - node.level + module.is_package]
    return ".".join([*base, *([node.module] if node.module else [])])


def _dotted(node: ast.expr, known: dict[str, str]) -> str | None:
    if isinstance(node, ast.Name):
        return known.get(node.id)
    if isinstance(node, ast.Attribute):
        base = _dotted(node.value, known)
        return None if base is None else f"{base}.{node.attr}"
    return None
