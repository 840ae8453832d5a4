"""The sweep's rule on runs: one that is left open hides where its solvent is."""

from __future__ import annotations

from datetime import timedelta

from inventory.rules.alerts import AlertRule
from inventory.services.watches import Subject, Watch

# Our choice, not published: a weekly club has finished with its solvent by the next meeting.
OPEN_TOO_LONG = timedelta(days=7)

RUN_OPEN_TOO_LONG = AlertRule(
    "run-open-too-long",
    "The run has stood open for more than a week: distil, return or write off what it holds.",
    severity=8,
    subject_kind="run",
)
RUN = Subject("run", "recovery_run", cures=(("s.closed_at IS NOT NULL", "closed"),))
RUN_WATCH = Watch(
    RUN_OPEN_TOO_LONG,
    RUN,
    bounds="s.closed_at IS NULL AND s.started_at < %(run_opened_before)s",
    holds="NOT s.is_history",
    moments={"run_opened_before": OPEN_TOO_LONG},
)
