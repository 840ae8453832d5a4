"""Posting a draw over HTTP with 1, 8 and 32 clients, beside a bare view with the same statements."""

from __future__ import annotations

import json
import uuid
from itertools import count
from statistics import median

from django.db import connection

from inventory.models import Container
from inventory.services.labs import token_create
from tests.bench import data
from tests.bench.client import Load, request, send_all
from tests.bench.draw import amount, held, stock
from tests.bench.results import Result
from tests.bench.serving import served

CLIENTS = (1, 8, 32)
REQUESTS = {"small": 32, "full": 640}  # in each burst, shared among the clients
BURSTS = {"small": 1, "full": 5}
BOTTLES = {"small": 64, "full": 640}
VOLUME_UL = 500


def measure(size: str) -> list[Result]:
    club = data.the_club()
    _, secret = token_create(
        lab=club.lab, actor=club.steward, now=data.NOW, name="bench", scope="log", user=club.member
    )
    bottles = stock(club, BOTTLES[size])
    half = len(bottles) // 2
    shelves = {"bare": bottles[:half], "ours": bottles[half:]}
    before = {which: held(shelf) for which, shelf in shelves.items()}
    found: dict[str, list[list[Load]]] = {}
    with served("bare") as bare, served("ours") as ours:
        addresses = {"bare": bare, "ours": ours}
        sent = count()
        for clients in CLIENTS:
            each = REQUESTS[size] // clients
            for burst in range(BURSTS[size] + 1):
                for which in ("bare", "ours") if burst % 2 else ("ours", "bare"):
                    batch = [
                        [drawing(secret, shelves[which], next(sent)) for _ in range(each)]
                        for _ in range(clients)
                    ]
                    load = send_all(addresses[which], batch, 201)
                    found.setdefault(which, [[] for _ in CLIENTS])
                    if burst:  # the first one warms up
                        found[which][CLIENTS.index(clients)].append(load)
    total = sum(REQUESTS[size] // c * c for c in CLIENTS) * (BURSTS[size] + 1) * VOLUME_UL
    taken = {which: before[which] - held(shelf) for which, shelf in shelves.items()}
    assert taken == {"bare": total, "ours": total}, f"taken {taken}, expected {total} on both"
    data.check_balances()
    return [
        row for n, clients in enumerate(CLIENTS) for row in rows(clients, found["bare"][n], found["ours"][n])
    ]


def drawing(secret: str, shelf: list[Container], number: int) -> bytes:
    """A draw from the next bottle, with a key of its own."""
    container = shelf[number % len(shelf)]
    body = json.dumps({"volume": amount(VOLUME_UL), "to": "reaction"}).encode()
    headers = {"Authorization": f"Bearer {secret}", "Idempotency-Key": str(uuid.uuid4())}
    return request("POST", f"/api/v1/labs/biscuit-club/containers/{container.pk}/draws/", headers, body)


def rows(clients: int, bare: list[Load], ours: list[Load]) -> list[Result]:
    """The median request, and requests in a second, both over the bursts."""
    p50 = [median(load.p50_ms for load in loads) for loads in (bare, ours)]
    rate = [median(load.per_second for load in loads) for loads in (bare, ours)]
    names = "draw over HTTP, p50 (size: clients)", "draw over HTTP, rate (size: clients)"
    return [
        Result(names[0], connection.vendor, clients, "ms", p50[0], p50[1]),
        Result(names[1], connection.vendor, clients, "req/s", rate[0], rate[1]),
    ]
