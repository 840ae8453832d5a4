"""Rows of a stock list into lots, containers, tests, signs and opening balances, a few thousand at a time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Literal, cast

from inventory.models import (
    Container,
    ImportedRow,
    Lab,
    Lot,
    Observation,
    PeroxideTest,
    Place,
    PlaceKind,
    Solvent,
    User,
)
from inventory.rules.forecast import Point, forecast
from inventory.rules.outcomes import action_level
from inventory.rules.peroxide import Reading
from inventory.rules.policy_data import Origin as RetestOrigin
from inventory.rules.policy_data import Policy
from inventory.rules.retest import ContainerFacts
from inventory.rules.sheets.cells import Origin, ReadingCell
from inventory.rules.sheets.stock import StockRow
from inventory.rules.stored import NO_FORECAST, Forecast, stored
from inventory.rules.volume import Measured
from inventory.services import bulk, ledger
from inventory.services.containers import day_in_lab
from inventory.services.facts import class_for_safety, policy_of
from inventory.services.forecasting import NOT_A_FORMER
from inventory.services.import_turns import turns_of
from inventory.services.ledger import End, Line, Opening
from inventory.services.places import boundary, location_get
from inventory.services.readings import UG_PER_MG
from inventory.services.refreshing import COLUMNS

ORIGINS: dict[Origin, str] = {
    "purchased": Lot.Origin.PURCHASED.value,
    "distilled-here": Lot.Origin.RECOVERED.value,
    "recovered": Lot.Origin.RECOVERED.value,
    "made-here": Lot.Origin.MADE_HERE.value,
    "blend": Lot.Origin.BLEND.value,
    "not-stated": Lot.Origin.NOT_KNOWN.value,
}
OPENED = {
    "unopened": Container.Opened.UNOPENED.value,
    "opened": Container.Opened.OPENED.value,
    "not-stated": Container.Opened.UNKNOWN.value,
}
INHIBITED = {"yes": True, "no": False, "not-stated": None}
PPM_MAX = Decimal(1_000_000)

LOT = ["id", "lab_id", "solvent_id", "origin", "maker", "maker_lot", "expiry_on", "inhibited", "inhibitor"]
LOT += ["inhibitor_ppm", "assay", "made_on", "times_distilled", "created_at", "note"]
CONTAINER = ["id", "code", "location_id", "capacity_ul", "material", "received_on", "opened", "opened_on"]
CONTAINER += ["atmosphere", "counting_began_at", *COLUMNS, "version", "note", "created_at"]
TEST = ["lab_id", "container_id", "lot_id", "method", "lower_ug_per_l", "upper_ug_per_l", "as_entered"]
TEST += ["tested_on", "actor_id", "recorded_at", "note"]
SIGN = ["lab_id", "container_id", "lot_id", "sign", "words", "seen_on", "actor_id", "recorded_at"]
IMPORTED = ["lab_id", "kind", "fingerprint", "file_sha256", "line", "subject_kind", "subject_id"]
IMPORTED += ["actor_id", "recorded_at", "turn"]


@dataclass(frozen=True, slots=True)
class Count:
    """When the amounts of a list were true, and when it is entered."""

    now: datetime
    on: date
    began_at: datetime


@dataclass(frozen=True, slots=True)
class Draft:
    """A row that can be entered."""

    row: StockRow
    solvent: Solvent
    capacity_ul: int
    left: Measured


@dataclass(frozen=True, slots=True)
class _Test:
    """A reading in the steps in which it is stored."""

    lower_ug_per_l: int
    upper_ug_per_l: int | None
    reading: Reading


def write_stock(lab: Lab, actor: User, count: Count, drafts: Sequence[Draft], file_sha256: str) -> None:
    """Enter every draft. Only inside the import's transaction, with the lab locked."""
    solvents = _solvents_held(lab, drafts)
    names = {d.row.location_key: d.row.location for d in drafts if d.row.location}
    locations = {key: location_get(lab=lab, name=name).pk for key, name in names.items()}
    moments = (day_in_lab(lab, count.now), bulk.stored(count.now), bulk.stored(count.began_at))
    fixed = (policy_of(lab), boundary(lab, PlaceKind.BEFORE_COUNTING), *moments)
    for start in range(0, len(drafts), bulk.CHUNK):
        chunk = drafts[start : start + bulk.CHUNK]
        _Chunk(lab, actor, count, file_sha256, solvents, locations, *fixed).write(chunk)


