"""The sweep's rules on runs: one that is left open hides where its solvent is; findings want an answer."""

from __future__ import annotations

from datetime import timedelta

from inventory.rules.alerts import AlertRule
from inventory.services.watches import Subject, Watch
from recovery.services.finding_alerts import FINDING_CURES, FINDING_RULES, holds_sql

# Our choice, not published: a weekly club has finished with its solvent by the next meeting.
OPEN_TOO_LONG = timedelta(days=7)

RUN_OPEN_TOO_LONG = AlertRule(
    "run-open-too-long",
    "The run has stood open for more than a week: distil, return or write off what it holds.",
    severity=8,
    subject_kind="run",
)
RUN = Subject(
    "run",
    "recovery_run",
    cures=(
        *FINDING_CURES,
        (f"a.rule = '{RUN_OPEN_TOO_LONG.key}' AND s.closed_at IS NOT NULL", "closed"),
    ),
)
RUN_WATCH = Watch(
    RUN_OPEN_TOO_LONG,
    RUN,
    bounds="s.closed_at IS NULL AND s.started_at < %(run_opened_before)s",
    holds="NOT s.is_history",
    moments={"run_opened_before": OPEN_TOO_LONG},
)
# Word for word as the index `run_unseen_findings` has it.
FINDING_WATCHES = tuple(
    Watch(rule, RUN, bounds="NOT (s.unseen_findings = '')", holds=holds_sql(rule)) for rule in FINDING_RULES
)
