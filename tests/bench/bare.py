"""Views that do in raw SQL what the API does: the token, the key, the container, the booking, the answer."""

from __future__ import annotations

import hashlib
import hmac
import json
import uuid
from datetime import datetime
from decimal import Decimal
from typing import Any

import orjson
from django.db import connection, transaction
from django.http import HttpRequest, HttpResponse
from django.urls import path
from django.utils import timezone

from tests.bench.draw import INSERT, UPDATE, UPSERT
from tests.bench.shelf import PAGE, row_out

TOKEN = (
    "SELECT t.hashed_key, t.user_id, t.lab_id, l.slug, l.time_zone, m.role FROM inventory_apitoken t "
    "JOIN inventory_lab l ON l.id = t.lab_id JOIN inventory_user u ON u.id = t.user_id "
    "JOIN inventory_membership m ON m.lab_id = t.lab_id AND m.user_id = t.user_id "
    "WHERE t.prefix = %s AND t.revoked = %s AND u.is_active = %s"
)
ANSWERED = "SELECT body_sha256, status, body FROM inventory_answer WHERE user_id = %s AND key = %s"
CLAIM = (
    "INSERT INTO inventory_answer (user_id, key, body_sha256, status, headers, created_at) "
    "VALUES (%s, %s, %s, 0, '{}', %s)"
)
ANSWER = "UPDATE inventory_answer SET status = 201, body = %s WHERE user_id = %s AND key = %s"
CONTAINER = (
    "SELECT c.place_id, c.lot_id, l.solvent_id, c.volume_ul, s.density_20c_kg_m3 FROM inventory_container c "
    "JOIN inventory_lot l ON l.id = c.lot_id JOIN inventory_solvent s ON s.id = l.solvent_id "
    "WHERE c.id = %s AND c.lab_id = %s"
)
END = "SELECT id FROM inventory_place WHERE lab_id = %s AND kind = %s"
NOW = "SELECT volume_ul, version FROM inventory_container WHERE id = %s"


def asked_by(cursor: Any, request: HttpRequest) -> tuple[Any, ...]:
    """The token's row. Its digest is checked as the API does."""
    secret = request.headers["Authorization"].removeprefix("Bearer ")
    cursor.execute(TOKEN, [secret.partition(".")[0], False, True])
    row: tuple[Any, ...] = cursor.fetchone()
    digest = f"sha512$${hashlib.sha512(secret.encode()).hexdigest()}"
    if not hmac.compare_digest(row[0], digest):
        raise PermissionError("token")
    return row


def answer(content: bytes, status: int) -> HttpResponse:
    """With its length, which a middleware would set otherwise, so that the connection is kept."""
    headers = {"Content-Length": str(len(content))}
    return HttpResponse(content, status=status, content_type="application/json", headers=headers)


def draw(request: HttpRequest, lab: str, container: int) -> HttpResponse:
    """Draw into a reaction."""
    now = timezone.now()
    sent = orjson.loads(request.body)
    volume_ul = int(Decimal(sent["volume"]["value"]) * 1000)
    key, digest = request.headers["Idempotency-Key"], hashlib.sha256(request.body).hexdigest()
    with connection.cursor() as cursor:
        _, user_id, lab_id, *_ = asked_by(cursor, request)
        cursor.execute(CONTAINER, [container, lab_id])
        place_id, lot_id, solvent_id, *_ = cursor.fetchone()
        cursor.execute(END, [lab_id, "reaction"])
        end_id = cursor.fetchone()[0]
        cursor.execute(ANSWERED, [user_id, key])
        assert cursor.fetchone() is None
        with transaction.atomic():
            cursor.execute(CLAIM, [user_id, key, digest, now])
            content = book(cursor, now, container, sent, [
                lab_id, None, "draw", lot_id, solvent_id, place_id, end_id, volume_ul, 10,
                now.date().replace(day=1), now, now, user_id, None, None, "",
            ])  # fmt: skip
            cursor.execute(ANSWER, [json.dumps(content.decode()), user_id, key])
    return answer(content, 201)


def book(cursor: Any, now: datetime, container: int, sent: Any, row: list[Any]) -> bytes:
    """Update, insert, upsert, and what stands now."""
    lab_id, lot_id, solvent_id, place_id, volume_ul = row[0], row[3], row[4], row[5], row[7]
    cursor.execute(UPDATE, [-volume_ul, lot_id, place_id, lab_id, lot_id, -volume_ul, -volume_ul])
    if cursor.rowcount != 1:
        raise ValueError("not enough")
    entry = uuid.uuid4()
    row[1] = entry.hex if connection.vendor == "sqlite" else entry
    row[13] = json.dumps(sent["volume"])
    cursor.execute(INSERT, row)
    movement_id = cursor.fetchone()[0]
    cursor.execute(UPSERT, [lab_id, solvent_id, row[9], "container", "reaction", volume_ul])
    cursor.execute(NOW, [container])
    held_ul, version = cursor.fetchone()
    standing = {"id": str(container), "volume_ul": held_ul, "version": version}
    return orjson.dumps({"entry": str(entry), "movements": [str(movement_id)], "containers": [standing]})


def listing(request: HttpRequest, lab: str) -> HttpResponse:
    """A hundred containers."""
    with connection.cursor() as cursor:
        lab_id = asked_by(cursor, request)[2]
        cursor.execute(PAGE, [lab_id])
        rows = cursor.fetchall()
    content = orjson.dumps({"next": None, "previous": None, "results": [row_out(row) for row in rows[:100]]})
    return answer(content, 200)


urlpatterns = [
    path("api/v1/labs/<slug:lab>/containers/<int:container>/draws/", draw),
    path("api/v1/labs/<slug:lab>/containers/", listing),
]
