"""What recovery adds to the scheduled work and to the audit; found by name when the program starts."""

from __future__ import annotations

from inventory.selectors import alert_subjects
from inventory.services import audit, watches
from recovery.selectors.alert_subjects import runs_named, signals_named
from recovery.services.audit import COMPARISONS, TABLES, run_months
from recovery.services.loss_signals import signal_differences
from recovery.services.reuse import TABLES as REUSE_TABLES
from recovery.services.reuse import reuse_differences
from recovery.services.sweep import FINDING_WATCHES, RUN_WATCH, SIGNAL_WATCH

watches.register(RUN_WATCH, *FINDING_WATCHES, SIGNAL_WATCH)
alert_subjects.register("run", runs_named)
alert_subjects.register("losssignal", signals_named)
audit.register(*COMPARISONS, look=run_months, counted=TABLES)
audit.register(look=signal_differences)
audit.register(look=reuse_differences, counted=REUSE_TABLES)
