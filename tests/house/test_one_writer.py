"""A container's balance has one writer: inventory/services/ledger.py."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.house.code import PRODUCT, ROOT, Source, read, sources

WRITER = Path("inventory/services/ledger.py")
COLUMN = "volume_ul"
UPDATES = {"update", "update_or_create", "bulk_update", "aupdate", "abulk_update", "aupdate_or_create"}
MAKERS = {"Container", "create", "acreate", "get_or_create", "aget_or_create"}
SQL_WRITE = re.compile(
    rf"\bSET\b[^;]*\b{COLUMN}\b\s*=|INSERT\s+INTO\s+\"?inventory_container\b[^;]*\b{COLUMN}\b", re.IGNORECASE
)


def writes(source: Source) -> Iterator[int]:
    """The lines that write the balance: attribute, update call, constructor, setattr or SQL."""
    for node in ast.walk(source.tree):
        if _writes(node):
            yield getattr(node, "lineno", 0)


def _writes(node: ast.AST) -> bool:
    if isinstance(node, ast.Assign):
        return any(_is_column(target) for target in node.targets)
    if isinstance(node, ast.AugAssign | ast.AnnAssign):
        return _is_column(node.target)
    if isinstance(node, ast.Constant):
        return isinstance(node.value, str) and bool(SQL_WRITE.search(node.value))
    return isinstance(node, ast.Call) and _call_writes(node)


def _is_column(target: ast.AST) -> bool:
    if isinstance(target, ast.Tuple | ast.List):
        return any(_is_column(element) for element in target.elts)
    return isinstance(target, ast.Attribute) and target.attr == COLUMN


def _call_writes(call: ast.Call) -> bool:
    name = ast.unparse(call.func)
    last = name.rsplit(".", 1)[-1]
    named = any(keyword.arg == COLUMN for keyword in call.keywords)
    quoted = f"'{COLUMN}'" in ast.unparse(call)
    if last in UPDATES:
        return named or quoted
    makes = last in MAKERS and "Container" in name.split(".")
    return (last == "setattr" and quoted) or (makes and named)


def test_only_the_ledger_writes_a_balance() -> None:
    others = [source for source in sources(*PRODUCT) if source.path != WRITER]
    assert [f"{source.path}:{line}" for source in others for line in writes(source)] == []


def test_the_ledger_does_write_it() -> None:
    assert list(writes(read(ROOT / WRITER)))


@pytest.mark.parametrize(
    "text",
    [
        "c.volume_ul = 5",
        "c.volume_ul -= 5",
        "c.lot, c.volume_ul = lot, 5",
        "c.volume_ul: int = 5",
        "Container.objects.filter(pk=1).update(volume_ul=5)",
        "Container.objects.filter(pk=1).update(**{'volume_ul': 5})",
        "Container.objects.bulk_update(rows, ['volume_ul'])",
        "Container.objects.create(lab=lab, volume_ul=5)",
        "models.Container(volume_ul=5)",
        "setattr(c, 'volume_ul', 5)",
        "cursor.execute('UPDATE inventory_container SET lot_id = 1, volume_ul = volume_ul - 5')",
        "cursor.execute('INSERT INTO inventory_container (id, volume_ul) VALUES (1, 2)')",
    ],
)
def test_each_way_of_writing_is_seen(text: str) -> None:
    assert list(writes(Source(Path("a.py"), text, ast.parse(text))))


@pytest.mark.parametrize(
    "text",
    [
        "total = c.volume_ul + 5",
        "Line('draw', volume_ul=5)",
        "Movement(volume_ul=5)",
        "cursor.execute('SELECT volume_ul FROM inventory_container')",
        "Container.objects.filter(volume_ul=0)",
    ],
)
def test_reading_is_no_writing(text: str) -> None:
    assert not list(writes(Source(Path("a.py"), text, ast.parse(text))))
