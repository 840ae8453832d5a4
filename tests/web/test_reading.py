"""What a page is like to read: lines that end where they may, options seen whole, tables in columns."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.utils import translation

from inventory.rules.phrases import Phrase
from inventory.web.language import shown, unparted
from recovery.templatetags.portions import lined_up
from tests import factories
from tests.factories import Club

ROOT = Path(__file__).resolve().parents[2]
TEMPLATES = sorted(ROOT.glob("*/templates/**/*.html"))
HELP_IN_AN_ANSWER = re.compile(r"<dd>(?:(?!</dd>).)*{% explain", re.S)
#: a select on a phone of 390 px has 277 px for its words; letters of this type are 8 px wide on average
SEEN_WHOLE = 34
SELECTS = {
    "invite/": "role",
    "tokens/": "scope",
    "feeds/": "kind",
    "labels/": "size",
    "shelf/": "order",
}


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        ("44 % against 27 % before, 7 runs", "44~% against 27~% before, 7 runs"),
        ("at 20 °C, between 25 and 100 ppm", "at 20~°C, between 25 and 100~ppm"),
        ("100 mg/L or more of 0.5 L in 2 h", "100~mg/L or more of 0.5~L in 2~h"),
        ("3 Lots, 2 hours, 5 gates, 4 mL/min", "3 Lots, 2 hours, 5 gates, 4~mL/min"),
    ],
)
def test_a_figure_stays_with_its_unit(words: str, wanted: str) -> None:
    assert unparted(words) == wanted.replace("~", "\u00a0")


def test_a_page_keeps_them_together_and_what_programs_compare_is_left_alone() -> None:
    phrase = Phrase("below {n} ppm <usable>", n=25)
    assert shown(phrase) == "below 25\u00a0ppm &lt;usable&gt;"
    assert str(phrase) == "below 25 ppm <usable>"


def test_help_unfolds_below_a_list_of_facts_not_in_the_column_of_its_answers() -> None:
    assert len(TEMPLATES) > 100
    assert [path.name for path in TEMPLATES if HELP_IN_AN_ANSWER.search(path.read_text("utf-8"))] == []


def way(portions: int, each: str, percent: str, note: str = "") -> dict[str, Any]:
    return {
        "portions": portions, "portion_ml": each, "total_ml": "54", "net_ml": "3.9",
        "yield_percent": percent, "note": note,
    }  # fmt: skip


def test_a_column_has_one_number_of_decimals_and_a_note_of_many_rows_is_said_once() -> None:
    """Written by hand. Nothing is left out: each row stands in one of the tables."""
    ways = [way(1, "54", "85.636363"), way(2, "27.25", "93.68", "hard to run off")]
    ways += [way(n, "4.2", "99", "no layer") for n in range(3, 7)]
    chosen, apart = lined_up(ways)
    assert [row["portion_ml"] for row in chosen.rows] == ["54.00", "27.25"]
    assert [row["yield_percent"] for row in chosen.rows] == ["85.64", "93.68"]
    assert {row["net_ml"] for row in apart.rows} == {"3.9"} and chosen.with_notes
    assert (apart.note, apart.first, apart.last, len(apart.rows)) == ("no layer", 3, 6, 4)
    # Were all of one kind, there would be nothing else to show.
    assert [part.note for part in lined_up(ways[2:])] == [""]
    assert lined_up([]) == []
    with translation.override("de"):
        assert lined_up(ways)[0].rows[1]["portion_ml"] == "27,25"


def options(client: Client, at: Club, page: str, name: str, language: str) -> list[str]:
    answer = client.get(f"/labs/{at.lab.slug}/{page}", headers={"accept-language": language})
    select = re.search(rf'<select name="{name}".*?</select>', answer.content.decode(), re.S)
    assert select is not None, page
    return [unescape(words).strip() for words in re.findall(r"<option[^>]*>([^<]*)<", select[0])]


@pytest.mark.django_db
@pytest.mark.parametrize("language", ["en", "de"])
def test_an_option_is_seen_whole_on_a_phone(client: Client, language: str) -> None:
    at = factories.club()
    client.force_login(at.supervisor)
    found = {page: options(client, at, page, name, language) for page, name in SELECTS.items()}
    assert all(len(words) > 1 for words in found.values())
    assert [one for words in found.values() for one in words if len(one) > SEEN_WHOLE] == []


@pytest.mark.django_db
def test_a_plan_begins_with_the_choice_of_a_solvent(client: Client) -> None:
    """The first of the alphabet is nobody's choice."""
    at = factories.club()
    client.force_login(at.member)
    first, *rest = options(client, at, "plan/", "solvent", "en")
    assert first == "Choose a solvent" and "diethyl ether" in rest
    asked = client.get(f"/labs/{at.lab.slug}/plan/?volume=100").content.decode()
    assert "Nothing is worked out yet." in asked and 'id="plan-stock"' not in asked
