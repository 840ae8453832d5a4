"""A run log comes in."""

from __future__ import annotations

from typing import Any

from inventory.api.imports import Import, ImportView, import_contract
from inventory.services.import_report import ImportReport
from recovery.services.importing import import_runs


class RunImports(ImportView):
    """A run log: what lies before the count is history, what lies after it moves the stock."""

    contracts = {"POST": import_contract("Import a run log", Import)}

    def read(self, **options: Any) -> ImportReport:
        return import_runs(**self.by, **options)
