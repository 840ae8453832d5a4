"""A start from a fresh clone, and each way it can fail: one plain sentence, exit code 2, no traceback."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from deploy import bootstrap
from tests.house.code import ROOT
from tests.servers import free_port

STARTERS = (
    "manage.py",
    "deploy/__init__.py",
    "deploy/bootstrap.py",
    "requirements.txt",
    "tests/requirements.txt",
)
CLOSED_INDEX = {
    "PIP_EXTRA_INDEX_URL": "",
    "PIP_FIND_LINKS": "",
    "PIP_CONFIG_FILE": os.devnull,
    "PIP_NO_CACHE_DIR": "1",
}
BARE_PYTHON = [getattr(sys, "_base_executable", sys.executable), "-S"]  # -S: sees no installed package
WITHOUT_PIP_SEED = (
    "import sys; sys.modules['ensurepip'] = None\n"
    "from deploy.bootstrap import main; sys.exit(main(['manage.py', 'check']))"
)
# Root may write everywhere, so it becomes nobody (65534 by custom) once all is imported.
AS_NOBODY = (
    "import os, sys; from deploy.bootstrap import main\n"
    "os.geteuid() or os.setuid(65534); sys.exit(main(['manage.py', 'check']))"
)


def caller() -> dict[str, str]:
    """The caller's environment less what would colour a start."""
    return {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "STILLKEEP_", "DJANGO_"))}


def closed_index() -> dict[str, str]:
    """A package index at a port where nobody listens."""
    return {"PIP_INDEX_URL": f"http://127.0.0.1:{free_port()}/simple", **CLOSED_INDEX}


@pytest.fixture
def clone() -> Iterator[Path]:
    """A copy of what a start reads, in a folder that every user may enter."""
    folder = Path(tempfile.mkdtemp(prefix="stillkeep-clone-"))
    folder.chmod(0o755)
    for name in STARTERS:
        (folder / name).parent.mkdir(exist_ok=True)
        shutil.copy(ROOT / name, folder / name)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


def start(folder: Path, *command: str, **variables: str) -> subprocess.CompletedProcess[str]:
    """Run a Python command in the folder, without input; its temporary files stay there too."""
    if folder != ROOT:
        variables.setdefault("TMPDIR", str(folder))
    return subprocess.run(
        command, cwd=folder, env=caller() | variables, stdin=subprocess.DEVNULL, capture_output=True,
        text=True, check=False,
    )  # fmt: skip


def refused(done: subprocess.CompletedProcess[str], *words: str) -> None:
    """The start was refused in one plain sentence that holds the words."""
    last = done.stderr.strip().splitlines()[-1]
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert last.startswith("manage.py: ")
    assert all(word in last for word in words), last


def test_a_missing_venv_module_is_named_with_its_remedy(clone: Path) -> None:
    refused(start(clone, *BARE_PYTHON, "-c", WITHOUT_PIP_SEED), "venv", "apt-get install python3-venv")
    assert not (clone / ".venv").exists()


def test_no_network_is_said_in_one_sentence(clone: Path) -> None:
    done = start(clone, *BARE_PYTHON, "manage.py", "check", **closed_index())
    refused(done, "index cannot be reached", "network")
    assert "Making an environment" in done.stderr
    assert "Installing" in done.stderr


def test_a_folder_that_cannot_be_written_is_named(clone: Path) -> None:
    clone.chmod(0o555)
    refused(start(clone, *BARE_PYTHON, "-c", AS_NOBODY), str(clone), "cannot be written", "copy")


def test_an_old_python_is_refused() -> None:
    with pytest.raises(bootstrap.StartError, match=r"3\.11 or newer .* this is 3\.10\.2"):
        bootstrap.check_python((3, 10, 2))
    bootstrap.check_python((3, 11, 0))


@pytest.mark.parametrize("name", ["manage.py", "deploy/bootstrap.py"])
def test_an_old_python_can_read_as_far_as_the_refusal(name: str) -> None:
    ast.parse((ROOT / name).read_text(encoding="utf-8"), feature_version=(3, 8))


def test_an_environment_that_satisfies_the_locks_is_used_as_it_is() -> None:
    for command in ("check", "test"):
        for lock in bootstrap.locks_for(command):
            assert bootstrap.missing(lock) == []


