"""Labels as people print them: rendered at 200 dpi and read back by an independent decoder.

Decoder: zxing-cpp. Renderer: PDFium. Sizes: CLP Annex I 1.2.1 (from memory). Symbols: UN GHS.
"""

from __future__ import annotations

from math import sqrt
from typing import Any

import pytest

from inventory.rules.catalogue import load_catalogue
from inventory.rules.label_sheet import SIZES, NoRoom, labels_pdf
from inventory.rules.label_text import LEAVE, LabelText, hazards_of, statement_words, symbols

DPI = 200
DATED = (("Received", "2026-11-01"), ("Opened", ""), ("Tested", ""), ("Test by", ""))
WORST = "https://solvents.a-long-school-name.example.org/labs/crumb-and-leaf-science-club/containers/ABCDEFGH23456789/"


def label(number: int = 0, key: str = "diethyl-ether", **more: Any) -> LabelText:
    hazards = hazards_of(key)
    told: dict[str, Any] = {
        "name": key.replace("-", " "), "code": f"7KQ2M{number}", "address": f"{WORST}{number}/",
        "signal_word": hazards.signal_word, "pictograms": hazards.pictograms,
        "statements": hazards.statements, "known": hazards.known, "may_form_peroxides": True,
        "lab": "Crumb and Leaf Science Club", "contact": "Room 2.14", "dated": DATED,
    }  # fmt: skip
    return LabelText(**{**told, **more})


def pages(body: bytes) -> Any:
    import pypdfium2

    return pypdfium2.PdfDocument(body)


def codes_on(page: Any) -> list[str]:
    import zxingcpp

    picture = page.render(scale=DPI / 72).to_pil()
    return sorted(found.text for found in zxingcpp.read_barcodes(picture))


@pytest.mark.parametrize("size", SIZES.values(), ids=str)
def test_every_code_of_full_sheets_is_read_back_at_200_dpi(size: Any) -> None:
    made = [label(number) for number in range(size.on_a_sheet + 2)]
    document = pages(labels_pdf(made, size, skip=1))
    assert len(document) == 2
    read = [text for page in document for text in codes_on(page)]
    assert sorted(read) == sorted(each.address for each in made)
    width, height = document[0].get_size()
    assert (width, height) == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=0.01)


@pytest.mark.parametrize("size", SIZES.values(), ids=str)
def test_a_single_label_is_a_page_of_its_size_with_all_its_words(size: Any) -> None:
    document = pages(labels_pdf([label()], size, single=True))
    (page,) = document
    assert page.get_size() == pytest.approx((size.width_mm / 25.4 * 72, size.height_mm / 25.4 * 72), abs=0.01)
    assert codes_on(page) == [label().address]
    words = " ".join(page.get_textpage().get_text_range().split())
    for wanted in (
        "diethyl ether", "7KQ2M0", "DANGER", "May form peroxides", "H224 Extremely flammable", "EUH019",
        "Received", "2026-11-01", "Opened", "Tested", "Test by", "Crumb and Leaf Science Club", "Room 2.14",
    ):  # fmt: skip
        assert wanted in words


@pytest.mark.parametrize("key", sorted(load_catalogue()))
@pytest.mark.parametrize("size", SIZES.values(), ids=str)
def test_nothing_of_any_solvents_label_is_lost_or_leaves_the_paper(size: Any, key: str) -> None:
    import pypdfium2.raw as raw

    made = label(key=key, **as_it_is(key))
    (page,) = pages(labels_pdf([made], size, single=True))
    words = " ".join(page.get_textpage().get_text_range().split())
    for statement in made.statements:
        assert statement.split()[0] in words
        assert statement.split()[-1] in words
    width, height = page.get_size()
    for thing in page.get_objects(filter=(raw.FPDF_PAGEOBJ_TEXT, raw.FPDF_PAGEOBJ_PATH)):
        left, bottom, right, top = thing.get_bounds()
        assert left >= -0.5 and bottom >= -0.5 and right <= width + 0.5 and top <= height + 0.5
    assert codes_on(page) == [made.address]


GERMAN = {
    "may_form": "Kann Peroxide bilden. Vor Gebrauch und Destillation testen.",
    LEAVE: "Nicht anfassen, öffnen oder bewegen. Fragen Sie die Aufsicht.",
    "": "",
}


def as_it_is(key: str, language: str = "en", leave: str = "") -> dict[str, Any]:
    """What is told of a solvent by its own class, as the labels of a lab have it."""
    former = load_catalogue()[key].peroxide_class != "none"
    told: dict[str, Any] = {
        "statements": hazards_of(key, language).statements, "may_form_peroxides": former,
        "dated": DATED if former and not leave else DATED[:2],
    }  # fmt: skip
    if language == "de":
        return {**told, "may_form": GERMAN["may_form"], "leave": GERMAN[leave]}
    return {**told, "leave": str(leave)}


