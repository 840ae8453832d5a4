"""Every form of every page without JavaScript: a plain form that can be sent, and is taken when it is.

Each is sent as the page shows it, with the browser's own token against forgery, what a person would write
(`good_values`) and the button's own word, and rolled back. All are taken but those of `REFUSED`, each with
its reason; those may be asked for more (400) or forbidden by the records (409), never unknown (404, 405),
refused at the door (403) or a fault.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser
from http.cookies import SimpleCookie
from typing import Any
from urllib.parse import urljoin, urlsplit

import pytest
from django.db import transaction
from django.test import Client
from django.utils import timezone

from inventory.services import labs
from tests.api.seed import planted
from tests.api.test_page_queries import addresses
from tests.api.test_permissions import page_address
from tests.factories import club, person, solvent
from tests.web.good_values import chosen, list_file
from tests.web.visitors_seed import came_by, session_of
from tests.web.visits import HALF_IN, NOBODY

pytestmark = [pytest.mark.django_db, pytest.mark.once]
FILES = (".csv", ".pdf", "picture/")
TOKEN = "csrfmiddlewaretoken"
OF_NONE = "of no lab"
TAKEN = {200, 302, 303, 400, 409}


@dataclass
class Form:
    """What a browser without scripts knows of a form."""

    method: str
    action: str
    told: list[tuple[str, str]] = field(default_factory=list)
    # What may be chosen where nothing is yet, and what must be.
    offered: dict[str, list[str]] = field(default_factory=dict)
    asked: set[str] = field(default_factory=set)
    files: list[str] = field(default_factory=list)
    buttons: int = 0
    nameless: list[str] = field(default_factory=list)
    says: list[str] = field(default_factory=list)

    @property
    def kind(self) -> tuple[str, str, tuple[str, ...]]:
        """Alike for the same form on several pages and for the rows of a list."""
        address = "/".join(part for part in urlsplit(self.action).path.split("/") if not part.isdigit())
        says = tuple(value for name, value in self.told if name in ("deed", "do"))
        return self.method, address, (*sorted({name for name, _ in self.told}), *says)


class Reader(HTMLParser):
    """Collects the forms of a page; `form=` of a control is no part of this house."""

    def __init__(self, address: str) -> None:
        super().__init__()
        self.address, self.forms = address, list[Form]()
        self.open: Form | None = None
        self.select: tuple[str, list[str]] | None = None
        self.button = self.text = False

    def handle_starttag(self, tag: str, pairs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in pairs}
        if tag == "form":
            assert self.open is None, f"a form in a form at {self.address}"
            action = urljoin(self.address, given.get("action", "") or self.address)
            self.open = Form(given.get("method", "get").lower(), action)
            self.forms.append(self.open)
        elif self.open is not None:
            self._control(self.open, tag, given)

    def _control(self, form: Form, tag: str, given: dict[str, str]) -> None:
        kind, name = given.get("type", ""), given.get("name", "")
        if tag == "button" or (tag == "input" and kind == "submit"):
            form.buttons += kind in ("", "submit")
            # A language is called by its name.
            self.button = tag == "button" and kind in ("", "submit") and name != "language"
            if self.button:
                form.says.append(given.get("aria-label", ""))
            # The first button is the one that Enter presses.
            if name and form.buttons == 1 and kind in ("", "submit"):
                form.told.append((name, given.get("value", "")))
            return
        if "required" in given:
            form.asked.add(name)
        if tag in ("input", "select", "textarea") and not name and "readonly" not in given:
            form.nameless.append(str(given))
        if tag == "select":
            self.select = (name, [])
            form.offered[name] = []
        elif tag == "option" and self.select is not None:
            form.offered[self.select[0]].append(given.get("value", ""))
            if "selected" in given or not self.select[1]:
                self.select[1].append(given.get("value", ""))
        elif tag == "textarea":
            form.told.append((name, ""))
            self.text = True
        elif tag == "input" and kind == "file":
            form.files.append(name)
        elif tag == "input" and kind in ("checkbox", "radio"):
            form.offered.setdefault(name, []).append(given.get("value", "on"))
            if "checked" in given:
                form.told.append((name, given.get("value", "on")))
        elif tag == "input" and name:
            form.told.append((name, given.get("value", "")))

    def handle_data(self, data: str) -> None:
        if self.open is not None and self.button:
            self.open.says[-1] += data
        elif self.open is not None and self.text:
            name, value = self.open.told[-1]
            self.open.told[-1] = (name, (value + data).removeprefix("\n"))

    def handle_endtag(self, tag: str) -> None:
        self.button, self.text = self.button and tag != "button", self.text and tag != "textarea"
        if tag == "form":
            self.open = None
        elif tag == "select" and self.select is not None and self.open is not None:
            name, values = self.select
            self.open.told += [(name, value) for value in values[-1:]]
            self.select = None


def forms_of(client: Client, address: str) -> list[Form]:
    answer = client.get(address, follow=True)
    if not answer.get("Content-Type", "").startswith("text/html"):
        return []
    # Where it led to: a form without an address of its own goes there.
    reader = Reader(f"{answer.request['PATH_INFO']}?{answer.request['QUERY_STRING']}".rstrip("?"))
    reader.feed(answer.content.decode())
    return reader.forms


def wrong_with(form: Form) -> list[str]:
    """What keeps a browser without scripts from sending it."""
    found = [f"no name: {control}" for control in form.nameless]
    if form.method not in ("get", "post"):
        found.append(f"method {form.method}")
    if urlsplit(form.action).netloc:
        found.append(f"leaves the host: {form.action}")
    if form.method == "post":
        found += [f"one bare word on a button: {words}" for words in form.says if len(words.split()) < 2]
    if not form.buttons:
        found.append("no button that sends it")
    if (TOKEN in dict(form.told)) != (form.method == "post"):
        found.append("token against forgery")
    return found


def written(page: str, form: Form) -> dict[str, Any]:
    """What is sent: what the form holds, what is good where it holds nothing, and what it must have."""
    told: dict[str, Any] = {}
    for name, held in form.told:
        told.setdefault(name, []).append(chosen(page, name, form.offered.get(name, []), held))
    for name in form.asked:
        if not any(told.get(name, [])) and (offered := [one for one in form.offered.get(name, []) if one]):
            told[name] = offered[:1]
    return told | {name: list_file() for name in form.files}


def answered(client: Client, form: Form, page: str = "") -> int:
    """Send it with what a person would write, and undo what it did."""
    sender = Client(enforce_csrf_checks=True, raise_request_exception=False)
    sender.cookies = SimpleCookie({name: kept.value for name, kept in client.cookies.items()})
    with transaction.atomic():
        answer = getattr(sender, form.method)(form.action, written(page, form))
        transaction.set_rollback(True)
    return int(answer.status_code)


def asked_of(form: Form, page: str) -> str:
    """The form in the words of REFUSED: the page, and what its button does where there are several."""
    return " ".join([page.split("?")[0], *(value for name, value in form.told if name in ("deed", "do"))])


#: forms that good values alone do not carry, and why
REFUSED: dict[str, str] = {
    "/labs/{slug}/containers/{code}/open/": "the bottle is open already; test_bench_pages opens one",
    "/labs/{slug}/containers/{code}/inhibitor/": "a sign was seen on it: nobody handles it",
    "/labs/{slug}/containers/{code}/peroxides-out/": "a sign was seen on it: nobody handles it",
    "/labs/{slug}/runs/{run}/charge/": "what is in the run came from a bottle with a sign: the gate is shut",
    "/labs/{slug}/containers/{code}/dried/": "what was bought did not come back",
    "/labs/{slug}/loss-fits/": "it takes a dozen closed runs",
    "/labs/{slug}/loss-fits/{fit}/end/": "the fit is not in use",
    "/labs/{slug}/runs/{run}/reopen/": "the run is open",
    "/labs/{slug}/runs/{run}/states/": "nothing came back into it",
    "/you/second-step/": "its code is worked out from the key on the page: test_second_step",
}


def test_every_form_can_be_sent_without_scripts(client: Client) -> None:
    seed = planted()
    seed.names["hexane"] = str(solvent("n-hexane").pk)
    client.force_login(seed.lab.supervisor)
    wrong, kinds, refused, pages = list[str](), set(), set(), 0
    for page in addresses():
        if page.split("?")[0].endswith(FILES):
            continue
        address, pages = page_address(page, seed), pages + 1
        for form in forms_of(client, address):
            if form.kind in kinds:
                continue
            kinds.add(form.kind)
            wrong += [f"{page}: {fault}: {form.action}" for fault in wrong_with(form)]
            status = answered(client, form, page)
            if status not in TAKEN:
                wrong.append(f"{page}: {form.method} {form.action} answers {status}")
            if status in (400, 409):
                refused.add(asked_of(form, page))
    assert wrong == []
    assert pages > 60
    assert len(kinds) > 90, "forms were overlooked"
    assert sorted(refused - set(REFUSED)) == [], "these are no longer taken"
    assert sorted(set(REFUSED) - refused) == [], "these are taken: they need no reason"


def test_the_first_set_up_is_taken_without_scripts(db: None) -> None:
    """Its link has ended once anybody can sign in."""
    address = f"/enter/{labs.setup_link_create(now=timezone.now())}/"
    client = Client()
    forms = [form for form in forms_of(client, address) if urlsplit(form.action).path == address]
    assert [answered(client, form, "/enter/{secret}/") for form in forms] == [302]


#: who opens it, and what is written that only this person knows
OUTSIDE = {
    "/login/": (NOBODY, {"username": "member-biscuit-club"}),
    "/login/second/": (HALF_IN, {"code": "{spare_code}"}),
    "/enter/{invited}/": (NOBODY, {}),
    "/enter/{invited}/ ": (OF_NONE, {}),
    "/confirm/{confirm}/": (NOBODY, {}),
}


def test_every_form_outside_a_lab_is_taken_without_scripts(no_attempts: None, settings: Any) -> None:
    settings.STILLKEEP_SENDS_MAIL = True
    names = came_by(club())
    names["sessions"][OF_NONE] = session_of(person("of-none"))
    wrong, answers = list[str](), {}
    for address, (who, told) in OUTSIDE.items():
        client = Client()
        client.cookies[settings.SESSION_COOKIE_NAME] = names["sessions"][who]
        page = address.strip().replace("{invited}", "{secret}")
        for form in forms_of(client, address.strip().format(**names)):
            wrong += [f"{address}: {fault}" for fault in wrong_with(form)]
            own = {name: value.format(**names) for name, value in told.items()}
            form.told = [(name, own.get(name, held)) for name, held in form.told]
            answers[address, urlsplit(form.action).path] = answered(client, form, page)
    assert wrong == []
    assert {key: status for key, status in answers.items() if status not in (200, 302)} == {}
    # Each page has its own form, beside that of the languages.
    assert len({address for address, action in answers if action != "/language/"}) == len(OUTSIDE)
