"""All tables of recovery; import models from here."""

from recovery.models.kinds import Apparatus, ApparatusRecord, RunApparatus, RunFact, RunField, RunKind
from recovery.models.losses import LossFit, LossSignal
from recovery.models.quality import QualityCheck, QualityLimit, ReturnState, SolventPrice
from recovery.models.reuse import Reuse
from recovery.models.runs import Clearance, Run, RunSum

__all__ = [
    "Apparatus",
    "ApparatusRecord",
    "Clearance",
    "LossFit",
    "LossSignal",
    "QualityCheck",
    "QualityLimit",
    "ReturnState",
    "Reuse",
    "Run",
    "RunApparatus",
    "RunFact",
    "RunField",
    "RunKind",
    "RunSum",
    "SolventPrice",
]
