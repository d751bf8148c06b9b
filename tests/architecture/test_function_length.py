"""Functions stay short: half of them at most six lines, nine in ten at most twenty, the docstring not counted."""

import ast
from collections.abc import Iterator

import pytest

from tests.architecture.source import Module, modules

HALF, NINE_IN_TEN = 6, 20


def _lengths(tree: ast.Module) -> Iterator[int]:
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield _lines(node) - (_lines(node.body[0]) if ast.get_docstring(node) else 0)


def _lines(node: ast.stmt) -> int:
    return (node.end_lineno or node.lineno) - node.lineno + 1


def _too_long(lengths: list[int]) -> list[str]:
    """What is wrong with the lengths of all functions together."""
    shares = [(0.5, HALF), (0.9, NINE_IN_TEN)]
    measured = [(share, limit, sum(n <= limit for n in lengths) / len(lengths)) for share, limit in shares]
    return [f"{got:.0%} have at most {limit} lines, not {share:.0%}" for share, limit, got in measured if got < share]


def test_functions_are_short() -> None:
    assert _too_long([n for module in modules() for n in _lengths(module.tree)]) == []


@pytest.mark.parametrize(
    ("lengths", "complaints"),
    [([6, 21], 1), ([7, 7, 6], 1), ([7, 21], 2), ([6, 20], 0), ([6] * 9 + [99], 0)],
)
def test_too_many_long_ones_are_noticed(lengths: list[int], complaints: int) -> None:
    assert len(_too_long(lengths)) == complaints


def test_the_docstring_is_not_counted() -> None:
    source = 'def f():\n    """One.\n\n    Two.\n    """\n    return 1\n'
    assert list(_lengths(Module.of("careplan_bridge.x", source).tree)) == [2]
