"""Data in bulk that balances: a few bottles and movements through the services, then copied by SQL."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any

from django.core.management.color import no_style
from django.db import connection
from django.db.models import Max, Model

from inventory.models import Container, Flow, Lab, Movement, Place, PlaceKind, User
from inventory.services import safety, volumes
from tests import factories
from tests.factories import Club

NOW = factories.NOW
SOLVENTS = (
    "diethyl-ether", "tetrahydrofuran", "2-propanol", "ethyl-acetate", "acetone", "n-hexane",
    "dichloromethane", "methanol", "ethanol", "toluene", "n-heptane", "cyclohexane",
)  # fmt: skip
#: where solvent of the ledger goes and comes back from
BENCH = (PlaceKind.REACTION, PlaceKind.AIR, PlaceKind.UNACCOUNTED, PlaceKind.PRODUCT)
MONTHS = 24


def the_club() -> Club:
    """The club that every prepared database holds."""
    lab = Lab.objects.get(slug="biscuit-club")
    people = {
        user.username.split("-")[0]: user for user in User.objects.filter(memberships__lab=lab).order_by("pk")
    }
    return Club(lab, people)


def execute(sql: str) -> int:
    """Run one statement; returns the rows it touched."""
    with connection.cursor() as cursor:
        cursor.execute(sql)
        return int(cursor.rowcount)


def scalar(sql: str) -> Any:
    with connection.cursor() as cursor:
        cursor.execute(sql)
        return cursor.fetchone()[0]


def _top(model: type[Model]) -> int:
    return int(model._default_manager.aggregate(top=Max("pk"))["top"] or 0)


def copy_row(model: type[Model], pk: int, count: int, extra: str = "", **changes: str) -> None:
    """Insert `count` copies of one row; changes: column → SQL over n.i, which runs from 1. extra: a join."""
    meta = model._meta
    columns = [field.column for field in meta.concrete_fields if field.column]
    values = ", ".join(changes.get(column, f't."{column}"') for column in columns)
    execute(
        f"INSERT INTO {meta.db_table} ({', '.join(columns)}) "
        f"WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < {count}) "
        f"SELECT {values} FROM n CROSS JOIN {meta.db_table} t {extra} WHERE t.id = {pk}"
    )


def new_uuid() -> str:
    return "lower(hex(randomblob(16)))" if connection.vendor == "sqlite" else "gen_random_uuid()"


def tested_bottles(club: Club, opened: Mapping[str, date]) -> dict[str, Container]:
    """One ether for each name, opened on its day and tested then, so that only its retest ever falls due."""
    made = {}
    for name, day in opened.items():
        bottle = factories.stocked(
            club, "diethyl-ether", "900 mL", received_on=day, opened_on=day, code=f"{name}-0"
        )
        safety.test_record(
            lab=club.lab, actor=club.steward, now=NOW, container=bottle, reading="<1", method="strip-25",
            tested_on=day,
        )  # fmt: skip
        made[name] = factories.fresh(bottle)
    return made


def copy_bottles(bottle: Container, count: int, prefix: str) -> None:
    """`count` more bottles like this one, each with the movement that filled it. The flows come later."""
    if count < 1:
        return
    place, container, movement = _top(Place), _top(Container), _top(Movement)
    filled = Movement.objects.get(destination_id=bottle.place_id)
    code = f"'{prefix}' || n.i"
    copy_row(Place, bottle.place_id, count, id=f"{place} + n.i")
    copy_row(Container, bottle.pk, count, id=f"{container} + n.i", place_id=f"{place} + n.i", code=code)
    ends = {"destination_id": f"{place} + n.i", "entry": new_uuid()}
    copy_row(Movement, filled.pk, count, id=f"{movement} + n.i", **ends)


def settle(*models: type[Model]) -> None:
    """Bring flows and id sequences up to date after copying, and PostgreSQL's statistics.

    SQLite has none, as in use: nothing here ever asks it for ANALYZE, whose figures of a unique column that
    is mostly NULL (which movement another one reverses) make it avoid the index.
    """
    rebuild_flows()
    copied = models or (Place, Container, Movement, Flow)
    for sql in connection.ops.sequence_reset_sql(no_style(), list(copied)):
        execute(sql)
    if connection.vendor == "postgresql":
        execute("VACUUM ANALYZE")
    else:
        execute("PRAGMA wal_checkpoint(TRUNCATE)")


FLOWS = (
    "SELECT m.lab_id, m.solvent_id, m.flow_month, s.kind, d.kind, SUM(m.volume_ul) "
    "FROM inventory_movement m JOIN inventory_place s ON s.id = m.source_id "
    "JOIN inventory_place d ON d.id = m.destination_id GROUP BY 1, 2, 3, 4, 5"
)
FLOW_COLUMNS = "lab_id, solvent_id, month, source_kind, destination_kind, volume_ul"


def rebuild_flows() -> None:
    """Sum the movements again. The copied data hold no reversals, whose cells would be turned round."""
    assert not Movement.objects.exclude(reversal_of=None).exists()
    execute("DELETE FROM inventory_flow")
    execute(f"INSERT INTO inventory_flow ({FLOW_COLUMNS}) {FLOWS}")


# Grouped, not looked up place by place: SQLite's statistics call an index over few sources useless.
WRONG_BALANCES = (
    "SELECT COUNT(*) FROM inventory_container c LEFT JOIN (SELECT place_id, SUM(volume_ul) AS held FROM "
    "(SELECT destination_id AS place_id, volume_ul FROM inventory_movement UNION ALL "
    "SELECT source_id, -volume_ul FROM inventory_movement) e GROUP BY place_id) b "
    "ON b.place_id = c.place_id WHERE c.volume_ul <> COALESCE(b.held, 0)"
)


def check_balances() -> None:
    """Raise AssertionError unless every balance and every flow is the sum of the movements."""
    wrong = scalar(WRONG_BALANCES)
    assert wrong == 0, f"{wrong} balances differ from their movements"
    stored = f"SELECT {FLOW_COLUMNS} FROM inventory_flow"
    for one, other in ((stored, FLOWS), (FLOWS, stored)):
        differing = scalar(
            f"SELECT COUNT(*) FROM (SELECT * FROM ({one}) a EXCEPT SELECT * FROM ({other}) b) x"
        )
        assert differing == 0, f"{differing} flows differ from their movements"


def months_before(moment: datetime, count: int) -> list[datetime]:
    """Noon of the 5th of each of the last `count` months, the oldest first."""
    found = [moment.replace(day=5, hour=12, minute=0, second=0, microsecond=0)]
    while len(found) < count:
        found.append((found[-1].replace(day=1) - timedelta(days=1)).replace(day=5))
    return found[::-1]


def busy_bottles(club: Club) -> list[Container]:
    """One bottle of each solvent, received two years ago, drawn from and put back into once by each way."""
    start = datetime(2024, 3, 1, 12, tzinfo=UTC)
    made = []
    for key in SOLVENTS:
        bottle = factories.stocked(
            club, key, "5 L", capacity_ul=10_000_000, now=start, received_on=start.date(), inhibited=True
        )
        for kind in BENCH:
            common: dict[str, Any] = {
                "lab": club.lab, "actor": club.member, "now": start, "container": factories.fresh(bottle),
                "amount": {"value": "1", "unit": "mL", "instrument": "cylinder-a-10"},
            }  # fmt: skip
            volumes.draw(destination=club.end(kind), **common)
            volumes.put_back(source=club.end(kind), **common)
        made.append(factories.fresh(bottle))
    return made


def copy_movements(templates: Iterable[Movement], count: int) -> None:
    """`count` copies of each movement, spread over the months. Draws and put-backs must balance."""
    months = " UNION ALL ".join(
        f"SELECT {k} AS k, {_date(moment)} AS month, {_moment(moment)} AS at"
        for k, moment in enumerate(months_before(NOW, MONTHS))
    )
    join = f"JOIN ({months}) y ON y.k = n.i % {MONTHS}"
    top = _top(Movement)
    for number, movement in enumerate(templates):
        copy_row(
            Movement, movement.pk, count, join, id=f"{top + number * count} + n.i", entry=new_uuid(),
            flow_month="y.month", happened_at="y.at", recorded_at="y.at",
        )  # fmt: skip


def _date(moment: datetime) -> str:
    text = f"'{moment.date().replace(day=1)}'"
    return text if connection.vendor == "sqlite" else f"CAST({text} AS date)"


def _moment(moment: datetime) -> str:
    text = f"{moment:%Y-%m-%d %H:%M:%S}"
    return f"'{text}'" if connection.vendor == "sqlite" else f"CAST('{text}+00' AS timestamptz)"
