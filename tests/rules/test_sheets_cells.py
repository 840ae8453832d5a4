"""Peroxide, opened, inhibitor, origin and place cells, each at its worse reading.

Steps of the strips (0-0.5-2-5-10-25 and 0-1-3-10-30-100 mg/L): from memory. Ranges: RIT test-strip procedure
(strip to 25 mg/L), Aarhus iNANO guidance (1 to 100 mg/L). Words and German terms: common practice, no source.
"""

from __future__ import annotations

from contextlib import suppress
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.errors import InputError
from inventory.rules.sheets.cells import (
    inhibitor_in,
    method_in,
    opened_in,
    origin_in,
    place_key,
    reading_in,
    solvent_and_inhibitor,
)
from inventory.services.speaking import speaker


def bounds(text: str, **kwargs: str) -> tuple[object, object]:
    found = reading_in(text, **kwargs)
    assert found is not None
    assert found.text == text.strip()
    return found.lower_mg_per_l, found.upper_mg_per_l


@pytest.mark.parametrize(
    ("text", "lower", "upper"),
    [
        ("30", 30, 30),
        ("<1", 0, 1),
        ("≤ 1 mg/L", 0, 1),
        (">100", 100, None),
        ("10-25", 10, 25),
        ("10 – 25", 10, 25),
        ("5 bis 10", 5, 10),
        ("2,5 ppm", Decimal("2.5"), Decimal("2.5")),
        ("ca. 30", 30, None),
        ("30?", 30, None),
        ("trace", 0, None),
        ("tr", 0, None),
        ("Spuren", 0, None),
        ("neg", 0, None),
        ("Negativ", 0, None),
        ("0", 0, None),
        ("0.0", 0, None),
        ("?", 0, None),
        ("OK", 0, None),
    ],
)
def test_readings_without_a_method(text: str, lower: Decimal, upper: Decimal | None) -> None:
    assert bounds(text) == (lower, upper)


@pytest.mark.parametrize(
    ("method", "upper"),
    [("strip-25", Decimal("0.5")), ("strip-100", 1), ("iodide-visual", 100), ("not-stated", None)],
)
@pytest.mark.parametrize("text", ["neg", "negative", "0", "0.0", "not detected"])
def test_a_negative_vouches_only_down_to_the_first_step(
    text: str, method: str, upper: Decimal | None
) -> None:
    assert bounds(text, method=method) == (0, upper)
    assert reading_in(text, method=method).comparator == "negative"  # type: ignore[union-attr]


def test_doubt_is_remembered_but_is_no_reading() -> None:
    for text in ("?", "??", "unknown", "OK", "passed"):
        found = reading_in(text)
        assert found is not None
        assert (found.comparator, found.upper_mg_per_l) == ("unknown", None)
    assert reading_in("  ") is None


def test_a_basis_not_stated_is_noted() -> None:
    assert "basis not stated" in reading_in("30", unit="ppm").note  # type: ignore[union-attr]
    assert reading_in("30", unit="mg/L").note == ""  # type: ignore[union-attr]
    assert bounds("0,01", unit="%") == (100, 100)


@pytest.mark.parametrize(
    ("text", "unit", "note", "german"),
    [
        ("?", "", "nobody knows: not a reading", "niemand weiß es: kein Messwert"),
        ("OK", "", "a judgement without a value: not a pass", "ein Urteil ohne Wert: kein Bestehen"),
        (
            "~30 ppm",
            "",
            "ppm, basis not stated: taken as mg/L; nothing bounds it from above: not a pass",
            "ppm, Bezug nicht angegeben: als mg/L genommen; nach oben durch nichts begrenzt: kein Bestehen",
        ),
    ],
)
def test_how_a_reading_was_understood_can_be_said_in_german(
    text: str, unit: str, note: str, german: str
) -> None:
    found = reading_in(text, unit=unit)
    assert found is not None
    assert (str(found.note), speaker("de")(found.note)) == (note, german)


