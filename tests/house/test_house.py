"""The house: imports go one way, migrations are complete, locks fit, the top level stays as it is."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.house.code import PRODUCT, ROOT, sources

TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "manage.py", "requirements.txt", "pyproject.toml",
    "inventory", "recovery", "tests", "deploy",
}  # fmt: skip
# Written in halves, so that this file passes its own rule.
FORBIDDEN = [
    "TO" + "DO",
    "FIX" + "ME",
    "x" + "fail",
    "NotImplemented" + "Error",
    "assert" + " True",
    "/wo" + "rk/",
]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
LOCKS = {
    "requirements.txt": PROJECT["project"]["dependencies"],
    "tests/requirements.txt": PROJECT["dependency-groups"]["test"],
}
Locked = tuple[str, str, str, int]


def run(*command: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run a program in the root with this interpreter's tools first on the path."""
    variables = {name: value for name, value in os.environ.items() if not name.startswith("STILLKEEP_")}
    variables |= {"PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}", **environment}
    return subprocess.run(command, cwd=ROOT, env=variables, capture_output=True, text=True, check=False)


def test_imports_go_one_way() -> None:
    done = run("lint-imports")
    assert done.returncode == 0, done.stdout
    assert "0 broken" in done.stdout


def test_no_migration_is_missing(tmp_path: Path) -> None:
    done = run(
        sys.executable, "manage.py", "makemigrations", "--check", "--dry-run", STILLKEEP_HOME=str(tmp_path)
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_production_settings_pass_the_deployment_check(tmp_path: Path) -> None:
    done = run(
        sys.executable, "manage.py", "check", "--deploy", "--fail-level", "WARNING",
        SECRET_KEY="0123456789abcdefghij" * 3, STILLKEEP_SITE_URL="https://stock.example.org",
        STILLKEEP_HOME=str(tmp_path), DJANGO_SETTINGS_MODULE="deploy.settings",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_the_top_level_stays_as_it_is() -> None:
    if (ROOT / ".git").exists():
        names = {name.split("/")[0] for name in run("git", "ls-files", "-z").stdout.split("\0") if name}
    else:  # an unpacked archive has no list of its files
        names = {path.name for path in ROOT.iterdir()}
    visible = {name for name in names if not name.startswith(".")}
    assert visible <= TOP_LEVEL
    assert {"manage.py", "requirements.txt", "pyproject.toml", *PRODUCT, "tests"} <= visible


def test_no_unfinished_work_is_kept() -> None:
    pattern = re.compile(
        "|".join(rf"\b{re.escape(word)}\b" if word[0] != "/" else word for word in FORBIDDEN)
    )
    found = [f"{s.path}: {m.group()}" for s in sources(*PRODUCT, "tests") for m in pattern.finditer(s.text)]
    assert found == []


def test_the_start_needs_nothing_but_the_standard_library() -> None:
    """`deploy` is imported before any package is installed, so it may import nothing itself."""
    assert (ROOT / "deploy" / "__init__.py").read_text(encoding="utf-8").strip() == ""
    done = run(
        sys.executable,
        "-S",
        "-I",
        "-c",
        f"import sys; sys.path.insert(0, {str(ROOT)!r}); import deploy.bootstrap",
    )
    assert done.returncode == 0, done.stderr


def test_start_up_loads_no_heavy_package() -> None:
    program = (
        "import json, sys, django; django.setup(); import django.conf, importlib\n"
        "importlib.import_module(django.conf.settings.ROOT_URLCONF); print(json.dumps(sorted(sys.modules)))"
    )
    done = run(sys.executable, "-c", program, DJANGO_SETTINGS_MODULE="deploy.settings")
    loaded = set(json.loads(done.stdout.splitlines()[-1]))
    heavy = {"scipy", "pandas", "numpy", "chemicals", "CoolProp", "matplotlib", "reportlab", "PIL", "pytest"}
    heavy |= {"fido2", "cryptography"}
    assert heavy & loaded == set()


# -- the locks


def locked(name: str) -> list[Locked]:
    """Package, version, marker and number of hashes of every entry of a lock."""
    text = (ROOT / name).read_text(encoding="utf-8").replace("\\\n", " ")
    entries = [line for line in text.splitlines() if re.match(r"[A-Za-z0-9]", line)]
    found: list[Locked] = []
    for entry in entries:
        requirement = Requirement(re.split(r"\s--hash", entry)[0].strip())
        version = str(requirement.specifier).removeprefix("==")
        marker = str(requirement.marker or "")
        found.append((canonicalize_name(requirement.name), version, marker, entry.count("--hash=sha256:")))
    return found


@pytest.mark.parametrize("name", LOCKS)
def test_every_locked_package_has_hashes(name: str) -> None:
    entries = locked(name)
    assert len(entries) > 20
    assert [entry for entry in entries if entry[3] == 0] == []


@pytest.mark.parametrize("name", LOCKS)
def test_the_lock_fits_the_project(name: str) -> None:
    """Every dependency is locked at a version that it allows, on each platform its marker names."""
    versions: dict[str, list[str]] = {}
    for package, version, _, _ in locked(name):
        versions.setdefault(package, []).append(version)
    for text in LOCKS[name]:
        wanted = Requirement(text)
        held = versions.get(canonicalize_name(wanted.name), [])
        assert held, f"{text} is not locked: lock again"
        assert all(wanted.specifier.contains(version) for version in held), f"{text}, but locked {held}"


def test_both_locks_agree() -> None:
    runtime = {(package, marker): version for package, version, marker, _ in locked("requirements.txt")}
    tests = {(package, marker): version for package, version, marker, _ in locked("tests/requirements.txt")}
    shared = runtime.keys() & tests.keys()
    assert shared
    assert {key: (runtime[key], tests[key]) for key in shared if runtime[key] != tests[key]} == {}


@pytest.mark.parametrize("name", LOCKS)
def test_our_reading_of_markers_is_that_of_packaging(name: str) -> None:
    """Checked against the `packaging` library, which implements PEP 508."""
    from deploy.bootstrap import marker_applies, marker_facts

    machines: list[dict[str, str]] = [
        {},
        {"sys_platform": "win32", "os_name": "nt"},
        {"python_full_version": "3.14.1", "python_version": "3.14"},
    ]
    markers = {marker for _, _, marker, _ in locked(name) if marker}
    assert markers
    for facts in [marker_facts() | machine for machine in machines]:
        for marker in markers:
            assert marker_applies(marker, facts) == Marker(marker).evaluate(dict(facts)), (marker, facts)


@pytest.mark.full
@pytest.mark.parametrize("name", LOCKS)
def test_locking_again_changes_nothing(name: str, tmp_path: Path) -> None:
    """uv resolves the project as it stands to the versions that are locked."""
    copy = tmp_path / "lock.txt"
    copy.write_bytes((ROOT / name).read_bytes())
    group = (
        ["--group", "pyproject.toml:test", "-c", "requirements.txt"]
        if name.startswith("tests")
        else ["pyproject.toml"]
    )
    done = run(
        "uv", "pip", "compile", "--universal", "--generate-hashes", "--python-version", "3.11", "--no-header",
        *group, "-o", str(copy), "-q",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    pin = re.compile(r"^[A-Za-z0-9].*==", re.MULTILINE)
    again = [line for line in copy.read_text().splitlines() if pin.match(line)]
    assert again == [line for line in (ROOT / name).read_text().splitlines() if pin.match(line)]