def test_another_version_counts_as_missing(tmp_path: Path) -> None:
    lock = tmp_path / "requirements.txt"
    lock.write_text(
        "django==1.0 \\\n    --hash=sha256:00\n"
        "no-such-package==1 ; sys_platform == 'nowhere' \\\n    --hash=sha256:00\n"
        "no-such-package==2 ; python_full_version >= '3.11' \\\n    --hash=sha256:00\n"
    )
    assert bootstrap.missing(lock) == ["django==1.0", "no-such-package==2"]


def test_a_stamp_holds_until_the_lock_changes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in closed_index().items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(bootstrap, "ROOT", tmp_path)
    lock = tmp_path / "requirements.txt"
    lock.write_bytes((ROOT / "requirements.txt").read_bytes())
    bootstrap.satisfy_inside(tmp_path, lock)
    stamp = tmp_path / "stillkeep-main.stamp"
    first = stamp.read_text()
    lock.write_text(lock.read_text() + "no-such-package==2 \\\n    --hash=sha256:" + "0" * 64 + "\n")
    with pytest.raises(bootstrap.StartError, match="cannot be reached"):
        bootstrap.satisfy_inside(tmp_path, lock)
    assert stamp.read_text() == first


@pytest.mark.parametrize(
    ("output", "words"),
    [
        ("ERROR: THESE PACKAGES DO NOT MATCH THE HASHES FROM THE FILE.", "not the one that was locked"),
        ("ERROR: OSError: [Errno 28] No space left on device", "disk is full"),
        ("ERROR: something else\n\n", "pip says: ERROR: something else"),
    ],
)
def test_what_pip_says_becomes_plain_words(output: str, words: str) -> None:
    assert words in bootstrap.pip_fault(output)


def test_two_starts_build_one_after_the_other() -> None:
    program = (
        "import time; from deploy.bootstrap import one_at_a_time\n"
        "with one_at_a_time(): print(time.monotonic(), flush=True); time.sleep(0.3); print(time.monotonic())"
    )
    both = [
        subprocess.Popen([sys.executable, "-c", program], cwd=ROOT, stdout=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    spans = sorted([float(line) for line in child.communicate()[0].split()] for child in both)
    assert spans[0][1] <= spans[1][0]


def test_the_demo_never_touches_real_data() -> None:
    environment = {
        "STILLKEEP_HOME": "/srv/stock",
        "DATABASE_URL": "postgresql://real",
        "SECRET_KEY_FILE": "/key",
        "TZ": "UTC",
    }
    bootstrap.use_demo_home(environment)
    assert environment == {"STILLKEEP_HOME": str(Path("/srv/stock/demo")), "TZ": "UTC"}


def test_a_faulty_setting_is_one_message() -> None:
    done = start(
        ROOT, sys.executable, "manage.py", "check", STILLKEEP_DEBUG="perhaps", DATABASE_URL="mysql://h/db"
    )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "STILLKEEP_DEBUG" in done.stderr
    assert "DATABASE_URL" in done.stderr


def test_an_environment_without_pip_or_with_a_lost_python_is_mended(clone: Path) -> None:
    bare = [BARE_PYTHON[0], "-m", "venv", "--without-pip", str(clone / ".venv")]
    subprocess.run(bare, check=True)
    refused(start(clone, *BARE_PYTHON, "manage.py", "check", **closed_index()), "index cannot be reached")
    interpreter = bootstrap.venv_python(clone / ".venv")
    interpreter.unlink()
    interpreter.symlink_to(clone / "gone")
    refused(start(clone, *BARE_PYTHON, "manage.py", "check", **closed_index()), "index cannot be reached")


@pytest.mark.full
def test_a_fresh_clone_makes_its_environment_and_runs(tmp_path: Path) -> None:
    """Two first starts at once: one builds, both succeed; a later start is fast."""
    copy = tmp_path / "clone"
    shutil.copytree(
        ROOT, copy, ignore=shutil.ignore_patterns(".venv", ".git", ".stillkeep", ".*_cache", "__pycache__")
    )
    command = [*BARE_PYTHON, "manage.py", "check"]
    began = time.monotonic()
    both = [
        subprocess.Popen(
            command,
            cwd=copy,
            env=caller() | {"TMPDIR": str(tmp_path)},
            stderr=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    outputs = [child.communicate(timeout=900) for child in both]
    first = time.monotonic() - began
    assert [child.returncode for child in both] == [0, 0], outputs
    assert sum(err.count("Installing") for _, err in outputs) == 1
    started = time.monotonic()
    again = start(copy, *command)
    assert again.returncode == 0, again.stderr
    assert "Installing" not in again.stderr
    assert time.monotonic() - started < first / 3
