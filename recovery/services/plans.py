"""The plan before a run: how much solvent, which bottles, what will be lost, and what gets into the air.

Nothing is written. The verdict on each bottle is the one function's; the heel is the policy's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Any

from inventory.models import Container, Lab, Location, Solvent
from inventory.rules.errors import InputError
from inventory.rules.levels import RANK, Use
from inventory.rules.phrases import Phrase
from inventory.rules.verdict import Verdict, distilling_terms
from inventory.services.due_telling import told_in
from inventory.services.facts import containers_with, policy_of
from inventory.services.verdicts import verdicts_of_many
from recovery.models import Apparatus, LossFit, RunKind
from recovery.rules.budget import Estimate
from recovery.rules.clearing import heel_ul
from recovery.rules.extraction_entry import Worked
from recovery.rules.fitness import Fitness
from recovery.rules.fitted import fit_of, fitted
from recovery.rules.predicted import Ask, Prediction, Told, predict
from recovery.rules.properties import Properties
from recovery.rules.run_facts import FactRead, read_fact
from recovery.rules.stock_choice import Bottle, Choice, choose
from recovery.rules.vapour import Room, known_room
from recovery.rules.vapour_check import VapourCheck, vapour_check
from recovery.selectors.balances import fit_among, fit_name
from recovery.selectors.kinds import fields_by_key
from recovery.selectors.losses import loss_rates
from recovery.selectors.properties import properties_of
from recovery.services.heel import is_former
from recovery.services.kinds import field_data
from recovery.services.quality_fit import fitness_of

UL_PER_ML = 1000
BOTTLES_MAX = 500
RUNS_ENOUGH = 5
AIR = "air"
USE_OF_KIND = {
    "liquid-liquid-extraction": "extraction",
    "soxhlet-extraction": "extraction",
    "column-chromatography": "chromatography",
    "reaction": "reaction",
    "rinsing": "rinsing",
}
QUALITY = ("fit", "as-bought", "not-shown", "not-fit")
#: taken into the air where a loss to it cannot be worked out, of what is charged; common practice, no source
UNKNOWN_AIR_SHARE = 0.1


@dataclass(frozen=True)
class PlanFor:
    """What is planned. volume_ul: where no extraction is worked out. facts: as told, by field.

    air: of the room, None where not told; over_h: how long solvent is about, None: all at once.
    """

    solvent: Solvent
    distils: bool
    kind: RunKind | None = None
    location: Location | None = None
    apparatus: Sequence[Apparatus] = ()
    facts: Mapping[str, Any] | None = None
    room_volume_m3: float | None = None
    air_changes_per_h: float | None = None
    mixing: float | None = None
    temperature_c: float = 20.0
    over_h: float | None = None


@dataclass(frozen=True)
class Plan:
    """The whole plan. back_ul: expected, with its uncertainty. spill: one portion, or all, on the floor."""

    of: PlanFor
    properties: Properties
    needed_ul: int
    extraction: Worked | None
    choice: Choice
    truncated: bool
    heel_ul: int
    heel_percent: Decimal
    heel_source: str
    prediction: Prediction
    fit: LossFit | None
    back_ul: int
    u_back_ul: int
    vapour: VapourCheck
    spill: VapourCheck
    assumptions: tuple[str, ...]


def heel_fraction(lab: Lab, solvent: Solvent, *, distils: bool) -> float:
    """What the policy wants left in the still, 0 to 1; nothing of what forms no peroxides."""
    if not (distils and is_former(solvent)):
        return 0.0
    return float(distilling_terms(policy_of(lab)).heel_fraction)


def known_loss(*, lab: Lab, solvent: Solvent) -> tuple[float, str] | None:
    """(fraction that this lab's closed runs lost of a solvent, words); None with too few of them."""
    rates = loss_rates(lab=lab, solvent=solvent.key)
    rate = next((one for one in rates if one.runs >= RUNS_ENOUGH and one.charged_ul > 0), None)
    if rate is None:
        return None
    fraction = min(1.0, max(0.0, rate.lost_ul / rate.charged_ul))
    return fraction, Phrase(
        "loss in the still not told: {percent}%, as {runs} runs of this lab lost",
        percent=f"{fraction * 100:.0f}",
        runs=rate.runs,
    )


def plan_run(*, lab: Lab, today: date, of: PlanFor, needed_ul: int, extraction: Worked | None = None) -> Plan:
    """Work a plan out from what is in the lab today. Raises InputError naming `facts.…` or `room_…`."""
    properties = replace(properties_of(of.solvent), flammable=_flammable(of.solvent))
    use = _use(of.kind, extraction)
    bottles, truncated = bottles_of(
        lab=lab, solvent=of.solvent, distils=of.distils, today=today, quality_for=use
    )
    terms = distilling_terms(policy_of(lab))
    fraction = terms.heel_fraction if of.distils and is_former(of.solvent) else Decimal(0)
    heel = heel_ul(needed_ul, fraction)
    ask = _ask(lab, of, properties, needed_ul, heel, extraction)
    theory = predict(ask)
    prediction, fit = _by_own_runs(lab, of, ask) or (theory, None)
    back = _back_ul(needed_ul, heel, prediction) if of.distils else 0
    room, said = _room(of)
    lost, more_said = _into_the_air(theory, needed_ul)
    check = vapour_check(properties, lost, of.over_h or 0.0, room, temperature_c=of.temperature_c)
    portion_ml = extraction.chosen.portion_ml if extraction else needed_ul / UL_PER_ML
    return Plan(
        of=of,
        properties=properties,
        needed_ul=needed_ul,
        extraction=extraction,
        choice=choose(bottles, needed_ul),
        truncated=truncated,
        heel_ul=heel,
        heel_percent=fraction * 100,
        heel_source=terms.heel_source if fraction else "",
        prediction=prediction,
        fit=fit,
        back_ul=back,
        u_back_ul=prediction.u_total_ul,
        vapour=check,
        spill=vapour_check(properties, Estimate(portion_ml), 0.0, room, temperature_c=of.temperature_c),
        assumptions=(*said, *more_said),
    )


def _back_ul(needed_ul: int, heel: int, prediction: Prediction) -> int:
    """What comes back: less all predicted losses, and less the heel where none of them is the heel."""
    counted = any(term.code == "heel" and term.value_ul is not None for term in prediction.terms)
    return max(0, needed_ul - prediction.total_ul - (0 if counted else heel))


def _flammable(solvent: Solvent) -> bool | None:
    """False only where the catalogue says that there is no flash point; not known stays not known."""
    return False if solvent.ghs_category == "none" and solvent.state == Solvent.State.SHIPPED else None


def _use(kind: RunKind | None, extraction: Worked | None) -> str:
    """For what its quality must do; "" where no list of uses says."""
    if kind is None:
        return "extraction" if extraction is not None else ""
    return USE_OF_KIND.get(kind.key, "")


def bottles_of(
    *, lab: Lab, solvent: Solvent, distils: bool, today: date, quality_for: str = ""
) -> tuple[list[Bottle], bool]:
    """(the lab's bottles of a solvent with today's verdict, whether there are more than were looked at).

    quality_for: a use of recovered solvent; what is not fit for it is taken for no such run.
    """
    rows = Container.objects.filter(lab=lab, lot__solvent=solvent, discarded_at=None, volume_ul__gt=0)
    ids = list(rows.order_by("next_test_due", "id").values_list("pk", flat=True)[: BOTTLES_MAX + 1])
    held = containers_with(ids[:BOTTLES_MAX])
    found = verdicts_of_many(held, today)
    uses: tuple[Use, ...] = ("draw", "distil") if distils else ("draw",)
    bottles = [
        _bottle(row, [found[row.pk][use] for use in uses], told_in(found[row.pk], row, today).advice)
        for row in held
    ]
    if quality_for and bottles:
        fits = fitness_of(lab=lab, container_ids=ids[:BOTTLES_MAX], today=today)
        bottles = [_with_quality(one, fits[one.container_id].uses[quality_for]) for one in bottles]
    return bottles, len(ids) > BOTTLES_MAX


def _with_quality(bottle: Bottle, found: Fitness) -> Bottle:
    """The bottle with what is shown of its quality, which never makes it better than its verdict."""
    own = [reason for reason in found.reasons if not reason.code.startswith("verdict")]
    state = max((reason.state for reason in own), key=QUALITY.index, default="fit")
    if state != "not-fit":
        return replace(bottle, quality=state)
    against = [(r.code, r.words, r.source) for r in own if r.state == "not-fit"]
    return replace(bottle, quality=state, allowed=False, against=(*bottle.against, *against))


def _bottle(container: Container, verdicts: Sequence[Verdict], advice: str) -> Bottle:
    lot = container.lot
    assert lot is not None
    worst = max((v for v in verdicts if not v.allowed), key=lambda v: RANK[v.level], default=verdicts[-1])
    days = [day for day in (lot.expiry_on, *(v.due_on for v in verdicts)) if day is not None]
    against = {
        (reason.code, reason.words, reason.source)
        for v in verdicts
        if not v.allowed
        for reason in v.reasons
        if reason.level != "use"
    }
    return Bottle(
        container_id=container.pk,
        code=container.code,
        volume_ul=container.volume_ul,
        recovered=lot.times_distilled > 0,
        times_distilled=lot.times_distilled,
        opened=container.opened != "unopened",
        ends_on=min(days, default=None),
        level=worst.level,
        allowed=all(v.allowed for v in verdicts),
        against=tuple(sorted(against)),
        advice=advice,
    )


def _ask(
    lab: Lab,
    of: PlanFor,
    properties: Properties,
    needed_ul: int,
    heel: int,
    extraction: Worked | None,
) -> Ask:
    """What the prediction of losses is asked: the plan's own facts, those told, and those of its kind."""
    known = fields_by_key(lab)
    told = {key: _told(known, key, raw) for key, raw in (of.facts or {}).items()}
    asked = of.kind.fields if of.kind is not None else None
    defaults = {
        one["field"]: _told(known, one["field"], one["default"])
        for one in asked or []
        if one["default"] is not None and one["field"] in known and one["field"] not in told
    }
    return Ask(
        solvent=properties,
        charged_ml=needed_ul / UL_PER_ML,
        facts={**planned_facts(extraction), **told},
        defaults=defaults,
        distils=of.distils,
        asked=None if asked is None else frozenset(one["field"] for one in asked),
        heel_ml=heel / UL_PER_ML,
        forms_peroxides=is_former(of.solvent),
        hold_up_ml={
            row.name: None if row.hold_up_ul is None else row.hold_up_ul / UL_PER_ML for row in of.apparatus
        },
    )


def _by_own_runs(lab: Lab, of: PlanFor, ask: Ask) -> tuple[Prediction, LossFit] | None:
    """The prediction by a fit that somebody put into use; None where none fits, or a driver is not told."""
    in_use = LossFit.objects.filter(
        lab=lab, solvent=of.solvent, adopted_at__isnull=False, ended_at=None
    ).select_related("adopted_by")
    fit = fit_among(
        in_use,
        solvent_id=of.solvent.pk,
        kind_id=None if of.kind is None else of.kind.pk,
        apparatus=frozenset(row.pk for row in of.apparatus),
    )
    if fit is None:
        return None
    found = fitted(ask, fit_of(fit.result), name=fit_name(fit))
    return None if found is None else (found, fit)


def planned_facts(extraction: Worked | None) -> dict[str, Told]:
    """The facts that a planned extraction says by itself."""
    if extraction is None:
        return {}
    water = extraction.asked.extraction.water_ml
    facts = {
        "water-volume": Told(water.value, water.u),
        "water-phases": Told(1.0),
        "contacts": Told(float(extraction.chosen.portions)),
    }
    if extraction.asked.water_c is not None:
        facts["water-temperature"] = Told(extraction.asked.water_c)
    return facts


def _told(known: Mapping[str, Any], key: str, raw: Any) -> Told:
    row = known.get(key)
    if row is None:
        words = Phrase("There is no field “{key}” in use.", key=key[:60])
        raise InputError(f"facts.{key[:60]}", "unknown-field", words, Phrase("See run-fields/."))
    read: FactRead = read_fact(field_data(row), raw, field=f"facts.{key}")
    if read.number is None:
        return Told(word=str(read.as_entered.get("value", "")))
    return Told(float(read.number), float(read.u_number or 0))


def _room(of: PlanFor) -> tuple[Room, list[str]]:
    """The room by what was told, else by its record and that of what it lies in, else the worse."""
    volume, changes = of.room_volume_m3, of.air_changes_per_h
    if of.location is not None and volume is None:
        recorded = next((row for row in _around(of.location) if row.volume_m3 is not None), None)
        if recorded is not None:
            volume = float(recorded.volume_m3 or 0)
            if changes is None and recorded.air_changes_per_h is not None:
                changes = float(recorded.air_changes_per_h)
    said: list[str] = []
    if of.over_h is None:
        said.append(Phrase("time not told: all vapour set free at once"))
    return known_room(volume, changes, of.mixing), said


def _around(location: Location) -> list[Location]:
    """The location and what it lies in, the innermost first."""
    above = {row.pk: row for row in Location.objects.filter(paths_down__descendant=location)}
    found = [location]
    while (outer := above.get(found[-1].parent_id or 0)) is not None and len(found) <= len(above):
        found.append(outer)
    return found


def _into_the_air(prediction: Prediction, needed_ul: int) -> tuple[Estimate, list[str]]:
    """Liquid that is predicted to get into the air; a share of the charge where that cannot be said."""
    terms = [term for term in prediction.terms if term.place == AIR]
    known = [term for term in terms if term.value_ul is not None]
    value_ml = sum(term.value_ul or 0 for term in known) / UL_PER_ML
    u_ml = sum(term.u_ul**2 for term in known) ** 0.5 / UL_PER_ML
    if known and len(known) == len(terms):
        return Estimate(value_ml, u_ml), []
    more_ml = UNKNOWN_AIR_SHARE * needed_ul / UL_PER_ML
    words = Phrase(
        "not every loss to the air can be worked out: {percent}% of the charge added",
        percent=f"{UNKNOWN_AIR_SHARE * 100:.0f}",
    )
    return Estimate(value_ml + more_ml, u_ml), [words]
