"""What is said about a row or a file: an error stops the row, a warning does not, an info explains."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from inventory.rules.errors import InputError

Level = Literal["error", "warning", "info"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """One remark on one row.

    line: physical line in the file, 0 for the whole file.
    column: header as the file has it, "" for the whole row.
    code: stable kebab-case word. reason, remedy: plain words for people.
    """

    line: int
    column: str
    level: Level
    code: str
    reason: str
    remedy: str = ""


def from_error(line: int, column: str, error: InputError) -> Outcome:
    """The outcome that says what an InputError said."""
    return Outcome(line, column, "error", error.code, error.detail, error.remedy)


def warning(line: int, column: str, code: str, reason: str, remedy: str = "") -> Outcome:
    """A remark that does not stop the row."""
    return Outcome(line, column, "warning", code, reason, remedy)


def error(line: int, column: str, code: str, reason: str, remedy: str = "") -> Outcome:
    """A remark that stops the row."""
    return Outcome(line, column, "error", code, reason, remedy)


def bad_lines(outcomes: tuple[Outcome, ...] | list[Outcome]) -> frozenset[int]:
    """Lines that at least one error stops."""
    return frozenset(o.line for o in outcomes if o.level == "error" and o.line)
