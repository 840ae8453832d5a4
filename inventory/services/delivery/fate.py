"""What became of one attempt to send."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Literal


@dataclass(frozen=True)
class Fate:
    """wait: how long the receiver asks us to wait at least."""

    outcome: Literal["sent", "later", "never", "withdrawn"]
    words: str = ""
    wait: timedelta = timedelta()


def sent() -> Fate:
    return Fate("sent")


def later(words: str, wait: timedelta = timedelta()) -> Fate:
    """It did not go through, and may another time."""
    return Fate("later", words, wait)


def never(words: str) -> Fate:
    """It will not go through, however often it is tried."""
    return Fate("never", words)


def withdrawn(words: str) -> Fate:
    """Nobody needs it any more."""
    return Fate("withdrawn", words)
