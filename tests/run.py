"""`manage.py test`: the whole suite on SQLite and, beside it, all that touches a database on PostgreSQL.

With both, the pass on PostgreSQL, the shorter one, takes the tests of the rules over, which use no database.
Everything after the options below goes to pytest: paths, -k, -x and so on.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from tests import servers

ROOT = Path(__file__).resolve().parent.parent
NOTHING_COLLECTED = 5
SUMMARY = re.compile(r"^=* ?((?:\d+ [a-z]+|no tests ran)\b.* in [\d.]+s\b.*?) ?=*$")
COLOURS = re.compile(r"\x1b\[[\d;]*m")
COUNT = re.compile(r"(\d+) ([a-z]+)")


@dataclass(frozen=True)
class Program:
    """Something the tests need from the operating system."""

    title: str
    package: str
    find: Callable[[], object]


PROGRAMS = (
    Program("PostgreSQL", "postgresql", servers.postgres_programs),
    Program("Redis", "redis-server", servers.redis_program),
    Program("Chromium", "chromium", servers.chromium_program),
)


def main(arguments: list[str]) -> int:
    """Run the tests; the exit code is 0 when every pass is green and, with --full, nothing was skipped."""
    options, rest = parse(arguments)
    signal.signal(signal.SIGTERM, _interrupt)
    absent = missing_programs()
    if options.full and absent:
        install(absent)
        absent = missing_programs()
    for program in absent:
        print(f"NOT RUN HERE: what needs {program.title} (not installed; --full installs it).", flush=True)
    if not options.full:
        print("NOT RUN HERE: tests marked 'full' (slow or fetching packages); --full runs them.", flush=True)
    databases = databases_for(options.db, [program.title for program in absent])
    code = run_passes(databases, rest, full=options.full)
    if options.full and absent:
        names = ", ".join(program.title for program in absent)
        print(f"A full run needs {names}.", file=sys.stderr)
        return code or 1
    return code


def parse(arguments: list[str]) -> tuple[argparse.Namespace, list[str]]:
    """Our own options, and the rest for pytest."""
    parser = argparse.ArgumentParser(prog="manage.py test", description=__doc__, allow_abbrev=False)
    parser.add_argument("--full", action="store_true", help="install what is missing; no skip is allowed")
    parser.add_argument(
        "--db", choices=("sqlite", "postgresql", "both"), default="both", help="databases to use"
    )
    return parser.parse_known_args(arguments)


def databases_for(choice: str, absent: list[str]) -> list[str]:
    """The passes to run, the main one last."""
    wanted = ["postgresql", "sqlite"] if choice == "both" else [choice]
    return [name for name in wanted if choice != "both" or name == "sqlite" or "PostgreSQL" not in absent]


# -- what the operating system must bring


def missing_programs() -> list[Program]:
    """The programs that are not on this machine."""
    return [program for program in PROGRAMS if not program.find()]


def install(absent: list[Program]) -> None:
    """Install from the distribution; says in one sentence when that is not possible."""
    packages = [program.package for program in absent]
    if "chromium" in packages:
        packages.append("fonts-dejavu-core")
    asroot = as_root()
    if shutil.which("apt-get") is None or asroot is None:
        print(
            f"Cannot install {', '.join(packages)} here: install them yourself and run again.",
            file=sys.stderr,
        )
        return
    print(f"Installing {', '.join(packages)} from the distribution ...", flush=True)
    # RUNLEVEL=1: a package's own server is not started; the tests start private ones.
    environment = [*asroot, "env", "DEBIAN_FRONTEND=noninteractive", "RUNLEVEL=1", "apt-get", "-q", "-y"]
    for step in (["update"], ["install", "--no-install-recommends", *packages]):
        done = subprocess.run([*environment, *step], stdin=subprocess.DEVNULL, capture_output=True, text=True)
        if done.returncode:
            print(f"apt-get {step[0]} failed: {done.stderr.strip().splitlines()[-1:]}", file=sys.stderr)


def as_root() -> list[str] | None:
    """What to put before a command to run it as root; None when that needs a password."""
    if os.geteuid() == 0:
        return []
    sudo = shutil.which("sudo")
    if sudo and subprocess.run([sudo, "-n", "true"], capture_output=True).returncode == 0:
        return [sudo, "-n"]
    return None


# -- the passes


@dataclass
class Pass:
    """One pytest process on one database."""

    database: str
    process: subprocess.Popen[str]
    output: Path | None
    last: str = ""
    code: int = 0
    counts: Counter[str] = field(default_factory=Counter)


def run_passes(databases: list[str], arguments: list[str], *, full: bool) -> int:
    """Run the passes side by side; the last one is shown live, the others when they are done."""
    with tempfile.TemporaryDirectory(prefix="stillkeep-run-") as folder, _started() as passes:
        for database in databases:
            output = None if database == databases[-1] else Path(folder) / database
            passes.append(start(database, arguments, output, full=full, shared=len(databases) > 1))
        shown = passes[-1]
        assert shown.process.stdout is not None
        show_live(shown, shown.process.stdout)
        for each in passes:
            each.code = each.process.wait()
            if each.output:
                print(f"\n-- the same on {each.database}")
                show_live(each, each.output.read_text(errors="replace").splitlines(keepends=True))
        return conclude(passes)


@contextmanager
def _started() -> Iterator[list[Pass]]:
    """A list of passes, all ended when the block ends, however it ends."""
    passes: list[Pass] = []
    try:
        yield passes
    finally:
        for each in passes:
            if each.process.poll() is None:
                each.process.send_signal(signal.SIGINT)
        for each in passes:
            try:
                each.process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                each.process.kill()


def start(
    database: str, arguments: list[str], output: Path | None, *, full: bool, shared: bool = False
) -> Pass:
    """Start pytest on one database, its output to a file or to a pipe; shared: another runs beside it."""
    environment = {**os.environ, "STILLKEEP_TEST_DB": database, "PYTHONUNBUFFERED": "1"}
    environment.pop("DJANGO_SETTINGS_MODULE", None)
    environment["STILLKEEP_TEST_FULL"] = "1" if full else "0"
    command = [sys.executable, "-m", "pytest", *colour(), *own_cache(database), *arguments]
    if not any(Path(a.split("::")[0]).exists() for a in arguments):
        command += [f"--ignore={folder}" for folder in left_out(database, shared=shared)]
        environment["STILLKEEP_TEST_RULES_HERE"] = "1" if shared and database == "postgresql" else "0"
    stdout = output.open("w") if output else subprocess.PIPE
    process = subprocess.Popen(
        command, cwd=ROOT, env=environment, stdin=subprocess.DEVNULL, stdout=stdout,
        stderr=subprocess.STDOUT, text=True, errors="replace",
    )  # fmt: skip
    return Pass(database, process, output)


def left_out(database: str, *, shared: bool) -> list[str]:
    """The folders that a pass over the whole suite does not collect."""
    rules = ["tests/rules", "tests/recovery/rules"]
    if database == "postgresql":
        return ["tests/house"] if shared else ["tests/house", *rules]
    return rules if shared else []


def colour() -> list[str]:
    """Keep pytest's colours although it writes to a pipe."""
    return ["--color=yes"] if sys.stdout.isatty() else []


