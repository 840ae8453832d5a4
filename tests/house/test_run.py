"""The test runner itself: a full run fails on a skip, and says what it could not run."""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from tests import run
from tests.house.code import ROOT

SKIPPING = "import pytest\ndef test_one(): pass\ndef test_two(): pytest.skip('nothing here')\n"
MARKED = "import pytest\ndef test_one(): pass\n@pytest.mark.full\ndef test_two(): pass\n"
TOUCHING = "import pytest\ndef test_one(): pass\n@pytest.mark.django_db\ndef test_two(): pass\n"


def inner(tmp_path: Path, text: str, **variables: str) -> subprocess.CompletedProcess[str]:
    """A pytest run with our hooks over one file."""
    (tmp_path / "test_inner.py").write_text(text)
    command = [sys.executable, "-m", "pytest", "-c", str(ROOT / "pyproject.toml"), "--rootdir", str(tmp_path)]
    quiet = ["-p", "no:cacheprovider", "-p", "tests.conftest", "-q", str(tmp_path / "test_inner.py")]
    environment = {
        "STILLKEEP_TEST_FULL": "0",
        "STILLKEEP_TEST_DB": "sqlite",
        "PYTHONPATH": str(ROOT),
    } | variables
    return subprocess.run(
        [*command, *quiet],
        cwd=tmp_path,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=False,
    )


def test_a_skip_fails_a_full_run_only(tmp_path: Path) -> None:
    plain = inner(tmp_path, SKIPPING)
    full = inner(tmp_path, SKIPPING, STILLKEEP_TEST_FULL="1")
    assert (plain.returncode, full.returncode) == (0, 1), plain.stdout + full.stdout
    assert "test_inner.py::test_two" in full.stdout
    assert "a full run may skip nothing" in full.stdout


def test_marked_tests_are_left_out_and_counted(tmp_path: Path) -> None:
    assert "1 passed, 1 deselected" in inner(tmp_path, MARKED).stdout
    assert "2 passed" in inner(tmp_path, MARKED, STILLKEEP_TEST_FULL="1").stdout


def test_the_second_pass_takes_what_touches_the_database(tmp_path: Path, postgres_url: str) -> None:
    variables = {"STILLKEEP_TEST_DB": "postgresql", "STILLKEEP_TEST_DATABASE_URL": postgres_url}
    done = inner(tmp_path, TOUCHING, **variables)
    assert "1 passed, 1 deselected" in done.stdout, done.stdout + done.stderr


def test_a_machine_without_the_programs_is_told_so(tmp_path: Path) -> None:
    """An empty PATH has no Redis, no Chromium and no apt-get; what can run still runs."""
    command = [sys.executable, "manage.py", "test", "--full", "--db", "sqlite", "tests/house/test_sizes.py"]
    environment = os.environ | {"PATH": str(tmp_path)}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "Cannot install" in done.stderr
    assert "NOT RUN HERE: what needs Redis" in done.stdout
    assert "NOT RUN HERE: what needs Chromium" in done.stdout
    assert "passed in" in done.stdout.splitlines()[-1]
    assert "A full run needs" in done.stderr


def test_the_main_pass_comes_last_and_postgresql_only_where_it_is() -> None:
    assert run.databases_for("both", []) == ["postgresql", "sqlite"]
    assert run.databases_for("both", ["PostgreSQL"]) == ["sqlite"]
    assert run.databases_for("postgresql", ["PostgreSQL"]) == ["postgresql"]


def test_no_folder_is_left_out_by_every_pass() -> None:
    """Whatever passes there are; alone, the one on PostgreSQL is for what touches the database."""
    assert run.left_out("sqlite", shared=False) == []
    assert not {*run.left_out("sqlite", shared=True)} & {*run.left_out("postgresql", shared=True)}


def test_the_closing_line_adds_up_the_passes(capsys: pytest.CaptureFixture[str]) -> None:
    one = run.Pass("postgresql", subprocess.Popen([sys.executable, "-c", ""], text=True), None)
    two = run.Pass("sqlite", one.process, None, code=1)
    one.process.wait()
    run.show_live(one, ["===== 3 passed, 1 deselected in 2.50s =====\n"])
    run.show_live(two, ["a line\n", "\x1b[31m1 failed\x1b[0m, 4 passed in 1.25s\n"])
    assert run.conclude([one, two]) == 1
    shown = capsys.readouterr().out.splitlines()
    assert shown[0] == "a line"
    assert shown[-1].strip("= ") == "1 failed, 7 passed, 1 deselected in 2.50s"
    assert one.counts + two.counts == Counter(failed=1, passed=7, deselected=1)
