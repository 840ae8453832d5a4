"""Names as people write them, and what is never guessed. Common practice, no source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.catalogue import UnknownSolvent, fold_name, load_catalogue, match_name, resolve


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("ether", "diethyl-ether"),
        ("Et2O", "diethyl-ether"),
        ("Et₂O", "diethyl-ether"),
        ("Diethyl Ether (BHT)", "diethyl-ether"),
        ("éther", "diethyl-ether"),
        ("THF", "tetrahydrofuran"),
        ("Tetrahydrofuran", "tetrahydrofuran"),
        ("109-99-9", "tetrahydrofuran"),
        ("EtOAc", "ethyl-acetate"),
        ("Ethyl acetate", "ethyl-acetate"),
        ("DCM", "dichloromethane"),
        ("IPA", "2-propanol"),
        ("isopropanol", "2-propanol"),
        ("MTBE", "tert-butyl-methyl-ether"),
        ("tBME", "tert-butyl-methyl-ether"),
        ("tert-Butyl methyl ether", "tert-butyl-methyl-ether"),
        ("rec tert-butyl methyl ether", "tert-butyl-methyl-ether"),
        ("2-MeTHF", "2-methyltetrahydrofuran"),
        ("MEK", "2-butanone"),
        ("MIBK", "4-methyl-2-pentanone"),
        ("Acetone tech.", "acetone"),
        ("rec acetone", "acetone"),
        ("ethanol 96%", "ethanol"),
        ("Petroleum ether 40-60", "petroleum-ether-40-60"),
        ("petrol ether 40-60", "petroleum-ether-40-60"),
        ("pet ether 40/60", "petroleum-ether-40-60"),
        ("Pet. Ether 40–60 °C", "petroleum-ether-40-60"),
        ("pet ether", "petroleum-ether-40-60"),
        ("cyclohexane", "cyclohexane"),
        ("Diisopropyl ether", "diisopropyl-ether"),
        ("N,N-dimethylformamide", "n-n-dimethylformamide"),
        ("THF with BHT", "tetrahydrofuran"),
    ],
)
def test_resolves(name: str, key: str) -> None:
    assert resolve(name) == key


@pytest.mark.parametrize(
    "name",
    [
        "solvent X",
        "alcohol",
        "spirit",
        "methylated spirit",
        "naphtha",
        "butanol",
        "propanol",
        "xylene",
        "hexanes",
        "petroleum ether 60-80",
        "ethanol 70%",
        "Ethanol (70 %)",
        "ethanol/water",
        "THF (in hexane)",
        "waste acetone",
        "acetne",
        "",
        "()",
        "%",
        "e" * 5000,
    ],
)
def test_never_guessed(name: str) -> None:
    with pytest.raises(UnknownSolvent) as caught:
        resolve(name)
    assert caught.value.code == "unknown-solvent"
    assert caught.value.remedy


def test_suggestions_are_offered_not_taken() -> None:
    with pytest.raises(UnknownSolvent) as caught:
        resolve("xylene", field="rows.3.what")
    assert set(caught.value.suggestions) == {"o-xylene", "m-xylene", "p-xylene"}
    assert caught.value.field == "rows.3.what"
    with pytest.raises(UnknownSolvent) as caught:
        resolve("tetrahydrofurane")
    assert caught.value.suggestions[0] == "tetrahydrofuran"


def test_remarks_and_notes_are_kept() -> None:
    assert match_name("Diethyl Ether (BHT)").remark == "BHT"
    assert match_name("Acetone tech.").remark == "tech."
    assert "pure" in match_name("ethanol 96%").note
    assert "40-60" in match_name("petroleum ether").note
    assert match_name("diethyl ether").note == ""


def test_a_list_in_german_is_understood() -> None:
    """Names: from memory. What may be one of several liquids stays unknown in German too."""
    known = {
        "Aceton": "acetone",
        "Diethylether": "diethyl-ether",
        "Diethyläther": "diethyl-ether",
        "tert-Butylmethylether": "tert-butyl-methyl-ether",
        "Essigsäureethylester": "ethyl-acetate",
        "Petrolether 40-60": "petroleum-ether-40-60",
        "Wasser": "water",
    }
    assert {name: resolve(name) for name in known} == known
    for several in ("Alkohol", "Xylol", "Spiritus", "Benzin"):
        with pytest.raises(UnknownSolvent):
            resolve(several)


def test_names_of_a_lab_come_second() -> None:
    own = {"degreaser": "acetone", "ether": "water"}
    assert resolve("Degreaser", own) == "acetone"
    assert resolve("ether", own) == "diethyl-ether"


def test_every_shipped_synonym_leads_to_a_shipped_solvent_and_to_one_only() -> None:
    import csv

    from inventory.rules.names import DATA

    seen: dict[str, str] = {fold_name(s.name): s.key for s in load_catalogue().values()}
    with (DATA / "synonyms.csv").open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            assert row["solvent"] in load_catalogue(), row
            assert seen.setdefault(fold_name(row["name"]), row["solvent"]) == row["solvent"], row


@given(st.text(max_size=150))
def test_any_text_resolves_or_is_refused(name: str) -> None:
    try:
        assert resolve(name) in load_catalogue()
    except UnknownSolvent as error:
        assert set(error.suggestions) <= set(load_catalogue())
