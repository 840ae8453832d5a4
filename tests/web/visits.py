"""The visits that the tests of every page make: each address of the table of pages, and each state told of.

An address of the table is visited without being written down here: its parts are filled in from what the lab
holds (`filled`). Only what differs in a state of its own, and what lies outside a lab, is told.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, NamedTuple

from django.urls import resolve

from inventory.web.policy_forms import FORMS
from recovery.web.deeds import DEEDS
from tests.api.pages_table import OF_ONE_PERSON, PAGES, Page

#: tables, papers and pictures: what is no page
FILES = (".csv", ".pdf", "/picture/")
#: who looks: the supervisor of one lab, a member of two, one who is let in by codes, one who said the
#: password alone, and nobody
HEAD, OF_TWO, WITH_CODES, HALF_IN, NOBODY = "head", "of two", "with codes", "half in", "nobody"
#: who reaches an address that not everybody does
WHO = {
    "/": OF_TWO,
    "/login/": NOBODY,
    "/login/second/": HALF_IN,
    "/you/recovery-codes/": WITH_CODES,
    "/enter/{secret}/": NOBODY,
    "/confirm/{secret}/": NOBODY,
}
#: names of records that one address alone needs
OWN = {
    "/confirm/{secret}/": {"secret": "{confirm}"},
    "/enter/{secret}/": {"secret": "{invited}"},
    "/labs/{slug}/runs/{run}/give-up/": {"run": "{draft}"},
    "/labs/{slug}/runs/{run}/reopen/": {"run": "{closed}"},
    "/labs/{slug}/runs/{run}/states/": {"run": "{closed}"},
}


class Visit(NamedTuple):
    """status: what it answers. told: a page of an error that no address gives, to be shown as it is."""

    name: str
    address: str
    who: str = HEAD
    status: int = 200
    told: str = ""


#: outside a lab, and where something is refused
OUTSIDE = (
    Visit("set-up", "/enter/{set_up}/", NOBODY),
    Visit("invitation to who is in", "/enter/{invited}/", HEAD),
    Visit("link that has ended", "/enter/made-up/", NOBODY, 410),
    Visit("link to confirm that has ended", "/confirm/made-up/", NOBODY, 410),
    Visit("second step that is on", "/you/second-step/", WITH_CODES),
    Visit("no such page", "/no-such-page/", NOBODY, 404),
    Visit("no such page for who is in", "/labs/{slug}/containers/nothing/", HEAD, 404),
    Visit("not for this role", "/labs/{slug}/invite/", OF_TWO, 403),
)


def is_page(page: Page) -> bool:
    return "GET" in page.taken and not page.address.endswith(FILES)


def wanted() -> list[str]:
    """Every address of the table that shows a page, each deed and each part of a policy by itself."""
    found = []
    for address in [page.address for page in PAGES if is_page(page)] + sorted(OF_ONE_PERSON):
        many = {"{deed}": DEEDS, "{part}": FORMS}
        parts = [part for part in many if part in address]
        found += [address.replace(part, name) for part in parts for name in many[part]] or [address]
    return found


def filled(address: str, lab: dict[str, Any]) -> str:
    """The address with the names of the lab's records. KeyError: the lab of the test holds no such record."""
    names = lab | {part: name.format(**lab) for part, name in OWN.get(address, {}).items()}
    return address.format(**names)


def place_of(address: str) -> tuple[str, str]:
    """What the server takes the address for: its route, and which deed or part of a policy."""
    found = resolve(re.sub(r"\?.*", "", address))
    return found.route, str(found.kwargs.get("deed", found.kwargs.get("part", "")))


def visits(states: dict[str, str], lab: dict[str, Any]) -> Iterator[Visit]:
    """The states (name → address in the lab), the rest of the table, and what is outside a lab."""
    met = set()
    for name, path in states.items():
        visit = Visit(name, filled(f"/labs/{{slug}}/{path}", lab))
        met.add(place_of(visit.address))
        yield visit
    for address in wanted():
        visit = Visit(address, filled(address, lab), WHO.get(address, HEAD))
        if place_of(visit.address) not in met:
            yield visit
    for visit in OUTSIDE:
        yield visit._replace(address=filled(visit.address, lab))


def not_met(seen: list[str], lab: dict[str, Any]) -> list[str]:
    """Addresses of the table of which none was visited."""
    met = {place_of(address) for address in seen}
    return [address for address in wanted() if place_of(filled(address, lab)) not in met]
