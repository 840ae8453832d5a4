"""The sweep's rules on runs: one left open hides where its solvent is; findings and leaks want an answer."""

from __future__ import annotations

from datetime import timedelta

from inventory.rules.alerts import AlertRule
from inventory.rules.phrases import Phrase
from inventory.services.watches import Subject, Watch
from recovery.rules.loss_words import CURES
from recovery.services.finding_alerts import FINDING_CURES, FINDING_RULES, holds_sql

# Our choice, not published: a weekly club has finished with its solvent by the next meeting.
OPEN_TOO_LONG = timedelta(days=7)

RUN_OPEN_TOO_LONG = AlertRule(
    "run-open-too-long",
    Phrase("The run has stood open for more than a week: distil, return or write off what it holds."),
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
    holds="NOT s.is_history AND NOT s.is_draft",
    moments={"run_opened_before": OPEN_TOO_LONG},
)
LOSES_MORE = AlertRule(
    "loses-more",
    Phrase("Its runs lose more than they did: look for the leak, and record what was repaired."),
    severity=6,
    subject_kind="losssignal",
)
SIGNAL_WATCH = Watch(
    LOSES_MORE,
    Subject(
        "losssignal",
        "recovery_losssignal",
        cures=tuple((f"s.ended_words = '{words}'", cure) for words, cure in CURES.items()),
    ),
    bounds="s.ended_at IS NULL",
    holds="s.direction = 'more'",
)
# Word for word as the index `run_unseen_findings` has it.
FINDING_WATCHES = tuple(
    Watch(rule, RUN, bounds="NOT (s.unseen_findings = '')", holds=holds_sql(rule)) for rule in FINDING_RULES
)