def own_cache(database: str) -> list[str]:
    """Two passes at once must not write one cache."""
    return ["-o", f"cache_dir=.pytest_cache/{database}"]


def show_live(each: Pass, lines: Iterable[str]) -> None:
    """Print a pass's lines as they come, holding back its closing line."""
    for line in lines:
        summary = SUMMARY.match(COLOURS.sub("", line).strip())
        if summary:
            each.last = summary.group(1)
            each.counts = Counter({kind: int(number) for number, kind in COUNT.findall(each.last)})
        else:
            print(line, end="", flush=True)


def conclude(passes: list[Pass]) -> int:
    """Print one line per pass and one for all, in pytest's form; return the joint exit code."""
    codes = [each.code for each in passes]
    if len(passes) > 1:
        codes = [code for code in codes if code != NOTHING_COLLECTED] or [NOTHING_COLLECTED]
        for each in passes:
            print(f"{each.database}: {each.last or f'ended with exit code {each.code}'}")
    total = sum((each.counts for each in passes), Counter[str]())
    print(closing_line(passes, total), flush=True)
    return max(abs(code) for code in codes)


def closing_line(passes: list[Pass], total: Counter[str]) -> str:
    """The sum over the passes, as pytest writes it: `===== 12 passed, 1 skipped in 3.45s =====`."""
    seconds = max(
        [float(found) for each in passes for found in re.findall(r"in ([\d.]+)s", each.last)] or [0.0]
    )
    order = ["failed", "passed", "skipped", "deselected", "xfailed", "xpassed", "warnings", "warning"]
    kinds = [kind for kind in order if total[kind]] + [k for k in ("error", "errors") if total[k]]
    text = ", ".join(f"{total[kind]} {kind}" for kind in kinds) or "no tests ran"
    return f" {text} in {seconds:.2f}s ".center(100, "=")


def _interrupt(_number: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt
