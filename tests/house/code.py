"""Reads the project's own Python files, for the rules that are kept as tests."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PRODUCT = ("inventory", "recovery", "deploy")
Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True)
class Source:
    """One file: where it is (relative to the root), its text and its tree."""

    path: Path
    text: str
    tree: ast.Module


@cache
def sources(*folders: str) -> tuple[Source, ...]:
    """Every hand-written Python file in the folders, migrations apart."""
    paths = [path for folder in folders for path in sorted((ROOT / folder).rglob("*.py"))]
    return tuple(read(path) for path in paths if "migrations" not in path.parts)


def read(path: Path) -> Source:
    """Read and parse one file."""
    text = path.read_text(encoding="utf-8")
    return Source(path.relative_to(ROOT), text, ast.parse(text))


def function_lengths(source: Source) -> Iterator[tuple[str, int]]:
    """Where each function is, and its lines from `def` to its last statement."""
    for node in ast.walk(source.tree):
        if isinstance(node, Function):
            yield (
                f"{source.path}:{node.lineno} {node.name}",
                (node.end_lineno or node.lineno) - node.lineno + 1,
            )
