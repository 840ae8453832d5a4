"""What pictures are made with: text, scales, colours, and bytes that are the same every time."""

from __future__ import annotations

import io
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from itertools import pairwise
from subprocess import run

import pypdfium2
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from inventory.rules.pictures.scales import Linear, Log, day_ticks, linear_ticks, log_ticks, padded, spread
from inventory.rules.pictures.sheet import Shape, Sheet, shortened, width_of, wrapped
from inventory.rules.pictures.style import PALETTES, Look, Palette, contrast
from inventory.rules.pictures.words import clean, isolated, number, plus_minus, volume_unit
from tests.rules.pictures_made import check_whole, ids, words_of

HOSTILE = '<script>alert(1)</script> & "שלום" \u202eabc\x00\ud800 ]]> 乙醚'
FINITE = st.floats(-1e12, 1e12, allow_nan=False)


def sheet(look: Look, words: str = "Ether 12 mL") -> Sheet:
    made = Sheet(look, words, words)
    made.text(20, 40, words)
    made.text(340, 60, words[:20], anchor="end", bold=True)
    shapes: tuple[Shape, ...] = ("circle", "square", "diamond", "up", "down")
    for place, shape in enumerate(shapes):
        made.mark(shape, 30 + 30 * place, 90, 8, "#0072b2", edge="#000000", name=f"mark-{place}", hint=words)
    made.box(20, 110, 100, 20, "#56b4e9", hatch="///", edge="#1c2628", alpha=0.5)
    made.line([(10, 140), (350, 140)], "#d55e00", 1.5, dash=(6, 3), name="line")
    made.height = 160
    return made


# -- bytes


@pytest.mark.parametrize("kind", ["svg", "png", "pdf"])
def test_the_same_sheet_gives_the_same_bytes(kind: str) -> None:
    look = Look(kind=kind, width="small")  # type: ignore[arg-type]
    assert sheet(look).bytes() == sheet(look).bytes()
    assert sheet(look).bytes() != sheet(look, "Ether 13 mL").bytes()


def test_another_process_gives_the_same_bytes() -> None:
    """No date, no random id, no order of a set."""
    program = (
        "import sys; from tests.rules.test_pictures import sheet, Look;"
        "sys.stdout.buffer.write(sheet(Look(width='small')).bytes())"
    )
    done = run([sys.executable, "-c", program], capture_output=True, check=True)
    assert done.stdout == sheet(Look(width="small")).bytes()


def test_four_threads_draw_what_one_draws() -> None:
    looks = [Look(theme, "small", kind) for theme in ("light", "dark") for kind in ("svg", "png")]
    alone = [sheet(look).bytes() for look in looks]
    with ThreadPoolExecutor(4) as threads:
        together = list(threads.map(lambda look: sheet(look).bytes(), looks * 6))
    assert together == alone * 6


@pytest.mark.parametrize("scale", [1, 3])
def test_a_png_has_its_size_and_its_paper(scale: int) -> None:
    """Opened by Pillow."""
    image = Image.open(io.BytesIO(sheet(Look("dark", "small", "png", scale)).bytes()))
    assert (image.format, image.size) == ("PNG", (360 * scale, 160 * scale))
    assert image.convert("RGB").getpixel((1, 1)) == (0x1A, 0x24, 0x26)


def test_a_pdf_has_one_page_of_its_size_with_the_words_as_text() -> None:
    """Read by PDFium; a CSS pixel is a point."""
    document = pypdfium2.PdfDocument(sheet(Look(kind="pdf", width="small")).bytes())
    assert len(document) == 1
    assert document[0].get_size() == (360, 160)
    assert "Ether 12 mL" in document[0].get_textpage().get_text_bounded()


@pytest.mark.parametrize("width", ["small", "large"])
def test_hostile_words_stay_words(width: str) -> None:
    look = Look("light", width)  # type: ignore[arg-type]
    root = check_whole(sheet(look, HOSTILE[:40]).bytes(), look)
    told = [words.text for words in words_of(root)]
    assert told[0].startswith("<script>alert(1)</script> & ")
    assert len(ids(root, "mark-")) == 5
    titles = [group.findtext("{http://www.w3.org/2000/svg}title") for group in root.iter() if group.get("id")]
    assert clean(HOSTILE[:40]) in titles


def test_importing_pictures_loads_no_matplotlib() -> None:
    program = (
        "import sys; import inventory.rules.pictures.growth, recovery.rules.pictures.loss_chart,"
        "recovery.rules.pictures.loss_waterfall, recovery.rules.pictures.flow_diagram;"
        "sys.exit('matplotlib' in sys.modules or 'numpy' in sys.modules)"
    )
    assert run([sys.executable, "-c", program], check=False).returncode == 0


def test_a_look_that_is_not_offered_is_refused() -> None:
    for wrong in ({"theme": "pink"}, {"width": "390"}, {"kind": "gif"}, {"scale": 0}, {"scale": 4}):
        with pytest.raises(ValueError, match=r"look|scale"):
            Look(**wrong)


# -- words


@given(st.text())
def test_cleaned_words_fit_into_xml_and_stay_so(words: str) -> None:
    """XML 1.0, production [2] Char."""
    found = clean(words)
    assert clean(found) == found
    for char in found:
        code = ord(char)
        assert 0x20 <= code <= 0xD7FF or 0xE000 <= code <= 0xFFFD or 0x10000 <= code <= 0x10FFFF
    assert not set(found) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2069\u200e\u200f\n") - {"\u2069"}