def _solvents_held(lab: Lab, drafts: Sequence[Draft]) -> dict[str, Solvent]:
    """The solvents as they stand now, so that none is confirmed between its verdict and its storing."""
    keys = {d.solvent.key for d in drafts}
    own = Solvent.objects.filter(lab=lab, key__in=keys).order_by("id")
    held = {s.key: s for s in own.select_for_update(of=("self",), no_key=True)}
    return {d.solvent.key: d.solvent for d in drafts} | held


@dataclass(frozen=True)
class _Chunk:
    lab: Lab
    actor: User
    count: Count
    file_sha256: str
    solvents: dict[str, Solvent]
    locations: dict[str, int]
    policy: Policy
    source: End
    today: date
    now: Any
    began_at: Any

    def write(self, drafts: Sequence[Draft]) -> None:
        places, lots, containers = (bulk.take_ids(m, len(drafts)) for m in (Place, Lot, Container))
        tests = [_test(d.row) for d in drafts]
        each = list(zip(drafts, places, lots, containers, tests, strict=True))
        bulk.insert(
            Place, ["id", "lab_id", "kind"], ((p, self.lab.pk, PlaceKind.CONTAINER.value) for p in places)
        )
        bulk.insert(Lot, LOT, [self.lot(d, lot) for d, _, lot, _, _ in each])
        ledger.open_balances(
            lab=self.lab,
            actor=self.actor,
            now=self.count.now,
            happened_at=self.count.began_at,
            columns=CONTAINER,
            openings=[self.opening(*one) for one in each],
        )
        bulk.insert(PeroxideTest, TEST, [self.test(d, c, lot, t) for d, _, lot, c, t in each if t])
        bulk.insert(Observation, SIGN, [row for d, _, lot, c, _ in each for row in self.signs(d, c, lot)])
        turns = turns_of(self.lab, "stock", (d.row.fingerprint for d in drafts))
        bulk.insert(ImportedRow, IMPORTED, [self.imported(d, c, turns) for d, _, _, c, _ in each])

    def lot(self, draft: Draft, lot_id: int) -> tuple[Any, ...]:
        row = draft.row
        return (
            lot_id, self.lab.pk, draft.solvent.pk, ORIGINS[row.origin], "", "", row.expires_on,
            INHIBITED[row.inhibitor.state], row.inhibitor.name[:60], _ppm(row.inhibitor.ppm), "",
            _made_on(row), 1 if row.origin in ("distilled-here", "recovered") else 0, self.now, "",
        )  # fmt: skip

    def opening(
        self, draft: Draft, place_id: int, lot_id: int, container_id: int, test: _Test | None
    ) -> Opening:
        row = draft.row
        facts = (
            container_id, row.code, self.locations.get(row.location_key), draft.capacity_ul, "",
            row.received_on, OPENED[row.opened.state], row.opened.opened_on, "unknown",
            self.began_at, *self.stored(draft, test), 1, row.remarks, self.now,
        )  # fmt: skip
        return Opening(place_id, lot_id, facts, self.line(draft, place_id, lot_id))

    def line(self, draft: Draft, place_id: int, lot_id: int) -> Line | None:
        if draft.left.volume_ul == 0:
            return None
        return Line(
            "receive",
            lot_id,
            draft.solvent.pk,
            self.source,
            End(place_id, PlaceKind.CONTAINER.value),
            draft.left.volume_ul,
            draft.left.u_volume_ul,
            draft.left.as_entered,
        )

    def stored(self, draft: Draft, test: _Test | None) -> list[Any]:
        """As `refreshing` will work it out from the records; the audit compares the two."""
        row, solvent = draft.row, self.solvents[draft.solvent.key]
        not_known = row.origin == "not-stated"
        facts = ContainerFacts(
            peroxide_class=class_for_safety(solvent),
            inhibited=None if not_known else INHIBITED[row.inhibitor.state],
            origin=cast(RetestOrigin, "purchased" if not_known else ORIGINS[row.origin]),
            opened=cast(Literal["unopened", "opened", "unknown"], OPENED[row.opened.state]),
            opened_on=row.opened.opened_on,
            received_on=row.received_on,
            made_on=_made_on(row),
            expiry_on=row.expires_on,
            last_test=test.reading if test else None,
            recorded_on=self.today,
            signs=frozenset(sign.code for sign in row.signs),
            density_20c_kg_m3=solvent.density_20c_kg_m3,
            origin_unknown=not_known,
        )
        tested = [] if test is None or test.reading.tested_on is None else [test.reading.tested_on]
        columns, _ = stored(facts, self.policy, self.today, tested, self.forecast(facts))
        return [getattr(columns, name) for name in COLUMNS]

    def forecast(self, facts: ContainerFacts) -> Forecast:
        """Why the one reading of a list foretells nothing, as `forecasting` will say of the records."""
        reading = facts.last_test
        if reading is None or reading.tested_on is None:
            return NO_FORECAST
        told = NOT_A_FORMER
        if facts.peroxide_class != "none":
            level = action_level(self.policy, facts.density_20c_kg_m3)
            bounds = (reading.lower_mg_per_l, reading.upper_mg_per_l)
            told = forecast([Point(reading.tested_on, *bounds, reading.method)], level)
        return Forecast(told.on, told.code, told.words)

    def test(self, draft: Draft, container_id: int, lot_id: int, test: _Test) -> tuple[Any, ...]:
        reading = cast(ReadingCell, draft.row.reading)
        return (
            self.lab.pk, container_id, lot_id, draft.row.method, test.lower_ug_per_l, test.upper_ug_per_l,
            reading.text[:120], draft.row.tested_on, self.actor.pk, self.now, reading.note,
        )  # fmt: skip

    def signs(self, draft: Draft, container_id: int, lot_id: int) -> list[tuple[Any, ...]]:
        head, tail = (self.lab.pk, container_id, lot_id), (self.count.on, self.actor.pk, self.now)
        return [(*head, sign.code, sign.words[:300], *tail) for sign in draft.row.signs]

    def imported(self, draft: Draft, container_id: int, turns: dict[str, int]) -> tuple[Any, ...]:
        row = draft.row
        return (
            self.lab.pk, "stock", row.fingerprint, self.file_sha256, row.line, "container", container_id,
            self.actor.pk, self.now, turns.get(row.fingerprint, 0),
        )  # fmt: skip


def _ppm(ppm: Decimal | None) -> Decimal | None:
    """As the column holds it; more than a million parts in a million is no ppm."""
    return None if ppm is None or ppm >= PPM_MAX else ppm.quantize(Decimal("0.001"))


def _made_on(row: StockRow) -> date | None:
    """What was not bought came on the day it was distilled, blended or made."""
    return None if row.origin in ("purchased", "not-stated") else row.received_on


def _test(row: StockRow) -> _Test | None:
    if row.reading is None:
        return None
    lower_ug = int(row.reading.lower_mg_per_l * UG_PER_MG)
    upper = row.reading.upper_mg_per_l
    upper_ug = None if upper is None else math.ceil(upper * UG_PER_MG)
    bounds = Decimal(lower_ug) / UG_PER_MG, None if upper_ug is None else Decimal(upper_ug) / UG_PER_MG
    reading = Reading(*bounds, row.method, row.tested_on)
    return _Test(lower_ug, upper_ug, reading)
