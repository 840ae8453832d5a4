"""A page of a hundred containers: selector and rendering, and the whole request."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import Any

import orjson
from django.db import connection
from django.test import RequestFactory

from inventory.api.containers import ORDERINGS
from inventory.api.paging import Key, paged
from inventory.api.replies import dumps
from inventory.api.rows import container_out
from inventory.selectors.shelf import Sort, containers_listed
from inventory.services.labs import token_create
from tests import factories
from tests.bench import data
from tests.bench.client import request, send_all
from tests.bench.draw import stock
from tests.bench.raw import Raw
from tests.bench.results import Result, ratio_at_most
from tests.bench.serving import served
from tests.bench.shelf import PAGE, row_out
from tests.bench.timing import Stopwatch, alternate

BOTTLES = {"small": 300, "full": 100_000}
ROUNDS = {"small": 20, "full": 200}
REQUESTS = {"small": 20, "full": 200}
BURSTS = {"small": 1, "full": 7}
PATH = "/api/v1/labs/biscuit-club/containers/?page_size=100"


def measure(size: str) -> list[Result]:
    club = data.the_club()
    stock(club, BOTTLES[size])
    inner = Result(
        "list of 100, selector and JSON", connection.vendor, BOTTLES[size], "ms", *inside(club, size)
    )
    outer = Result("list of 100, whole request", connection.vendor, BOTTLES[size], "ms", *whole(club, size))
    return [ratio_at_most(inner, 2.5), ratio_at_most(outer, 2)]


def inside(club: factories.Club, size: str) -> tuple[float, float]:
    """(floor, ours) in ms, in this process."""
    raw, asked = Raw(), RequestFactory().get(PATH, headers={"host": "127.0.0.1"})
    answers: dict[str, bytes] = {}
    given = {"page_size": 100}

    def fetch(walk: Sequence[Key], place: Any, nulls_last: bool, limit: int) -> list[Any]:
        order = [Sort(key.column, key.descending, key.nullable) for key in walk]
        return containers_listed(
            lab=club.lab, given=given, order=order, place=place, nulls_last=nulls_last, limit=limit
        )

    def floor(watch: Stopwatch) -> None:
        with watch.running():
            rows = raw.execute(PAGE, (club.lab.pk,)).fetchall()
            answers["floor"] = orjson.dumps([row_out(row) for row in rows[:100]])

    def ours(watch: Stopwatch) -> None:
        with watch.running():
            found = paged(asked, keys=ORDERINGS["id"], given=given, fetch=fetch, shape=container_out)
            answers["ours"] = dumps(found)

    pair = alternate(floor, ours, rounds=ROUNDS[size], warm_up=5)
    raw.close()
    assert orjson.loads(answers["ours"])["results"] == orjson.loads(answers["floor"]), "the pages differ"
    return pair.floor_ms, pair.ours_ms


def whole(club: factories.Club, size: str) -> tuple[float, float]:
    """(bare, ours) in ms, the median request of one client."""
    _, secret = token_create(
        lab=club.lab, actor=club.steward, now=data.NOW, name="bench", scope="read", user=club.member
    )
    asking = [[request("GET", PATH, {"Authorization": f"Bearer {secret}"})] * REQUESTS[size]]
    seconds: dict[str, list[float]] = {"bare": [], "ours": []}
    pages: dict[str, Any] = {}
    with served("bare") as bare, served("ours") as ours:
        for burst in range(BURSTS[size] + 1):
            for which, address in (("bare", bare), ("ours", ours)):
                load = send_all(address, asking, 200)
                pages[which] = orjson.loads(load.contents[0])["results"]
                if burst:
                    seconds[which].append(load.p50_ms)
    assert pages["bare"] == pages["ours"], "the pages differ"
    return median(seconds["bare"]), median(seconds["ours"])
