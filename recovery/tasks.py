"""What recovery adds to the scheduled work and to the audit; found by name when the program starts."""

from __future__ import annotations

from inventory.selectors import alert_subjects
from inventory.services import audit, watches
from recovery.selectors.alert_subjects import runs_named
from recovery.services.audit import COMPARISONS, TABLES, run_months
from recovery.services.sweep import RUN_WATCH

watches.register(RUN_WATCH)
alert_subjects.register("run", runs_named)
audit.register(*COMPARISONS, look=run_months, counted=TABLES)
