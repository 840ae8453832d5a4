"""All tables of recovery; import models from here."""

from recovery.models.runs import Run, RunSum

__all__ = ["Run", "RunSum"]
