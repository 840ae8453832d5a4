"""Dates as people write them; the order of day and month by evidence, or asked."""

from __future__ import annotations

import time
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.errors import InputError
from inventory.rules.sheets.dates import DateOrder, DateRules, find_orders, has_short_years, parse_date

DAY, MONTH = DateOrder.DAY_FIRST, DateOrder.MONTH_FIRST


def code_of(text: str, rules: DateRules | DateOrder | None = None) -> str:
    with pytest.raises(InputError) as fault:
        parse_date(text, rules, name="opened")
    assert fault.value.field == "opened"
    assert fault.value.remedy
    return fault.value.code


@pytest.mark.parametrize(
    "text",
    [
        "2026-01-31", "2026-1-31", "2026/01/31", "2026.01.31", "31 Jan 2026", "31. Januar 2026",
        "31-Jan-2026", "31st January 2026",
        "Jan 31, 2026", "January 31st, 2026", " 31 jan. 2026 ", "2026-01-31 00:00:00",
        "2026-01-31T09:30Z",
    ],
)  # fmt: skip
def test_forms_that_need_no_evidence(text: str) -> None:
    assert parse_date(text) == date(2026, 1, 31)


@pytest.mark.parametrize(
    ("text", "month"), [("3. März 2026", 3), ("3 Mrz 2026", 3), ("3 Mai 2026", 5), ("3 Dez 2026", 12)]
)
def test_german_months(text: str, month: int) -> None:
    assert parse_date(text) == date(2026, month, 3)


def test_numbers_alone_need_the_order() -> None:
    assert code_of("05.06.2026") == "date-order-unknown"
    assert parse_date("05.06.2026", DAY) == date(2026, 6, 5)
    assert parse_date("05/06/2026", MONTH) == date(2026, 5, 6)
    # The same day both ways: nothing to ask.
    assert parse_date("05.05.2026") == date(2026, 5, 5)


def test_an_order_counts_for_its_own_separator_only() -> None:
    rules = DateRules(((".", DAY),))
    assert parse_date("05.06.2026", rules) == date(2026, 6, 5)
    assert code_of("05/06/2026", rules) == "date-order-unknown"


@pytest.mark.parametrize("text", ["31.02.2026", "29.02.2025", "31.04.2026", "00.01.2026", "32.01.2026"])
def test_days_that_do_not_exist(text: str) -> None:
    assert code_of(text, DAY) == "date-impossible"


def test_other_impossible_days() -> None:
    assert code_of("2026-02-30") == "date-impossible"
    assert code_of("2026-13-01") == "date-impossible"
    assert code_of("30 Feb 2026") == "date-impossible"
    assert parse_date("29 Feb 2024") == date(2024, 2, 29)


def test_two_digit_years_are_asked() -> None:
    assert code_of("31.1.26", DAY) == "date-year-short"
    assert code_of("31 Jan 26") == "date-year-short"
    assert parse_date("31.1.26", DateRules(((".", DAY),), century=2000)) == date(2026, 1, 31)
    assert has_short_years(["2026-01-31", "", "31 Jan 26"]) == "31 Jan 26"
    assert has_short_years(["2026-01-31", "31 Jan 2026"]) is None


@pytest.mark.parametrize(
    "text", ["", "soon", "2026", "Jan 2026", "45231", "31 Foo 2026", "2026-01-31-1", "1.1.1.2026"]
)
def test_what_is_no_date(text: str) -> None:
    assert code_of(text, DAY) == "date-unreadable"


def test_years_out_of_reach() -> None:
    assert code_of("0203-01-01") == "date-implausible"


def test_one_value_proves_the_order_for_its_separator() -> None:
    found = find_orders([(2, "05.06.2026"), (3, "2026-01-01"), (4, "17.06.2026"), (5, "01/31/2026")])
    assert (found["."].order, found["."].day_first) == (DAY, (4, "17.06.2026"))
    assert (found["/"].order, found["/"].month_first) == (MONTH, (5, "01/31/2026"))


def test_both_orders_or_none_prove_nothing() -> None:
    both = find_orders([(2, "17.06.2026"), (3, "06.17.2026")])["."]
    assert (both.order, both.conflict, both.needed) == (None, True, True)
    none = find_orders([(2, "05.05.2026"), (3, "05.06.2026")])["."]
    assert (none.order, none.needed, none.example) == (None, True, (3, "05.06.2026"))
    same = find_orders([(2, "05.05.2026")])["."]
    assert (same.order, same.needed) == (None, False)


@given(st.dates(min_value=date(1950, 1, 1), max_value=date(2199, 12, 31)))
def test_every_day_is_read_back_in_every_form(day: date) -> None:
    assert parse_date(day.isoformat()) == day
    assert parse_date(f"{day:%d.%m.%Y}", DAY) == day
    assert parse_date(f"{day:%m/%d/%Y}", MONTH) == day
    assert parse_date(f"{day:%d %b %Y}") == day
    assert parse_date(f"{day:%b %d, %Y}") == day


@given(st.lists(st.dates(min_value=date(1950, 1, 1), max_value=date(2199, 12, 31)), min_size=1))
def test_evidence_never_points_the_wrong_way(days: list[date]) -> None:
    found = find_orders([(n, f"{d:%d.%m.%Y}") for n, d in enumerate(days, 2)])["."]
    assert found.order in (DAY, None)
    assert (found.order is DAY) == any(d.day > 12 for d in days)


@pytest.mark.parametrize("text", ["31" + " " * 9000 + "x", "31 Jan" + "-" * 9000, "1." * 5000, " " * 9999])
def test_a_page_in_a_cell_is_refused_at_once(text: str) -> None:
    began = time.process_time()
    assert code_of(text, DAY) == "date-unreadable"
    assert time.process_time() - began < 0.1


@given(st.text(max_size=40))
def test_any_text_is_a_date_or_an_input_error(text: str) -> None:
    try:
        found = parse_date(text, DAY)
    except InputError:
        return
    assert isinstance(found, date)
