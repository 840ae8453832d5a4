"""Papers as people print them, read back and looked at by PDFium. A4: ISO 216; Letter: ANSI/ASME Y14.1."""

from __future__ import annotations

from typing import Any

import pytest

from inventory.rules.paper import MARK, Column, Line, Paper, Part, paper_pdf

HEADS = ("Code", "Words", "Amount")


def paper(lines: list[Line], **more: Any) -> Paper:
    columns = [Column(HEADS[0], 2), Column(HEADS[1], 6, strong=True), Column(HEADS[2], 2, right=True)]
    part = Part(title="Bottles", words=["Some words."], columns=columns, lines=lines, empty="Nothing.")
    return Paper(
        title="Shelf of the club", facts=[("Lab", "Leaf & <Crumb>")], parts=[part], foot="The foot", **more
    )


def pages(body: bytes) -> Any:
    import pypdfium2

    return pypdfium2.PdfDocument(body)


def text_of(page: Any) -> str:
    return " ".join(page.get_textpage().get_text_range().split())


@pytest.mark.parametrize(
    ("size", "landscape", "inches"),
    [
        ("a4", False, (210 / 25.4, 297 / 25.4)),
        ("a4", True, (297 / 25.4, 210 / 25.4)),
        ("letter", False, (8.5, 11)),
        ("letter", True, (11, 8.5)),
    ],
)
def test_every_page_is_numbered_headed_and_within_its_paper(
    size: str, landscape: bool, inches: tuple[float, float]
) -> None:
    import pypdfium2.raw as raw

    lines = [
        Line([f"B-{n:03}", "a few words on it " * (n % 7), f"{n}.0 mL"], grave=n % 9 == 0) for n in range(160)
    ]
    document = pages(paper_pdf(paper(lines, landscape=landscape), size))
    assert len(document) > 3
    texts = [text_of(page) for page in document]
    for number, (page, text) in enumerate(zip(document, texts, strict=True), start=1):
        assert page.get_size() == pytest.approx([side * 72 for side in inches], abs=0.1)
        assert f"Page {number} of {len(document)}" in text
        assert "The foot" in text
        assert all(head in text for head in HEADS)
        for thing in page.get_objects(filter=(raw.FPDF_PAGEOBJ_TEXT, raw.FPDF_PAGEOBJ_PATH)):
            left, bottom, right, top = thing.get_bounds()
            assert left >= 0 and bottom >= 0 and right <= inches[0] * 72 and top <= inches[1] * 72
    told = " ".join(texts)
    assert [told.count(f"B-{n:03}") for n in range(160)] == [1] * 160
    assert [f"{MARK}B-{n:03}" in told for n in range(160)] == [n % 9 == 0 for n in range(160)]


def test_a_cell_longer_than_a_page_loses_no_word() -> None:
    words = " ".join(f"w{n}" for n in range(3000))
    document = pages(paper_pdf(paper([Line(["B-1", words, "1 mL"])])))
    found = [
        word for page in document for word in text_of(page).split() if word[0] == "w" and word[1:].isdigit()
    ]
    assert sorted(set(found), key=lambda word: int(word[1:])) == words.split()


def test_words_of_people_are_never_mark_up() -> None:
    name = "<b>crumbs</b> & “leaves” \x07 <img src='x'>"
    text = text_of(pages(paper_pdf(paper([Line([name, "a", "b"])])))[0])
    assert "<b>crumbs</b> & “leaves”" in text
    assert "<img" in text
    assert "Leaf & <Crumb>" in text


def test_an_empty_table_says_so_and_the_same_paper_is_the_same_bytes() -> None:
    assert "Nothing." in text_of(pages(paper_pdf(paper([])))[0])
    assert paper_pdf(paper([Line(["a", "b", "c"])])) == paper_pdf(paper([Line(["a", "b", "c"])]))
