"""Exposure limits in words, and recorded values as the page of a solvent shows them.

The signs as the NIOSH Pocket Guide and the ACGIH table have them, from memory: C ceiling, ST and STEL short
time, Ca carcinogen, skin for a way through the skin.
"""

from __future__ import annotations

import pytest
from django.utils import translation

from inventory.rules.catalogue import load_catalogue
from inventory.rules.limit_words import limit_words
from inventory.rules.phrases import Phrase
from inventory.services.shipped import columns
from inventory.web.fact_words import LIMITS, on_page, shown


@pytest.mark.parametrize(
    ("recorded", "words"),
    [
        ("100 skin", "100 ppm (skin)"),
        ("Ca C 1 (30 min)", "1 ppm, ceiling, 30 min (carcinogen)"),
        ("Ca ST 2 (60 min)", "2 ppm, short time, 60 min (carcinogen)"),
        ("200 / ST 250 skin", "200 ppm; 250 ppm, short time (skin)"),
        ("C 50", "50 ppm, ceiling"),
        ("200; C 300; peak 500 (Z-2)", "200 ppm; 300 ppm, ceiling; 500 ppm, peak (Z-2)"),
        ("75 / STEL 150 (recent; was 200/300)", "75 ppm; 150 ppm, short time (before: 200/300 ppm)"),
        ("20 (was 300)", "20 ppm (before: 300 ppm)"),
        ("500 (petroleum distillates)", "500 ppm (for petroleum distillates)"),
        ("350 mg/m3; C 1800 mg/m3", "350 mg/m³; 1800 mg/m³, ceiling"),
        ("none (NPG App. D)", "none (NPG App. D)"),
        ("sometimes 5", "sometimes 5"),
    ],
)
def test_a_limit_is_said_in_words(recorded: str, words: str) -> None:
    assert limit_words(recorded) == words


def test_every_limit_on_record_has_words_or_is_none() -> None:
    recorded = {fact.value for row in load_catalogue().values() for fact in row.facts if fact.name in LIMITS}
    left = {value for value in recorded if not isinstance(limit_words(value), Phrase)}
    assert all(value.startswith("none") for value in left), left


def test_the_value_in_use_leads_on_the_page_whichever_source_it_is_from() -> None:
    for row in load_catalogue().values():
        for fact in on_page(shown(columns(row)["facts"])):
            if fact.get("in_use") and fact["name"] not in LIMITS:
                assert float(fact["value"]) == float(fact["in_use"]), (row.key, fact["name"])
    page = {fact["name"]: fact for fact in on_page(shown(columns(load_catalogue()["1-4-dioxane"])["facts"]))}
    fire = page["autoignition"]
    assert (fire["value"], fire["second"]) == ("180", "375")
    assert fire["source"].startswith("NFPA 497") and fire["second_source"].startswith("IEC 60079-20-1")
    assert (page["osha-pel"]["value"], page["osha-pel"]["unit"]) == ("100 ppm (skin)", "")
    # Also where a value is of several numbers, or two are set against each other.
    with translation.override("de"):
        german = {f["name"]: f for f in on_page(shown(columns(load_catalogue()["1-4-dioxane"])["facts"]))}
    assert german["azeotrope-with-water"]["value"] == "87,8 / 82"
    assert german["lel"]["disagreement"] == "1,40 gegen 2,00"
    assert german["osha-pel"]["value"] == "100 ppm (Haut)"
    assert german["niosh-rel"]["value"] == "1 ppm, Höchstwert, 30 min (krebserzeugend)"
    assert (page["ontario-twa"]["value"], page["ontario-twa"]["unit"]) == ("20", "ppm")


def test_a_remark_on_hazard_statements_is_no_source_of_anything_else() -> None:
    facts = {fact["name"]: fact for fact in columns(load_catalogue()["1-4-dioxane"])["facts"]}
    assert facts["h-codes"]["note"].startswith("Carc. 1B since ATP 17")
    for name in ("h-codes", "euh-codes", "pictograms", "signal-word"):
        assert facts[name]["source"] == "CLP Annex VI Table 3 (from memory)"
    assert facts["un-number"]["source"] == "quoted from memory without a page"
    assert not any("note" in facts[name] for name in ("pictograms", "signal-word", "un-number"))
