"""Alerts of what was found in a run: it has happened, so its alert stays until a person answers for it.

A reversal that takes the finding away closes the alert too. The codes of the findings are the rules' keys.
"""

from __future__ import annotations

from typing import Any

from inventory.models import Alert
from inventory.rules.alerts import AlertRule, goes_up_when_answered
from inventory.rules.phrases import Phrase
from recovery.models import Run
from recovery.services.heel import (
    FORMER_GONE,
    HEEL_NOT_KEPT,
    MORE_BACK,
    NOT_CLEARED_BACK,
    unseen_of,
    unseen_text,
)

FINDING_RULES = (
    AlertRule(
        HEEL_NOT_KEPT,
        Phrase(
            "Less stayed in the still than its heel, where peroxides collect: keep away from the still, tell "
            "the supervisor."
        ),
        severity=2,
        subject_kind="run",
    ),
    AlertRule(
        NOT_CLEARED_BACK,
        Phrase(
            "A peroxide former was distilled or boiled off in a run that the gate never saw: keep away from "
            "what is left, tell the supervisor."
        ),
        severity=2,
        subject_kind="run",
    ),
    AlertRule(
        FORMER_GONE,
        Phrase(
            "A peroxide former went out of a run that was not to distil and is not accounted for: it may "
            "have boiled off, find out what is left."
        ),
        severity=4,
        subject_kind="run",
    ),
    AlertRule(
        MORE_BACK,
        Phrase(
            "More came back from the run than went into it: find out what was measured or booked wrongly."
        ),
        severity=6,
        subject_kind="run",
    ),
)
_RULES = {rule.key: rule for rule in FINDING_RULES}


def holds_sql(rule: AlertRule) -> str:
    """Whether nobody has answered for the finding. No code is part of another."""
    return f"s.unseen_findings LIKE '%%{rule.key}%%'"


FINDING_CURES = tuple(
    (f"a.rule = '{rule.key}' AND CAST(s.findings AS TEXT) {has} '%%{rule.key}%%'", words)
    for rule in FINDING_RULES
    for has, words in (("LIKE", "answered for"), ("NOT LIKE", "undone"))
)


def on_acknowledged(*, alert: Alert, may_loosen: bool, **_: Any) -> None:
    """Receiver of `answering.acknowledged`: a finding is answered for, a grave one by a supervisor alone."""
    rule = _RULES.get(alert.rule)
    if rule is None or alert.subject_kind != rule.subject_kind:
        return
    if goes_up_when_answered(rule.severity) and not may_loosen:
        return
    run = Run.objects.select_for_update(of=("self",)).get(pk=alert.subject_id)
    unseen = unseen_text(code for code in unseen_of(run) if code != rule.key)
    Run.objects.filter(pk=run.pk).update(unseen_findings=unseen)
