"""What recovery adds to the scheduled work and to the audit; found by name when the program starts."""

from __future__ import annotations

from inventory.services import audit, watches
from recovery.services.audit import COMPARISONS, TABLES, run_months
from recovery.services.sweep import RUN_WATCH

watches.register(RUN_WATCH)
audit.register(*COMPARISONS, look=run_months, counted=TABLES)