@pytest.mark.parametrize("text", ["-3", "abc", "<", "30 mL", "1e5x"])
def test_what_is_no_reading(text: str) -> None:
    with pytest.raises(InputError) as fault:
        reading_in(text)
    assert fault.value.field == "peroxide"
    assert fault.value.remedy


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("strip 0-25", "strip-25"),
        ("Teststreifen 100", "strip-100"),
        ("KI / iodide", "iodide-visual"),
        ("Kaliumjodid", "iodide-visual"),
        ("titration", "iodometric-titration"),
        ("somehow", "not-stated"),
    ],
)
def test_methods(text: str, key: str) -> None:
    assert method_in(text) == key


@pytest.mark.parametrize("text", ["sealed", "Unopened", "no", "not opened", "ungeöffnet", "nein"])
def test_unopened(text: str) -> None:
    assert opened_in(text).state == "unopened"


@pytest.mark.parametrize("text", ["?", "??", "unknown", "yes", "opened", "open", "ja", "sealed?", "in May?"])
def test_opened_on_an_unknown_day(text: str) -> None:
    found = opened_in(text)
    assert (found.state, found.opened_on) == ("opened", None)


def test_other_openings() -> None:
    assert opened_in("2026-03-09").opened_on == date(2026, 3, 9)
    assert opened_in(" ").state == "not-stated"
    assert opened_in("-").state == "not-stated"
    with pytest.raises(InputError) as fault:
        opened_in("2026-02-30")
    assert fault.value.code == "date-impossible"


@pytest.mark.parametrize(
    ("text", "state", "name", "ppm"),
    [
        ("yes", "yes", "", None),
        ("BHT", "yes", "BHT", None),
        ("BHT 7ppm", "yes", "BHT", 7),
        ("7 ppm BHT", "yes", "BHT", 7),
        ("BHT 0,025 %", "yes", "BHT", 250),
        ("no", "no", "", None),
        ("none", "no", "", None),
        ("uninhibited", "no", "", None),
        ("no BHT", "no", "", None),
        ("BHT-free", "no", "", None),
        ("", "not-stated", "", None),
        ("?", "not-stated", "", None),
        ("BHT?", "not-stated", "", None),
        ("magic", "not-stated", "magic", None),
    ],
)
def test_inhibitors(text: str, state: str, name: str, ppm: int | None) -> None:
    found = inhibitor_in(text)
    assert (found.state, found.name, found.ppm) == (state, name, ppm)


def test_an_inhibitor_in_the_solvent_cell() -> None:
    name, found = solvent_and_inhibitor("Diethyl  Ether (BHT)")
    assert (name, found.state, found.name) == ("Diethyl Ether", "yes", "BHT")
    assert solvent_and_inhibitor("THF (unstabilised)")[1].state == "no"
    assert solvent_and_inhibitor("petroleum ether (light naphtha)")[0] == "petroleum ether (light naphtha)"


def test_origins_and_places() -> None:
    assert origin_in("Bought") == "purchased"
    assert origin_in("distilled here") == "distilled-here"
    assert origin_in("made here") == "made-here"
    assert origin_in("recovered") == "recovered"
    assert origin_in("") == "not-stated"
    assert origin_in("the moon") is None
    assert place_key("vented  cabinet ") == place_key("Vented cabinet")


@given(st.text(max_size=30), st.sampled_from(["not-stated", "strip-25", "strip-100", "iodide-visual"]))
def test_any_text_is_read_or_refused(text: str, method: str) -> None:
    with suppress(InputError):
        found = reading_in(text, method=method)
        assert found is None or found.lower_mg_per_l >= 0
        assert found is None or found.upper_mg_per_l is None or found.upper_mg_per_l >= found.lower_mg_per_l
    with suppress(InputError):
        assert opened_in(text).state in ("unopened", "opened", "not-stated")
    inhibitor_in(text)
    solvent_and_inhibitor(text)
    origin_in(text)
