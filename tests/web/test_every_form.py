"""Every form of every page without JavaScript: a plain form that can be sent, and is taken when it is.

Each is sent exactly as the page shows it, with the browser's own token against forgery and nothing filled in,
and rolled back. What is missing may be asked for (400) or forbidden by the records (409); it is never unknown
(404, 405), refused at the door (403) or a fault.
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

from tests.api.seed import planted
from tests.api.test_page_queries import addresses
from tests.api.test_permissions import page_address
from tests.factories import solvent

pytestmark = [pytest.mark.django_db, pytest.mark.once]
FILES = (".csv", ".pdf", "picture/")
TOKEN = "csrfmiddlewaretoken"
TAKEN = {200, 302, 303, 400, 409}


@dataclass
class Form:
    """What a browser without scripts knows of a form."""

    method: str
    action: str
    told: list[tuple[str, str]] = field(default_factory=list)
    buttons: int = 0
    nameless: list[str] = field(default_factory=list)

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
            return
        if tag in ("input", "select", "textarea") and not name and "readonly" not in given:
            form.nameless.append(str(given))
        if tag == "select":
            self.select = (name, [])
        elif tag == "option" and self.select is not None and ("selected" in given or not self.select[1]):
            self.select[1].append(given.get("value", ""))
        elif tag == "textarea" or (tag == "input" and kind not in ("checkbox", "radio", "file")):
            form.told.append((name, given.get("value", "")))
        elif tag == "input" and "checked" in given:
            form.told.append((name, given.get("value", "on")))

    def handle_endtag(self, tag: str) -> None:
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
    reader = Reader(address)
    reader.feed(answer.content.decode())
    return reader.forms


def wrong_with(form: Form) -> list[str]:
    """What keeps a browser without scripts from sending it."""
    found = [f"no name: {control}" for control in form.nameless]
    if form.method not in ("get", "post"):
        found.append(f"method {form.method}")
    if urlsplit(form.action).netloc:
        found.append(f"leaves the host: {form.action}")
    if not form.buttons:
        found.append("no button that sends it")
    if (TOKEN in dict(form.told)) != (form.method == "post"):
        found.append("token against forgery")
    return found


def answered(client: Client, form: Form) -> int:
    """Send it as it stands, and undo what it did."""
    sender = Client(enforce_csrf_checks=True, raise_request_exception=False)
    sender.cookies = SimpleCookie({name: kept.value for name, kept in client.cookies.items()})
    told: dict[str, Any] = {}
    for name, value in form.told:
        told.setdefault(name, []).append(value)
    with transaction.atomic():
        status = int(getattr(sender, form.method)(form.action, told).status_code)
        transaction.set_rollback(True)
    return status


def test_every_form_can_be_sent_without_scripts(client: Client) -> None:
    seed = planted()
    seed.names["hexane"] = str(solvent("n-hexane").pk)
    client.force_login(seed.lab.supervisor)
    wrong, kinds, pages = [], set(), 0
    for page in addresses():
        if page.split("?")[0].endswith(FILES):
            continue
        address, pages = page_address(page, seed), pages + 1
        for form in forms_of(client, address):
            if form.kind in kinds:
                continue
            kinds.add(form.kind)
            wrong += [f"{page}: {fault}: {form.action}" for fault in wrong_with(form)]
            status = answered(client, form)
            if status not in TAKEN:
                wrong.append(f"{page}: {form.method} {form.action} answers {status}")
    assert wrong == []
    assert pages > 60
    assert len(kinds) > 50, "forms were overlooked"
