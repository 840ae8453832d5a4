"""What the gate before a still would say, without booking anything."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from inventory.models import Container, Lab
from inventory.rules.errors import InputError
from inventory.rules.levels import Level
from inventory.rules.phrases import Phrase
from inventory.rules.verdict import distilling_terms
from inventory.services.measuring import measured
from inventory.services.safety import policy_of
from recovery.models import Run
from recovery.rules.clearing import heel_ul
from recovery.services import gate
from recovery.services.gate import Ruling
from recovery.services.heel import NEVER_TO_DRYNESS, is_former

ALWAYS = ("licensed-disposal", "local-code")


@dataclass(frozen=True)
class Check:
    """The ruling and what goes with it. heel_ul None: no volume was given. cautions: codes of the house's."""

    ruling: Ruling
    allowed: bool
    level: Level
    needed: bool
    steps: tuple[str, ...]
    heel_percent: Decimal
    heel_ul: int | None
    heel_source: str
    cautions: tuple[str, ...]

    @property
    def may_be_overridden(self) -> bool:
        return self.needed and not self.ruling.allowed and self.ruling.level != "do-not-touch"


def clearance_check(
    *, lab: Lab, now: datetime, run: Run, container: Container | None = None, amount: str | None = None
) -> Check:
    """What a charge from a container would meet; without one, what the run holds already.

    Raises InputError for a container that is empty and an amount that cannot be read.
    """
    if container is not None and (container.lot is None or container.volume_ul == 0):
        raise InputError(
            "container", "container-empty", Phrase("{code} is empty by the records.", code=container.code)
        )
    ruling = gate.ruling_on(run=run, container=container, now=now, lock=False)
    terms = distilling_terms(policy_of(lab))
    former = container is not None and container.lot is not None and is_former(container.lot.solvent)
    fraction = terms.heel_fraction if former or container is None else Decimal(0)
    heel = None
    if amount is not None and container is not None and container.lot is not None:
        heel = heel_ul(measured(amount, container.lot.solvent).volume_ul, fraction)
    dry = run.to_dryness and former
    steps = dict.fromkeys(gate.remedy_of(one, reason) for one, reason in ruling.against)
    return Check(
        ruling=ruling,
        allowed=(ruling.allowed or not run.distils) and not dry,
        level=ruling.level,
        needed=run.distils,
        steps=(*([NEVER_TO_DRYNESS] if dry else []), *steps),
        heel_percent=fraction * 100,
        heel_ul=heel,
        heel_source=terms.heel_source if fraction else "",
        cautions=tuple(dict.fromkeys([*(c for one in ruling.judged for c in one.cautions), *ALWAYS])),
    )