def test_a_name_from_right_to_left_is_isolated_and_cannot_turn_the_rest() -> None:
    """Unicode Standard Annex 9: U+2068 to U+2069."""
    assert isolated("אתר 250") == "\u2068אתר 250\u2069"
    assert isolated("\u202eether") == "ether"
    assert clean(f"in {isolated('אתר')}: 5 mL") == "in \u2068אתר\u2069: 5 mL"
    assert clean("\u2069\u2068 unpaired") == "unpaired"


@given(st.text(max_size=80), st.integers(20, 300))
def test_shortened_words_are_no_wider_than_their_room(words: str, room: int) -> None:
    assert width_of(shortened(words, 12, room), 12) <= max(room, width_of("…", 12))
    lines = wrapped(words, 12, room, most=3)
    assert len(lines) <= 3
    assert all(width_of(line, 12) <= max(room, width_of("…", 12)) for line in lines)


def test_a_number_and_its_unit_stay_on_one_line() -> None:
    room = width_of("do not use from 25", 12) + 2
    assert wrapped("do not use from 25 mg/L", 12, room) == ["do not use from", "25\u00a0mg/L"]


@pytest.mark.parametrize(
    ("value", "half", "words"),
    [
        # GUM 7.2.6 gives 10,047 Ω with 27 mΩ as the digits that are too many; one or two are enough.
        (38.4, 6.2, "38.4 ± 6.2 mL"),
        (38.4, 1.24, "38.4 ± 1.3 mL"),
        (0.0381, 0.0027, "0.0381 ± 0.0027 mL"),
        (1234.5, 21.0, "1\u202f235 ± 21 mL"),
        (8.8, 30.1, "9 ± 31 mL"),
        (-0.4, 96.0, "0 ± 96 mL"),
        # Three digits of a power of ten would be far from the value: down to 1 µL in litres all stand.
        (0.25036, 8e-5, "0.250360 ± 0.000080 mL"),
        (1.2e9, 8e5, "1\u202f200\u202f000\u202f000 ± 800\u202f000 mL"),
        (-5.0, None, "\u22125 mL"),
        (0.0, 0.0, "0 mL"),
        (float("nan"), 1.0, "not known"),
    ],
)
def test_an_uncertainty_decides_the_digits(value: float, half: float | None, words: str) -> None:
    assert plus_minus(value, half, "mL") == words


def test_numbers_have_three_digits_and_true_signs() -> None:
    told = {
        93.7512: "93.8",
        1234.56: "1\u202f235",
        0.012345: "0.0123",
        -2.0: "\u22122",
        0.0: "0",
        5e12: "5.00×10¹²",
    }
    assert {value: number(value) for value in told} == told
    assert number(5e12) == "5.00×10¹²"
    assert number(float("inf")) == "not known"


def test_the_unit_of_a_picture_follows_its_largest_volume() -> None:
    told = {99_999: "100\u202f000 mL", 250_000: "250 L", 3e8: "300 m³"}
    assert volume_unit(12).text(12.5, 0.4) == "12.50 ± 0.40 mL"
    assert volume_unit(250_000).text(250_000) == told[250_000]
    assert volume_unit(3e8).text(3e8) == told[3e8]


# -- scales


@given(st.lists(st.floats(allow_nan=True, allow_infinity=True)), st.booleans())
def test_padding_leaves_a_range_that_can_be_drawn(values: list[float], with_zero: bool) -> None:
    low, high = padded(values, with_zero=with_zero)
    assert low < high
    assert not with_zero or low <= 0 <= high
    ticks = linear_ticks(low, high, 7)
    assert 1 <= len(ticks) <= 8
    assert all(low - 1e-6 * (high - low) <= tick <= high + 1e-6 * (high - low) for tick in ticks)
    scale = Linear(low, high, 300, 20)
    assert all(20 <= scale(value) <= 300 for value in values if value == value)


@given(st.floats(1e-4, 1e6), st.floats(1.5, 1e9))
def test_logarithmic_ticks_are_few_and_inside(low: float, times: float) -> None:
    high = low * times
    ticks = log_ticks(low, high, 8)
    assert len(ticks) <= 8
    assert all(low * 0.999 <= tick <= high * 1.001 for tick in ticks)
    scale = Log(low, high, 300, 20)
    assert scale(0) == 300
    assert scale(high * 10) == pytest.approx(20)


@given(st.dates(), st.dates(), st.integers(3, 10))
def test_days_are_few_in_order_and_inside(one: date, other: date, most: int) -> None:
    first, last = min(one, other), max(one, other)
    ticks = [day for day, _ in day_ticks(first, last, most)]
    assert len(ticks) <= most + 1
    assert ticks == sorted(set(ticks))
    assert all(first <= day <= last for day in ticks)


@given(st.lists(st.floats(0, 300), min_size=1, max_size=6))
def test_labels_are_moved_apart(places: list[float]) -> None:
    found = sorted(spread(places, [30.0] * len(places), 0, 300))
    assert all(after - before >= 30 - 1e-9 for before, after in pairwise(found))
    assert found[0] >= 15 - 1e-9
    assert found[-1] <= 285 + 1e-9


# -- colours


@pytest.mark.parametrize("palette", PALETTES.values(), ids=PALETTES.keys())
def test_words_and_lines_stand_out_from_the_paper(palette: Palette) -> None:
    """WCAG 2.2: 4.5 to 1 for text (1.4.3), 3 to 1 for what must be seen (1.4.11); outlines are in ink."""
    assert contrast("#ffffff", "#000000") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)
    for text in (palette.ink, palette.faint):
        assert contrast(text, palette.paper) >= 4.5
    for mark in (palette.value, palette.alarm, palette.ink):
        assert contrast(mark, palette.paper) >= 3
