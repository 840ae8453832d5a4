"""How many queries each page asks, frozen exactly, and the same for a lab that holds several times as much.

`page_queries.json` has the number of every page of the table of pages. A page that asks more on purpose, or a
new page, is counted again by
`STILLKEEP_TEST_COUNT_AGAIN=1 python3 manage.py test tests/api/test_page_queries.py`, which writes the file
and fails; look at the difference before you commit it. A number that grows with what the lab holds is never
written.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from recovery.web.deeds import DEEDS
from tests.api.pages_table import PAGES
from tests.api.seed import Seed, planted
from tests.api.seed_more import grow
from tests.api.test_permissions import page_address
from tests.factories import solvent

pytestmark = [pytest.mark.django_db, pytest.mark.once]
TABLE = Path(__file__).with_name("page_queries.json")
AGAIN = os.environ.get("STILLKEEP_TEST_COUNT_AGAIN") == "1"
DEED = "/labs/{slug}/containers/{code}/{deed}/"
PLAN = "?solvent={hexane}&water=100&k=3&portions=3"
#: what a process asks once, and what a page keeps of a first visit, is done before anything is counted
FIRST = ("/labs/{slug}/", "/you/second-step/")
#: pages that ask more when something is chosen
CHOSEN = {
    "/labs/{slug}/shelf/": ("?q=ether&order=least",),
    "/labs/{slug}/recovery/": ("?by=apparatus", "?by=purpose&since=2026-01"),
    "/labs/{slug}/labels/": ("?codes={code}",),
    "/labs/{slug}/labels.pdf": ("?codes={code}&size=medium",),
    "/labs/{slug}/plan/": (PLAN,),
    "/labs/{slug}/plan/picture/": (PLAN,),
}


def addresses() -> list[str]:
    """Every page that can be asked for, each deed of a container by itself."""
    found = []
    for page in PAGES:
        if "GET" not in page.taken or page.roles == "anyone":
            continue
        deeds = [page.address.replace("{deed}", name) for name in DEEDS] if page.address == DEED else []
        found += deeds or [page.address]
        found += [page.address + chosen for chosen in CHOSEN.get(page.address, ())]
    return found


def asked(client: Client, address: str) -> int:
    """Queries of one visit; a list that is sent bit by bit is read to its end."""
    with CaptureQueriesContext(connection) as queries:
        answer = client.get(address)
        if answer.streaming:
            assert b"".join(answer)
    # Without its parameters a page may ask for them.
    expected = {200} if "?" in address else {200, 302, 400}
    assert answer.status_code in expected, (address, answer.status_code)
    return len(queries)


def counted(client: Client, seed: Seed) -> dict[str, int]:
    return {page: asked(client, page_address(page, seed)) for page in addresses()}


def test_every_page_asks_as_often_as_is_written_however_much_there_is(client: Client) -> None:
    seed = planted()
    seed.names["hexane"] = str(solvent("n-hexane").pk)
    client.force_login(seed.lab.supervisor)
    # Of everything there is one: a page that shows nothing asks less.
    grow(seed, range(1))
    for page in FIRST:
        asked(client, page_address(page, seed))
    few = counted(client, seed)
    grow(seed, range(1, 4))
    many = counted(client, seed)
    growing = {page: (few[page], many[page]) for page in few if few[page] != many[page]}
    assert growing == {}, "these ask more, the more there is"
    if AGAIN:
        TABLE.write_text(json.dumps(many, indent=1, sort_keys=True) + "\n")
        pytest.fail(f"{TABLE.name} is written anew: look at what changed before you commit it.")
    written = json.loads(TABLE.read_text())
    changed = {
        page: (written.get(page), many.get(page))
        for page in sorted(set(many) | set(written))
        if written.get(page) != many.get(page)
    }
    assert changed == {}, f"(written, now); {__doc__}"
