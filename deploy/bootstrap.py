"""From a fresh clone to a running command: finds or makes an environment that holds the locked packages.

Standard library only, and nothing here may need a Python newer than 3.8: it has to say so when it is too old.
`deploy/__init__.py` must stay empty for the same reason.
"""

from __future__ import annotations

import ast
import contextlib
import hashlib
import importlib
import importlib.metadata
import importlib.util
import operator
import os
import platform
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, MutableMapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
OLDEST_PYTHON = (3, 11)
PIN = re.compile(r"^([A-Za-z0-9._-]+)==([^\s;]+)(?:\s*;\s*(.+?))?\s*\\?$")
COMPARE: dict[type[ast.cmpop], Callable[[Any, Any], Any]] = {
    ast.Eq: operator.eq,
    ast.NotEq: operator.ne,
    ast.Lt: operator.lt,
    ast.LtE: operator.le,
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
    ast.In: lambda left, right: left in right,
    ast.NotIn: lambda left, right: left not in right,
}
# Words in pip's output, and what they mean to the person at the keyboard.
PIP_FAULTS = (
    (
        ("ConnectionError", "ConnectTimeout", "ReadTimeout", "name resolution", "Max retries"),
        "The package index cannot be reached: connect this machine to the network and run the command again.",
    ),
    (
        ("DO NOT MATCH THE HASHES",),
        "A downloaded package is not the one that was locked, so it was not installed:"
        " try another network, and tell the maintainers if it happens again.",
    ),
    (("No space left",), "The disk is full: make room and run the same command again."),
)


class StartError(Exception):
    """The command cannot start; the message says in plain words why, and the remedy."""


