"""From a verdict to the plain values that go out."""

from __future__ import annotations

from datetime import date
from typing import Any

from inventory.rules.cautions import CAUTIONS
from inventory.rules.levels import USE_WORDS
from inventory.rules.verdict import Verdict
from inventory.services.facts import containers_with
from inventory.services.verdicts import verdicts_of


def verdict_out(verdict: Verdict) -> dict[str, Any]:
    return {
        "use": verdict.use,
        "use_words": USE_WORDS[verdict.use],
        "level": verdict.level,
        "words": verdict.words,
        "allowed": verdict.allowed,
        "due_on": verdict.due_on,
        "reasons": [
            {"code": r.code, "words": r.words, "fact": r.fact, "source": r.source, "level": r.level}
            for r in verdict.reasons
        ],
        "cautions": [{"code": code, "words": CAUTIONS.get(code, code)} for code in verdict.cautions],
    }


def verdicts_now(container_id: int, today: date) -> list[dict[str, Any]]:
    """Every verdict on a container as it stands, so that whoever changed a fact sees what holds now."""
    (found,) = containers_with([container_id])
    return [verdict_out(verdict) for verdict in verdicts_of(found, today).values()]
