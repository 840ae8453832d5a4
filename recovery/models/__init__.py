"""All tables of recovery; import models from here."""

from recovery.models.runs import Clearance, Run, RunSum

__all__ = ["Clearance", "Run", "RunSum"]
