"""The balance as a table and on paper: every figure can be read back; the same report, the same bytes."""

from __future__ import annotations

import csv
import re
import subprocess
import sys
from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from io import StringIO

import pytest

from recovery.rules.paper_units import MASSES, VOLUMES
from recovery.rules.solvent_balance import Cell, Report, SolventFlows, report
from recovery.rules.solvent_balance_csv import balance_csv, harmless
from recovery.rules.solvent_balance_pdf import balance_pdf, bars_of
from recovery.rules.solvent_balance_words import cautions, grams, grams_rounded
from recovery.rules.solvent_terms import OUTPUTS, load_terms

TABLE = load_terms()
TODAY = date(2026, 3, 10)
CELLS = (
    Cell("supplier", "container", 8_000_000),
    Cell("container", "run", 5_000_000),
    Cell("run", "container", 2_000_000),
    Cell("run", "product", 1_000_001),
    Cell("run", "waste-container", 1_500_000),
    Cell("run", "unaccounted", 250_000),
)

PUT_BACK = SolventFlows("e", "E", Decimal(700), (), (Cell("product", "container", 5),))


def made(*names: str, since: date | None = date(2025, 1, 1)) -> Report:
    flows = [SolventFlows(n, n, Decimal("713.6"), CELLS[:1], CELLS, 400_000) for n in names or ("Ether",)]
    return report(flows, TABLE, since=since, until=date(2025, 12, 1))


def rows_of(found: Report) -> list[dict[str, str]]:
    text = balance_csv(found, TABLE, lab="Biscuit Club", cautions=cautions(found, today=TODAY))
    return list(csv.DictReader(StringIO(text.decode(), newline="")))


def pdf_of(found: Report, lab: str = "Biscuit Club") -> bytes:
    return balance_pdf(found, TABLE, lab=lab, cautions=cautions(found, today=TODAY))


def text_of(pdf: bytes) -> str:
    import pypdfium2

    document = pypdfium2.PdfDocument(pdf)
    return "\n".join(page.get_textpage().get_text_range() for page in document)


def flat(text: str) -> str:
    return re.sub(r"\s+", " ", text)


# -- the table


def test_the_table_adds_up_to_the_last_digit() -> None:
    rows = rows_of(made("Ether", "Leaf oil"))
    of = {(r["solvent"], r["code"]): r for r in rows if r["part"] == "figure"}
    for name in ("Ether", "Leaf oil", "all solvents"):
        masses = {code: Decimal(row["mass_g"] or 0) for (who, code), row in of.items() if who == name}
        assert masses["I1"] == sum(masses[term] for term in OUTPUTS)
        assert masses["I1"] == masses["opening"] + masses["brought_in"] - masses["closing"]
        assert masses["fugitive"] == masses["fugitive_direct"]
    assert of[("Ether", "O3")]["volume_ml"] == "1000.001"
    assert Decimal(of[("Ether", "O3")]["mass_g"]) == Decimal("1000.001") * Decimal("0.7136")


def test_every_row_of_the_data_is_printed_with_its_source() -> None:
    printed = {row["code"]: row["source"] for row in rows_of(made()) if row["part"] == "rule"}
    for (source, destination), feed in TABLE.feeds.items():
        assert printed[f"{source} to {destination}"] == feed.source


@pytest.mark.parametrize("text", ["=1+1", "+49", "-1", "@a", "\tb"])
def test_names_are_never_formulas(text: str) -> None:
    assert harmless(text) == f"'{text}"
    assert harmless("Ether") == "Ether"
    names = {row["solvent"] for row in rows_of(made(text))}
    assert text not in names and f"'{text}" in names


# -- what is said


@pytest.mark.parametrize(
    ("found", "today", "word"),
    [
        (made(), date(2025, 12, 31), "not over"),
        (made(since=None), TODAY, "first record"),
        (report([PUT_BACK], TABLE), TODAY, "O3"),
    ],
)
def test_what_to_beware_of_is_said(found: Report, today: date, word: str) -> None:
    assert any(word in words for words in cautions(found, today=today))
    assert not any(word in words for words in cautions(made(), today=TODAY))


def test_grams() -> None:
    assert (grams(713_600), grams(-1), grams(0)) == ("0.0007136", "-0.000000001", "0")
    assert grams_rounded(1_500_000) == "0.002"


# -- on paper


def test_the_paper_says_all_that_the_report_does() -> None:
    found = made("Ether", "Leaf oil")
    text = flat(text_of(pdf_of(found)))
    for words in ("Biscuit Club", "2025-01 to 2025-12", "Leaf oil", "What no record shows", "Supervisor"):
        assert words in text, words
    for solvent in found.solvents:
        for value in (solvent.mass.i1, solvent.mass.fugitive, *solvent.mass.outputs.values()):
            assert (grams_rounded(value) if value else "nothing") in text
    # Of both together more than 10 kg stood there.
    assert f"{found.total.emission / 10**12:.3f}" in text
    assert "run to waste-container" in text and "adds to O6" in text
    assert f"{found.total.fugitive_share * 100:.2f} %" in text  # type: ignore[operator]
    assert "page 1" in text


