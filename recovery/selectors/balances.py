"""Balances, predictions and waterfalls of runs, worked out from the records when they are asked for.

Nothing of it is stored, so nothing can go stale: a fact told later, a reversal, a fit put into use show at
once.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from inventory.models import Lab, Solvent
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from recovery.models import Apparatus, LossFit, Run, RunField
from recovery.rules.balance import Balance, Named, Return, balance
from recovery.rules.fitted import fit_of, fitted
from recovery.rules.predicted import Ask, Prediction, Told, predict
from recovery.rules.properties import Properties
from recovery.rules.run_facts import read_fact
from recovery.rules.run_kinds import FieldData
from recovery.rules.solubility import mutual
from recovery.rules.waterfall import Waterfall, waterfall
from recovery.rules.wet_returns import DRY, State, WaterShare, water_share
from recovery.selectors.kinds import fields_of
from recovery.selectors.properties import properties_of
from recovery.selectors.run_amounts import Amounts, Back, amounts_of
from recovery.selectors.run_facts import FactNow, apparatus_of, facts_now

UL_PER_ML = 1000
MEASURED_AT_C = 20.0
WATER = "water"


@dataclass(frozen=True, slots=True)
class Gathered:
    """One solvent in one run, before anything is predicted."""

    run: Run
    solvent: Solvent
    balance: Balance
    ask: Ask
    apparatus: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class RunBalance:
    """One solvent in one run. fit: what the prediction rests on; None: on theory and assumptions."""

    solvent: Solvent
    balance: Balance
    prediction: Prediction
    waterfall: Waterfall
    fit: LossFit | None


def run_balances(*, lab: Lab, run: Run) -> list[RunBalance]:
    """Of each solvent that was in a run, in the order of their keys."""
    in_use = LossFit.objects.filter(lab=lab, adopted_at__isnull=False, ended_at=None)
    fits = list(in_use.select_related("adopted_by", "kind", "apparatus"))
    rows = gathered(lab=lab, runs=[run])
    return [_worked_out(row, fits) for row in sorted(rows, key=lambda row: row.solvent.key)]


def _worked_out(row: Gathered, fits: Iterable[LossFit]) -> RunBalance:
    fit = fit_for(row, fits)
    found = None if fit is None else fitted(row.ask, fit_of(fit.result), name=fit_name(fit))
    prediction = predict(row.ask) if found is None else found
    shown = waterfall(solvent=row.solvent.name, balance=row.balance, prediction=prediction)
    return RunBalance(row.solvent, row.balance, prediction, shown, fit if found else None)


def fit_name(fit: LossFit) -> Phrase:
    """How a prediction names the fit that it rests on."""
    return Phrase(
        "fit {id} over {runs} runs of this lab, made on {day}",
        id=fit.pk,
        runs=fit.runs,
        day=fit.made_at.date(),
    )


def fit_for(row: Gathered, fits: Iterable[LossFit]) -> LossFit | None:
    """The fit in use that says most about a run."""
    return fit_among(
        fits, solvent_id=row.solvent.pk, kind_id=row.run.kind_id, apparatus=frozenset(row.apparatus)
    )


def fit_among(
    fits: Iterable[LossFit], *, solvent_id: int, kind_id: int | None, apparatus: Collection[int]
) -> LossFit | None:
    """The fit that says most about such a run: of its apparatus, then of its kind, before one for all."""
    fitting = [
        fit
        for fit in fits
        if fit.solvent_id == solvent_id
        and fit.kind_id in (None, kind_id)
        and (fit.apparatus_id is None or fit.apparatus_id in apparatus)
    ]
    return max(
        fitting,
        key=lambda fit: (fit.apparatus_id is not None, fit.kind_id is not None, fit.pk),
        default=None,
    )


def gathered(*, lab: Lab, runs: Sequence[Run], solvent: Solvent | None = None) -> list[Gathered]:
    """Balances and what is known of runs, in a fixed number of statements however many they are.

    runs: with their kinds at hand. solvent: only of this one.
    """
    amounts = amounts_of([(run.pk, run.place_id) for run in runs])
    wanted = (
        {key for by_solvent in amounts.values() for key in by_solvent} if solvent is None else {solvent.pk}
    )
    known = _Known.of(lab, [run.pk for run in runs], wanted)
    return [
        known.gathered(run, solvent_id, one, len(amounts[run.pk]))
        for run in runs
        for solvent_id, one in amounts[run.pk].items()
        if solvent_id in wanted
    ]


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known of some runs and the same for several of them."""

    solvents: Mapping[int, Solvent]
    properties: Mapping[int, Properties]
    fields: Mapping[str, FieldData]
    facts: Mapping[int, Mapping[str, FactNow]]
    apparatus: Mapping[int, Sequence[tuple[int, str, str]]]
    hold_up_ul: Mapping[int, int | None]

    @classmethod
    def of(cls, lab: Lab, run_ids: Sequence[int], solvent_ids: Iterable[int]) -> _Known:
        solvents = Solvent.objects.in_bulk(list(solvent_ids))
        return cls(
            solvents,
            {pk: properties_of(row) for pk, row in solvents.items()},
            {row.key: _field_data(row) for row in fields_of(lab)},
            facts_now(run_ids),
            apparatus_of(run_ids),
            dict(Apparatus.objects.filter(lab=lab).values_list("pk", "hold_up_ul")),
        )

    def gathered(self, run: Run, solvent_id: int, amounts: Amounts, solvents: int) -> Gathered:
        solvent, properties = self.solvents[solvent_id], self.properties[solvent_id]
        facts = {key: _told(fact) for key, fact in self.facts.get(run.pk, {}).items()}
        used = self.apparatus.get(run.pk, ())
        no_water = solvent.key == WATER or _told_none(facts)
        found = balance(
            charged=amounts.charged,
            returned=[Return(b.part, _share(b, properties, no_water), b.weighed) for b in amounts.back],
            named=[Named(kind, tuple(parts)) for kind, parts in sorted(amounts.named.items())],
            held_ul=amounts.held_ul,
            density_kg_m3=float(solvent.density_20c_kg_m3),
            is_open=run.closed_at is None,
        )
        ask = Ask(
            properties,
            found.charged.volume_ul / UL_PER_ML,
            found.solvent_returned.volume_ul / UL_PER_ML if amounts.back else None,
            facts,
            self._defaults(run, facts),
            run.distils,
            None if run.kind is None else frozenset(one["field"] for one in run.kind.fields),
            run.heel_ul / UL_PER_ML if solvents == 1 or solvent.is_former else 0.0,
            solvent.is_former,
            {name: _ml(self.hold_up_ul.get(pk)) for pk, name, _ in used},
        )
        return Gathered(run, solvent, found, ask, tuple(pk for pk, _, _ in used))

    def _defaults(self, run: Run, facts: Mapping[str, Told]) -> dict[str, Told]:
        """What the kind of a run takes where nothing was told."""
        if run.kind is None:
            return {}
        rows = {one["field"]: one.get("default") for one in run.kind.fields if one["field"] not in facts}
        found = {
            key: _default(self.fields[key], _hashable(raw))
            for key, raw in rows.items()
            if raw is not None and key in self.fields
        }
        return {key: told for key, told in found.items() if told is not None}


