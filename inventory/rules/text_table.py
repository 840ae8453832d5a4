"""Plain tables for terminals."""

from __future__ import annotations

from collections.abc import Sequence


def text_table(headers: Sequence[str], rows: Sequence[Sequence[object]], right: Sequence[int] = ()) -> str:
    """Columns as wide as their widest cell; `right` names columns (from 0) that hold numbers."""
    cells = [[str(cell) for cell in row] for row in rows]
    widths = [max(len(line[i]) for line in [list(headers), *cells]) for i in range(len(headers))]
    lines = [list(headers), ["-" * width for width in widths], *cells]
    return "\n".join(
        "  ".join(
            cell.rjust(width) if i in right and n != 1 else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for n, line in enumerate(lines)
    )


def millilitres(volume_ul: int) -> str:
    """Whole microlitres as millilitres with at most one decimal, for reading only."""
    return f"{volume_ul / 1000:.1f}"


def percent(fraction: object) -> str:
    """A fraction (Decimal or None) as a percentage with one decimal."""
    return "–" if fraction is None else f"{float(str(fraction)) * 100:.1f} %"
