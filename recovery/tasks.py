"""What recovery adds to the scheduled work; found by name when the program starts."""

from __future__ import annotations

from inventory.services import sweep
from recovery.services.sweep import RUN_WATCH

sweep.register(RUN_WATCH)