def main(argv: list[str]) -> int:
    """Run one command and return its exit code; 2 when it could not start."""
    command = argv[1] if len(argv) > 1 else "help"
    try:
        check_python()
        ensure_packages(locks_for(command), argv)
        return run_command(command, argv)
    except StartError as fault:
        print(f"manage.py: {fault}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return 130


def check_python(version: tuple[int, ...] = tuple(sys.version_info[:3])) -> None:
    """Raise StartError when this Python is too old."""
    if version < OLDEST_PYTHON:
        found = ".".join(map(str, version))
        raise StartError(
            f"Python 3.11 or newer is needed and this is {found}: start manage.py with a newer one."
        )


def run_command(command: str, argv: list[str]) -> int:
    """Hand over to the test runner or to Django, which are importable by now."""
    if command == "test":
        from tests.run import main as run_tests

        return run_tests(argv[2:])
    if command == "demo":
        use_demo_home(os.environ)
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import execute_from_command_line

    try:
        execute_from_command_line(argv)
    except ImproperlyConfigured as fault:
        raise StartError(str(fault)) from fault
    return 0


def use_demo_home(environment: MutableMapping[str, str]) -> None:
    """Keep the demo apart from real data: own folder and database, whatever the caller's settings say."""
    home = environment.get("STILLKEEP_HOME") or str(ROOT / ".stillkeep")
    environment["STILLKEEP_HOME"] = str(Path(home) / "demo")
    for name in ("DATABASE_URL", "REDIS_URL", "SECRET_KEY", "SECRET_KEY_FALLBACKS", "STILLKEEP_SITE_URL"):
        environment.pop(name, None)
        environment.pop(name + "_FILE", None)


# -- the locked packages


def locks_for(command: str) -> list[Path]:
    """The lock files whose packages a command needs."""
    locks = [ROOT / "requirements.txt"]
    return [*locks, ROOT / "tests" / "requirements.txt"] if command == "test" else locks


def pins(lock: Path, facts: dict[str, str] | None = None) -> Iterator[tuple[str, str]]:
    """Name and version of every locked package that this interpreter needs."""
    for line in lock.read_text(encoding="utf-8").splitlines():
        match = PIN.match(line)
        if match and (not match.group(3) or marker_applies(match.group(3), facts)):
            yield match.group(1), match.group(2)


def marker_applies(marker: str, facts: dict[str, str] | None = None) -> bool:
    """Whether an environment marker holds here (PEP 508: its grammar is a subset of Python's)."""
    return _evaluate(ast.parse(marker, mode="eval").body, facts or marker_facts())


def marker_facts() -> dict[str, str]:
    """What PEP 508 calls the environment: the facts that markers ask for."""
    return {
        "python_version": ".".join(platform.python_version_tuple()[:2]),
        "python_full_version": platform.python_version(),
        "sys_platform": sys.platform,
        "os_name": os.name,
        "platform_system": platform.system(),
        "platform_machine": platform.machine(),
        "platform_python_implementation": platform.python_implementation(),
        "implementation_name": sys.implementation.name,
    }


def _evaluate(node: ast.expr, facts: dict[str, str]) -> bool:
    if isinstance(node, ast.BoolOp):
        combine = all if isinstance(node.op, ast.And) else any
        return combine(_evaluate(value, facts) for value in node.values)
    if not isinstance(node, ast.Compare):
        raise StartError("A lock file holds a marker that manage.py cannot read: lock the packages again.")
    sides = [node.left, node.comparators[0]]
    values: list[Any] = [facts[s.id] if isinstance(s, ast.Name) else ast.literal_eval(s) for s in sides]
    if any(isinstance(s, ast.Name) and s.id.endswith("version") for s in sides):
        values = [tuple(int(part) for part in re.findall(r"\d+", value)[:3]) for value in values]
    return bool(COMPARE[type(node.ops[0])](values[0], values[1]))


def missing(lock: Path) -> list[str]:
    """The locked packages that this interpreter lacks or holds in another version, as name==version."""
    return [f"{name}=={version}" for name, version in pins(lock) if _installed(name) != version]


def _installed(name: str) -> str:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return ""


# -- the environment


def ensure_packages(locks: list[Path], argv: list[str]) -> None:
    """Return when the locks are satisfied here; otherwise go on inside .venv, which does not return."""
    venv = ROOT / ".venv"
    if Path(sys.prefix).resolve() == venv.resolve():
        for lock in locks:
            satisfy_inside(venv, lock)
        return
    lacking = [pin for lock in locks for pin in missing(lock)]
    if lacking:
        if not venv_stands(venv):
            more = f" and {len(lacking) - 1} more" if lacking[1:] else ""
            make_venv(venv, f"{lacking[0]}{more}")
        go_on_inside(venv, argv)


def venv_python(venv: Path) -> Path:
    """The interpreter of an environment, on Windows and elsewhere."""
    return venv / "Scripts" / "python.exe" if os.name == "nt" else venv / "bin" / "python"


def venv_stands(venv: Path) -> bool:
    """Whether the environment has a working interpreter; one whose Python was removed has not."""
    return venv_python(venv).exists() and (venv / "pyvenv.cfg").exists()


def make_venv(venv: Path, lacking: str) -> None:
    """Make the environment; raises StartError when it cannot be made."""
    if not os.access(ROOT, os.W_OK):
        raise StartError(
            f"The folder {ROOT} cannot be written, so no environment can be made in it: run manage.py from a"
            " copy that you own, or in an environment that holds requirements.txt."
        )
    if not (importlib.util.find_spec("venv") and importlib.util.find_spec("ensurepip")):
        raise StartError(
            "Python's venv module is missing: install it (Debian, Ubuntu: sudo apt-get install python3-venv)"
            " and run the same command again."
        )
    with one_at_a_time():
        if venv_stands(venv):
            return
        say(f"This Python lacks {lacking}. Making an environment for them in {venv} (once).")
        made = run_quietly([sys.executable, "-m", "venv", "--clear", str(venv)])
        if made.returncode:
            raise StartError(f"The environment {venv} could not be made: {last_line(made.stdout)}")


def go_on_inside(venv: Path, argv: list[str]) -> None:
    """Run the same command with the environment's interpreter, in this process's place."""
    command = [str(venv_python(venv)), str(ROOT / "manage.py"), *argv[1:]]
    sys.stdout.flush()
    sys.stderr.flush()
    if os.name != "nt":
        os.execv(command[0], command)
    # Windows has no exec that keeps the console's foreground process, so wait for a child there.
    sys.exit(subprocess.call(command))


def satisfy_inside(venv: Path, lock: Path) -> None:
    """Install one lock into the environment that is running, unless its stamp says that it is there."""
    # The Python's own version counts too: an upgrade in place leaves the packages of the old one behind.
    digest = hashlib.sha256(platform.python_version().encode() + lock.read_bytes()).hexdigest()
    stamp = venv / f"stillkeep-{lock.parent.name if lock.parent != ROOT else 'main'}.stamp"
    if stamp.exists() and stamp.read_text(encoding="ascii") == digest:
        return
    with one_at_a_time():
        if lacking := missing(lock):
            install(lock, len(lacking))
        with contextlib.suppress(OSError):  # a read-only environment is checked afresh at each start
            stamp.write_text(digest, encoding="ascii")


def install(lock: Path, count: int) -> None:
    """Install a lock with pip, hashes checked; raises StartError with pip's reason in plain words."""
    say(f"Installing {count} package(s) from {lock.relative_to(ROOT)} (once; it may take some minutes) ...")
    if importlib.util.find_spec("pip") is None:  # its making was interrupted, or another tool made it
        run_quietly([sys.executable, "-m", "ensurepip", "--upgrade"])
    options = ["--disable-pip-version-check", "--no-input", "--retries", "2", "--require-hashes"]
    done = run_quietly([sys.executable, "-m", "pip", "install", *options, "-r", str(lock)])
    if done.returncode:
        raise StartError(pip_fault(done.stdout))
    importlib.invalidate_caches()
    if lacking := missing(lock):
        raise StartError(f"pip reported success, yet {lacking[0]} is missing: delete .venv and try again.")
    say("Installed.")


def pip_fault(output: str) -> str:
    """One sentence for what pip printed before it gave up."""
    for words, sentence in PIP_FAULTS:
        if any(word in output for word in words):
            return sentence
    return f"The packages could not be installed; pip says: {last_line(output)}"


@contextlib.contextmanager
def one_at_a_time() -> Iterator[None]:
    """Hold the lock that keeps two first starts of this folder from building at once."""
    owner = os.getuid() if hasattr(os, "getuid") else 0
    name = hashlib.sha256(str(ROOT).encode()).hexdigest()[:16]
    with (Path(tempfile.gettempdir()) / f"stillkeep-{owner}-{name}.lock").open("w") as file:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX)
        yield


def run_quietly(command: list[str]) -> subprocess.CompletedProcess[str]:
    """Run a program with no input, its two outputs gathered as text."""
    return subprocess.run(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        check=False,
    )


def last_line(output: str) -> str:
    """The last line that says something."""
    return next((line.strip() for line in reversed(output.splitlines()) if line.strip()), "nothing")


def say(text: str) -> None:
    """A line about the start itself: on stderr, so that a command's own output stays clean."""
    print(text, file=sys.stderr, flush=True)
