"""What is missing at the close of a run, as movements: the losses that somebody names, and the rest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db.models import F

from inventory.models import LOST_TO, Movement, PlaceKind, Solvent, WasteContainer
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.rules.volume import Measured
from inventory.services.ledger import End, Line
from inventory.services.measuring import measured
from inventory.services.places import boundary
from inventory.services.storage import NO_OVERRIDE, Override
from inventory.services.volumes import Amount
from inventory.services.waste import waste_end
from inventory.services.waste_filling import admit_waste
from recovery.models import Run, RunSum

NOT_MEASURED = Measured(0, 0, {})


@dataclass(frozen=True)
class Loss:
    """A part of what is missing that somebody can name. solvent None: the run's only one.

    to: one of LOST_TO; `waste` says into which waste container. override: a word against what refuses that.
    """

    to: str
    amount: Amount
    solvent: Solvent | None = None
    waste: WasteContainer | None = None
    override: Override = NO_OVERRIDE
    extra: dict[str, Any] = field(default_factory=dict)


def run_end(run: Run) -> End:
    return End(run.place_id, PlaceKind.RUN.value)


def only_solvent(run: Run) -> Solvent:
    """The solvent of a run that has but one."""
    sums = list(RunSum.objects.select_related("solvent").filter(run=run, charged_ul__gt=0)[:2])
    if not sums:
        raise Conflict(
            "run",
            "nothing-charged",
            Phrase("Nothing was charged to this run."),
            Phrase("Book the charge first."),
        )
    if len(sums) > 1:
        raise InputError(
            "solvent",
            "several-solvents",
            Phrase("Several solvents were charged to this run."),
            Phrase("Say which this is."),
        )
    return sums[0].solvent


def named_lines(
    run: Run, losses: Sequence[Loss], left: dict[int, int], by: Any, *, at: str = "losses.{}."
) -> list[Line]:
    """Lines for the named losses; takes them off `left`. at: how the fields of one are called."""
    lines = []
    for index, loss in enumerate(losses):
        here = at.format(index)
        if loss.to not in LOST_TO:
            raise InputError(
                f"{here}to",
                "unknown-loss",
                Phrase("“{to}” is not a loss.", to=loss.to),
                Phrase("Use {known}.", known=", ".join(LOST_TO)),
            )
        solvent = loss.solvent or only_solvent(run)
        volume = measured(loss.amount, solvent, field=f"{here}volume")
        if volume.volume_ul > left.get(solvent.pk, 0):
            raise InputError(
                f"{here}volume",
                "more-than-left",
                Phrase(
                    "Only {left:g} mL of {name} are left to explain.",
                    left=max(left.get(solvent.pk, 0), 0) / 1000,
                    name=solvent.name,
                ),
                Phrase("Name less; the rest is booked as unaccounted."),
            )
        left[solvent.pk] -= volume.volume_ul
        destination = _loss_end(loss, f"{here}waste", solvent, by)
        line = _loss_line(run, solvent.pk, volume.volume_ul, destination, measured=volume)
        lines.append(line)
    return lines


def _loss_end(loss: Loss, field: str, solvent: Solvent, by: Any) -> End:
    into_waste = loss.to == PlaceKind.WASTE_CONTAINER
    if into_waste != (loss.waste is not None):
        remedy = Phrase("Give it with “waste-container”, and only with that.")
        raise InputError(field, "missing", Phrase("Waste goes into a waste container that is named."), remedy)
    if loss.waste is None:
        return boundary(by["lab"], loss.to)
    held, _ = admit_waste(**by, waste=loss.waste, solvent=solvent, override=loss.override, field=field)
    return waste_end(held)


def remainder_lines(run: Run, left: Mapping[int, int]) -> list[Line]:
    """What nobody can name; backwards when more came back than went out."""
    unaccounted = boundary(run.lab, PlaceKind.UNACCOUNTED)
    return [
        _loss_line(run, solvent_id, left_ul, unaccounted)
        for solvent_id, left_ul in sorted(left.items())
        if left_ul
    ]


def _loss_line(
    run: Run, solvent_id: int, volume_ul: int, other: End, measured: Measured = NOT_MEASURED
) -> Line:
    lot_id = (
        Movement.objects.filter(destination_id=run.place_id, solvent_id=solvent_id, kind="charge")
        .order_by(F("reversed_by").asc(nulls_first=True), "id")
        .values_list("lot_id", flat=True)[0]
    )
    ends = (run_end(run), other) if volume_ul > 0 else (other, run_end(run))
    u_ul, entered = measured.u_volume_ul, measured.as_entered
    return Line("loss", lot_id, solvent_id, *ends, abs(volume_ul), u_ul, as_entered=entered)
