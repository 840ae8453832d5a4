"""`manage.py import`: what a person sees, what is written, and the exit codes."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from inventory.models import Container, ImportedRow
from recovery.management.import_text import WIDTH
from recovery.models import Run
from tests.factories import Club, club
from tests.inventory.club_lists import NOW, RUNS, STOCK, sheet
from tests.inventory.processes import environment, start

COUNTED = ("--counted-on", "2026-10-31")


@pytest.fixture
def at(db: None, monkeypatch: pytest.MonkeyPatch) -> Club:
    """A lab on the day on which the club's lists were written."""
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)
    return club(now=NOW)


def run(*words: Any) -> tuple[int, str]:
    """The exit code and what was printed."""
    out = io.StringIO()
    try:
        call_command("import", *map(str, words), stdout=out)
    except SystemExit as done:
        return int(done.code or 0), out.getvalue()
    return 0, out.getvalue()


def test_a_dry_run_shows_columns_questions_rows_and_totals(at: Club) -> None:
    code, text = run("stock", STOCK)
    assert code == 1
    assert not Container.objects.exists()
    for words in (
        "Left           left         bare numbers in mL",
        "To confirm",
        "line    2  new         B01     diethyl-ether             886 mL of 1000 mL",
        "✗ Bottle no.: The row names no bottle. Put a number on the bottle and in the list.",
        "all                              34  22516.0  36000.0",
        "34 new, 0 already in, 5 bad, of 39 rows. This was a dry run",
    ):
        assert words in text
    assert max(map(len, text.splitlines())) <= WIDTH


def test_both_lists_come_in_and_a_second_time_change_nothing(at: Club) -> None:
    assert run("stock", STOCK, "--write", "--yes", *COUNTED)[0] == 1
    code, text = run("runs", RUNS, "--write", "--yes")
    assert code == 1
    assert "all                       140               140  18910.0  11503.0   7407.0" in text
    assert "140 new, 0 already in, 2 bad, of 142 rows. The new rows are written." in text
    assert max(map(len, text.splitlines())) <= WIDTH
    assert (Container.objects.count(), Run.objects.count()) == (34, 140)
    nothing = "There is nothing new to write."
    again = run("runs", RUNS, "--write", "--yes")[1]
    assert f"0 new, 140 already in, 2 bad, of 142 rows. {nothing}" in again
    again = run("stock", STOCK, "--write", "--yes", *COUNTED)[1]
    assert f"0 new, 34 already in, 5 bad, of 39 rows. {nothing}" in again
    call_command("audit", stdout=io.StringIO())


def test_a_mapping_is_saved_edited_and_given(at: Club, tmp_path: Path) -> None:
    saved = tmp_path / "mapping.json"
    run("stock", STOCK, "--save-mapping", saved)
    mapping = json.loads(saved.read_text(encoding="utf-8"))
    assert mapping["columns"]["left"] == "Left"
    del mapping["columns"]["remarks"]
    saved.write_text(json.dumps(mapping), encoding="utf-8")
    _, text = run("stock", STOCK, "--write", "--mapping", saved, *COUNTED)
    assert "Not read: Remarks." in text
    assert Container.objects.get(code="B14").note == ""


def test_writing_needs_a_confirmed_mapping(at: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    with pytest.raises(CommandError) as refused:
        run("stock", STOCK, "--write")
    assert refused.value.returncode == 2
    assert "--yes" in str(refused.value)
    assert not Container.objects.exists()


@pytest.mark.parametrize(("answer", "bottles"), [("y", 34), ("n", 0)])
def test_on_a_terminal_the_mapping_is_asked(
    at: Club, monkeypatch: pytest.MonkeyPatch, answer: str, bottles: int
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdin", Terminal(f"{answer}\n"))
    if bottles:
        assert run("stock", STOCK, "--write", *COUNTED)[0] == 1
    else:
        with pytest.raises(CommandError):
            run("stock", STOCK, "--write", *COUNTED)
    assert Container.objects.count() == bottles


def test_open_questions_stop_with_exit_code_2(at: Club, tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("Bottle;Solvent;Size;Left;Received\nB1;acetone;1 L;0.5 L;05.06.2026\n", encoding="utf-8")
    code, text = run("stock", path, "--write", "--yes")
    assert code == 2
    assert "To answer before anything is written" in text
    assert "such as “05.06.2026” on line 2" in text
    assert not Container.objects.exists()
    assert run("stock", path, "--write", "--yes", "--day-first")[0] == 0
    assert str(Container.objects.get().received_on) == "2026-06-05"


def test_all_or_none(at: Club) -> None:
    code, text = run("stock", STOCK, "--write", "--yes", "--all-or-none", *COUNTED)
    assert code == 1
    assert "Nothing was written, as all or none was asked for." in text
    assert not Container.objects.exists()


def test_json_holds_the_whole_report(at: Club) -> None:
    code, text = run("stock", STOCK, "--json")
    report = json.loads(text)
    assert (code, report["counts"]["bad"], report["written"]) == (1, 5, False)
    row = next(row for row in report["rows"] if row["line"] == 33)
    assert row["status"] == "bad"
    assert row["notes"][0]["code"] == "more-than-fits"
    assert {q["code"] for q in report["questions"]} == {"unit-suggested", "date-order-found"}


@pytest.mark.parametrize(
    ("content", "words"),
    [(None, "No such file"), (b"PK\x03\x04rest", "not a text table"), (b"", "holds no text")],
)
def test_a_file_that_cannot_be_used_is_told_in_a_sentence(
    at: Club, tmp_path: Path, content: bytes | None, words: str
) -> None:
    path = tmp_path / "list.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(CommandError, match=words) as refused:
        run("stock", path)
    assert refused.value.returncode == 2


def test_a_member_may_look_but_not_write(at: Club) -> None:
    assert run("stock", STOCK, "--as", at.member.username)[0] == 1
    with pytest.raises(CommandError, match="may not import"):
        run("stock", STOCK, "--as", at.member.username, "--write", "--yes")


@pytest.mark.django_db(transaction=True)
def test_two_at_once_bring_a_list_in_once(tmp_path: Path) -> None:
    """Two processes start the same import at the same moment; each bottle and run is there once."""
    at = club(now=NOW)
    stock, runs = tmp_path / "stock.csv", tmp_path / "runs.csv"
    bottles = [f"B{n};acetone;bought;1 L;500 mL;2020-01-05;2020-02-01;;;;" for n in range(40)]
    stock.write_bytes(sheet(*bottles))
    uses = [f"2020-03-01;NH;fat;acetone;B{n};100 mL;80 mL;same;" for n in range(40)]
    runs.write_bytes(sheet(*uses, head="Date;Who;What for;Solvent;From bottle;Out;Back;Back into;Remarks"))
    for kind, path in (("stock", stock), ("runs", runs)):
        command = ["manage.py", "import", kind, str(path), "--write", "--yes", "--json", "--lab", at.lab.slug]
        both = [start(command, environment(tmp_path), stderr=None) for _ in range(2)]
        reports = [json.loads(one.communicate(timeout=300)[0]) for one in both]
        assert [one.returncode for one in both] == [0, 0]
        assert sorted(report["counts"]["new"] for report in reports) == [0, 40]
        assert sorted(report["counts"]["known"] for report in reports) == [0, 40]
    assert (Container.objects.count(), Run.objects.count(), ImportedRow.objects.count()) == (40, 40, 80)
    call_command("audit", stdout=io.StringIO())