def test_what_only_stood_there_takes_a_line() -> None:
    still = SolventFlows("leaf-oil", "Leaf oil", Decimal("800"), CELLS[:1])
    both = report([SolventFlows("ether", "Ether", Decimal("713.6"), (), CELLS), still], TABLE)
    text = flat(text_of(pdf_of(both)))
    assert "nothing moved" in text and "Leaf oil 6400.000 8000" in text
    assert "Leaf oil (800" not in text and "Ether (713.6" in text


def test_the_same_report_gives_the_same_bytes() -> None:
    assert pdf_of(made()) == pdf_of(made())


def test_another_process_gives_the_same_bytes() -> None:
    program = (
        "import hashlib; from tests.rules.test_solvent_balance_papers import made, pdf_of; "
        "print(hashlib.sha256(pdf_of(made())).hexdigest())"
    )
    runs = {
        subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout
        for _ in range(2)
    }
    assert len(runs) == 1


@pytest.mark.parametrize("name", ["Żółty & <b>Klub</b>", "Ключ", "x" * 200])
def test_names_in_any_script_can_be_read(name: str) -> None:
    text = text_of(pdf_of(made(name), lab=name))
    assert name.replace(" ", "") in re.sub(r"\s", "", text)


def test_an_empty_period_is_a_page_too() -> None:
    empty = report([], TABLE, since=date(2025, 1, 1), until=date(2025, 1, 1))
    assert "nothing was put in" in flat(text_of(pdf_of(empty)))


def test_the_bars_are_what_the_figures_say() -> None:
    found = made("Ether")
    (row,) = bars_of(found.solvents, TABLE).rows
    (name, amount), *_ = row.inputs
    assert name.startswith("I1") and amount == pytest.approx(found.solvents[0].mass.i1 / 1e9)
    assert bars_of(found.solvents, TABLE).unit == "g"
    outputs: Sequence[float] = [amount for _, amount in row.outputs]
    assert sum(outputs) == pytest.approx(amount)


def test_each_table_has_one_unit_by_its_largest_figure() -> None:
    """SI prefixes (SI Brochure, 9th edition, table 7): 10 kg of 713.6 kg/m³ are 14.013... L."""
    assert [MASSES.of([ng]).name for ng in (0, 10**13 - 1, 10**13, -(10**13))] == ["g", "g", "kg", "kg"]
    assert [VOLUMES.of([ul]).name for ul in (10**7 - 1, 10**7)] == ["mL", "L"]
    kilograms, grams_ = MASSES.large, MASSES.small
    assert [kilograms.text(ng) for ng in (0, 1, 10**9, 12_345_678 * 10**6)] == [
        "nothing", "below 0.001", "0.001", "12.346",
    ]  # fmt: skip
    assert [grams_.text(ng) for ng in (0, 1, -1, 10**9)] == [
        "nothing",
        "below 0.001",
        "above −0.001",
        "1.000",
    ]
    much = SolventFlows(
        "ether", "Ether", Decimal("713.6"), (Cell("supplier", "container", 20_000_000),), CELLS
    )
    text = flat(text_of(pdf_of(report([much], TABLE))))
    assert "mass, kg volume, L" in text
    assert "Opening stock 14.272 20.000" in text
    assert "mass, g" not in text
    assert "mass, kg Missing, and nobody can name why (within O9) 0.178" in text
    assert bars_of(report([much], TABLE).solvents, TABLE, kilograms).unit == "kg"


def test_no_picture_without_a_bar() -> None:
    """Nine solvents of which the ninth only stood there take one picture, none at all a line of words."""
    stood = [SolventFlows(f"s{n}", f"S{n}", Decimal("800"), CELLS[:1]) for n in range(9)]
    none = pdf_of(report(stood, TABLE, since=date(2025, 1, 1), until=date(2025, 12, 1)))
    assert "Nothing came in or went out." in flat(text_of(none))
    assert images_of(none) == 0
    moved = [SolventFlows(f"m{n}", f"M{n}", Decimal("800"), (), CELLS) for n in range(8)]
    assert images_of(pdf_of(report([*moved, *stood], TABLE))) == 1


def images_of(pages: bytes) -> int:
    import pypdfium2
    from pypdfium2.raw import FPDF_PAGEOBJ_IMAGE

    return sum(
        one.type == FPDF_PAGEOBJ_IMAGE for page in pypdfium2.PdfDocument(pages) for one in page.get_objects()
    )