def _told(fact: FactNow) -> Told:
    if fact.number is None:
        return Told(word=str(fact.as_entered.get("value", "")))
    return Told(float(fact.number), float(fact.u_number or 0))


def _told_none(facts: Mapping[str, Told]) -> bool:
    """Whether somebody said that there was no water."""
    water = facts.get("water-volume")
    return water is not None and water.number == 0


def _hashable(raw: Any) -> Any:
    return tuple(sorted(raw.items())) if isinstance(raw, dict) else raw


@lru_cache(maxsize=512)
def _default(data: FieldData, raw: Any) -> Told | None:
    """A default as a fact; None where it no longer fits its field."""
    try:
        read = read_fact(data, dict(raw) if isinstance(raw, tuple) else raw, field=data.key)
    except InputError:
        return None
    if read.number is None:
        return Told(word=str(read.as_entered.get("value", "")))
    return Told(float(read.number), float(read.u_number or 0))


def _field_data(row: RunField) -> FieldData:
    return FieldData(
        row.key,
        row.name,
        row.quantity,
        row.unit,
        row.lowest,
        row.highest,
        tuple((one[0], one[1]) for one in row.choices),
    )


def _share(back: Back, properties: Properties, no_water: bool) -> WaterShare:
    """What is taken for the water in a return."""
    if no_water and back.water is None and back.state != "wet":
        return DRY
    state: State = "not-told"
    if back.state in ("wet", "dried"):
        state = "wet" if back.state == "wet" else "dried"
    pair = mutual(properties, MEASURED_AT_C)
    saturated = None if pair.miscible else (pair.of_water.value, pair.of_water.u)
    return water_share(state, saturated=saturated, measured=back.water, miscible=pair.miscible)


def _ml(volume_ul: int | None) -> float | None:
    return None if volume_ul is None else volume_ul / UL_PER_ML
