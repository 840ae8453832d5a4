"""What a person writes into the forms, by the name of the field: a browser without scripts sends it so."""

from __future__ import annotations

from typing import Any

from django.core.files.uploadedfile import SimpleUploadedFile

from tests.factories import PASSWORD

#: the first that the field offers
FIRST = "(first)"
LIST = "Bottle;What;Size;Left\nL-7;ethyl acetate;500 mL;400 mL\n"
#: into every field of the name that the page leaves empty
GOOD: dict[str, str] = {
    "amount": "5",
    "basis": "the table of the club",
    "capacity": "1000",
    "cas": "109-97-7",
    "gross": "800",
    "how": "shaken with a ferrous salt",
    "inhibitor": "BHT",
    "mass": "90",
    "name": "Of the club",
    "now_password": PASSWORD,
    "password": "forty-three biscuits",
    "again": "forty-three biscuits",
    "purpose": "leaf pigments",
    "reading": "neg",
    "reason": "the club agreed on it",
    "source": "the club",
    "stream": "halogen-free solvents",
    "url": "https://93.184.215.14/",
    "username": "kim",
    "value": "0.713",
    "water-volume": "150",
    "words": "at the rim",
}
#: where one form of that name wants another, by the end of its page's address
OTHER: dict[str, dict[str, str]] = {
    "/scan/": {"code": "B-1"},
    "/labels/": {"codes": "B-1"},
    "/receive/": {"solvent": "ethyl acetate", "inhibitor": ""},
    "/waste/{waste}/put-in/": {"container": "B-2"},
    "/solvents/add/": {"density": "965.5"},
    "/containers/{code}/pour/": {"into": "B-3"},
    "/runs/{run}/charge/": {"container": "B-2"},
    "/runs/{run}/return/": {"container": "B-3"},
    "/containers/{code}/inhibitor/": {"target": "", "how": ""},
    "/login/": {"password": PASSWORD},
    "/quality-limits/add/": {"what": "density", "solvent": FIRST, "lowest": "600", "highest": "1400"},
    "/enter/{secret}/": {"lab_name": "Oat Club", "time_zone": "Europe/Berlin"},
    "/you/mail/": {"email": "kim@example.org"},
}


def chosen(page: str, name: str, offered: list[str], held: str) -> str:
    """What to send for a field: what the page holds already, what is good, or the first that it offers."""
    other = next((given for end, given in OTHER.items() if page.endswith(end) and name in given), None)
    if other is not None:
        return next((one for one in offered if one), "") if other[name] == FIRST else other[name]
    if held:
        return held
    if name in GOOD and (not offered or GOOD[name] in offered):
        return GOOD[name]
    return ""


def list_file() -> Any:
    return SimpleUploadedFile("list.csv", LIST.encode(), content_type="text/csv")
