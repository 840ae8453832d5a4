"""Pages as a browser without scripts reads them: forms with their keys, buttons of rows, downloads."""

from __future__ import annotations

import csv
import io
import re
from html import unescape
from typing import Any

from django.test import Client

from tests.factories import Club

FORMS = re.compile(r"<form[^>]*>(?P<body>.*?)</form>", re.DOTALL)
FIELD = re.compile(r'<input type="hidden" name="(\w+)" value="([^"]*)"')
ROW_BUTTON = re.compile(r'name="deed" value="([\w-]+)"')


def where(at: Club, page: str) -> str:
    return f"/labs/{at.lab.slug}/{page}"


def shown(client: Client, address: str, status: int = 200) -> str:
    answer = client.get(address)
    assert answer.status_code == status, (address, answer.status_code)
    return unescape(answer.content.decode())


def button(text: str, deed: str, row: Any) -> dict[str, str]:
    """What pressing a row's button sends."""
    for form in FORMS.finditer(text):
        told = dict(FIELD.findall(form["body"]))
        named = ROW_BUTTON.search(form["body"])
        if named and named[1] == deed and told.get("row", "") == str(row):
            return {"key": told["key"], "row": told.get("row", ""), "deed": deed}
    raise AssertionError(f"no button {deed} for {row}")


def key_of(text: str) -> str:
    """Of the form that is no row's."""
    bodies = [form["body"] for form in FORMS.finditer(text) if 'name="deed"' not in form["body"]]
    keys: list[str] = [told["key"] for body in bodies if "key" in (told := dict(FIELD.findall(body)))]
    return keys[0]


def as_csv(client: Client, address: str) -> list[dict[str, str]]:
    answer: Any = client.get(address)
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    body = b"".join(answer.streaming_content).decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(body)))