@pytest.mark.parametrize(("language", "leave"), [("en", ""), ("de", ""), ("de", LEAVE)])
def test_statements_keep_clear_of_the_lines_to_write_on(language: str, leave: str) -> None:
    """On the smallest label, of each solvent as what it is; one without the room is not drawn at all."""
    made = {
        key: label(number, key, **as_it_is(key, language, leave), detail="distilled once")
        for number, key in enumerate(sorted(load_catalogue()))
    }
    if leave:
        with pytest.raises(NoRoom) as refused:
            labels_pdf(list(made.values()), SIZES["small"], single=True)
        assert refused.value.codes == (made.pop("n-hexane").code,)
    document = pages(labels_pdf(list(made.values()), SIZES["small"], single=True))
    for told, page in zip(made.values(), document, strict=True):
        text = page.get_textpage()
        found = text.search(told.statements[-1].split()[-1]) if told.statements else None
        lines = [text.get_rect(n) for n in range(text.count_rects())]
        heads = [box for box in lines if "Received" in text.get_text_bounded(*box)]
        assert heads, told.name
        last = found.get_next() if found else None
        assert last is None or _lowest(text, last) > heads[0][3] - 0.5, told.name


def _lowest(text: Any, found: tuple[int, int]) -> float:
    start, count = found
    return min(float(text.get_charbox(n)[1]) for n in range(start, start + count))


def test_a_german_label_says_the_german_words() -> None:
    """Words of H225 and EUH019 in the German text of the regulation."""
    said = " ".join(hazards_of("tetrahydrofuran", "de").statements)
    assert "H225 Flüssigkeit und Dampf leicht entzündbar." in said
    assert "EUH019 Kann explosionsfähige Peroxide bilden." in said
    assert set(statement_words("de")) == set(statement_words())
    (page,) = pages(labels_pdf([label(statements=(said,))], SIZES["small"], single=True))
    assert codes_on(page) == [label().address]


def test_a_pictogram_is_never_smaller_than_the_least_size() -> None:
    least_mm = 10 * sqrt(2)
    assert all(size.sign_mm >= least_mm for size in SIZES.values())
    most = max(len(hazards_of(key).pictograms) for key in load_catalogue())
    for size in SIZES.values():
        assert most * least_mm <= size.width_mm - 4


def test_every_code_of_the_catalogue_has_words_and_a_symbol() -> None:
    for key in load_catalogue():
        hazards = hazards_of(key)
        assert set(hazards.pictograms) <= set(symbols())
        assert {told.split()[0] for told in hazards.statements} <= set(statement_words())
        assert not hazards.known or hazards.signal_word


def test_a_solvent_without_hazards_on_record_says_so() -> None:
    (page,) = pages(labels_pdf([label(key="our-own-mixture")], SIZES["medium"], single=True))
    assert "Hazards not on record" in page.get_textpage().get_text_range()


def test_the_same_labels_are_the_same_bytes() -> None:
    assert labels_pdf([label()], SIZES["small"]) == labels_pdf([label()], SIZES["small"])


CONTACTS = (
    "Dr. Katharina Breitenbach-Hollmann, 0341 97 36-1427",
    "Prof. Maximiliane Oberndorfer-Wessely, Haus C, Zimmer 2.14, +49 341 9736 1427, "
    "nachts Pforte +49 341 9736 1000",
    "Dr. Katharina Breitenbach-Hollmann, room 2.14, +44 1865 275 901, out of hours the porter on "
    "+44 1865 275 900; if nobody answers the safety office +44 1865 275 902, or security 112 (house net)",
)
LAB = "Crumb and Leaf Science Club of the Upper School by the Old Flour Mill"


@pytest.mark.parametrize("contact", CONTACTS)
@pytest.mark.parametrize("size", SIZES.values(), ids=str)
def test_a_contact_stands_there_whole_or_the_size_is_refused(size: Any, contact: str) -> None:
    """Each number in one line. The lab's name gives way first."""
    for key in ("diethyl-ether", "acetone", "n-hexane"):
        for language, leave in (("en", ""), ("de", LEAVE)):
            told = as_it_is(key, language, leave)
            one = label(key=key, **told, contact=contact, lab=LAB, emergency="Ring 12, then 112.")
            try:
                (page,) = pages(labels_pdf([one], size, single=True))
            except NoRoom as error:
                assert (size.key, key, error.codes) == ("small", "n-hexane", (one.code,))
                continue
            lines = page.get_textpage().get_text_range().splitlines()
            words = " ".join(" ".join(lines).split())
            assert contact in words, (key, language)
            for number in ("+49 341 9736 1427", "+44 1865 275 902", "0341 97 36-1427"):
                assert number not in contact or any(number in line for line in lines), number
            assert LAB in words or LAB[:20] not in words or "…" in words
            assert words.count("H2") >= 1 and (told["leave"] in words)
            assert size.key == "small" or "Ring 12, then 112." in words


def test_what_gives_way_on_a_full_label_is_never_the_contact() -> None:
    """The words for an emergency go first, then the lab; with nothing left to give, the size is refused."""
    told = {
        **as_it_is("n-hexane"),
        "key": "n-hexane",
        "emergency": "In an emergency: ring 12, then 112. " * 3,
    }
    said = {}
    for contact in ("Room 2.14", *CONTACTS[:1]):
        (page,) = pages(labels_pdf([label(**told, contact=contact)], SIZES["small"], single=True))
        said[contact] = " ".join(page.get_textpage().get_text_range().split())
        assert contact in said[contact]
        assert "ring 12" not in said[contact]
        assert "H361f" in said[contact]
    assert "Crumb and Leaf Science Club" in said["Room 2.14"]
    with pytest.raises(NoRoom, match="7KQ2M0"):
        labels_pdf([label(**told, contact="+49 341 9736 1427 " * 11)], SIZES["small"], single=True)
