"""Private PostgreSQL and Redis servers for tests: own folder, own Unix socket, no port, gone afterwards."""

from __future__ import annotations

import atexit
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

POSTGRES_FOLDERS = ("/usr/lib/postgresql/*/bin", "/opt/homebrew/opt/postgresql@*/bin", "/usr/local/pgsql/bin")
CHROMIUM_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
FAST_POSTGRES = "-F -c full_page_writes=off -c synchronous_commit=off -c max_connections=60"


class ServerMissingError(RuntimeError):
    """The programs of a server are not on this machine, or the server would not start."""


def postgres_programs() -> Path | None:
    """The folder that holds initdb and pg_ctl, newest first; None when there is none."""
    on_path = shutil.which("initdb")
    found = [Path(on_path).resolve().parent] if on_path else []
    for pattern in POSTGRES_FOLDERS:
        found += sorted(Path("/").glob(pattern.lstrip("/")), key=_version, reverse=True)
    return next((folder for folder in found if (folder / "pg_ctl").exists()), None)


def _version(folder: Path) -> float:
    digits = "".join(c for c in folder.parent.name if c.isdigit() or c == ".")
    return float(digits or 0)


def redis_program() -> str | None:
    """The path of redis-server, or None."""
    return shutil.which("redis-server")


def chromium_program() -> str | None:
    """The path of a Chromium, or None."""
    return next(filter(None, map(shutil.which, CHROMIUM_NAMES)), None)


def free_port() -> int:
    """A TCP port on the loopback address that nobody listened on a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _unprivileged(folder: Path) -> dict[str, Any]:
    """How to start PostgreSQL, which refuses to run as root: the keyword arguments for subprocess."""
    if os.geteuid() != 0:
        return {}
    import pwd

    known = {entry.pw_name: entry for entry in pwd.getpwall()}
    user = known.get("postgres") or known["nobody"]
    os.chown(folder, user.pw_uid, user.pw_gid)
    return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}


@contextmanager
def temp_postgres() -> Iterator[str]:
    """A running PostgreSQL; yields a DATABASE_URL on its socket. Raises ServerMissingError."""
    programs = postgres_programs()
    if programs is None:
        raise ServerMissingError(
            "PostgreSQL's server programs are not installed (apt-get install postgresql)"
        )
    folder = Path(tempfile.mkdtemp(prefix="stillkeep-pg-", dir="/tmp"))  # short: a socket path has 107 bytes
    try:
        with _running_postgres(programs, folder, _unprivileged(folder)):
            yield f"postgresql://test@/postgres?host={folder}"
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _postgres_run(programs: Path, folder: Path, who: dict[str, Any], program: str, *arguments: str) -> None:
    environment = {**os.environ, "HOME": str(folder), "LC_ALL": "C.UTF-8", "TZ": "UTC"}
    # start_new_session: Ctrl-C reaches us alone, so the server is still there to be stopped in order.
    done = subprocess.run(
        [str(programs / program), "-D", str(folder / "data"), *arguments],
        cwd=folder, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE, start_new_session=True, check=False, **who,
    )  # fmt: skip
    if done.returncode:
        raise ServerMissingError(f"{program} failed: {done.stderr.decode(errors='replace').strip()}")


def _postgres_start(programs: Path, folder: Path, who: dict[str, Any]) -> None:
    options = f"-k {folder} -h '' {FAST_POSTGRES}"
    log = str(folder / "log")
    _postgres_run(programs, folder, who, "pg_ctl", "-w", "-t", "60", "-l", log, "-o", options, "start")


@contextmanager
def _running_postgres(programs: Path, folder: Path, who: dict[str, Any]) -> Iterator[None]:
    made = ("-U", "test", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync")
    _postgres_run(programs, folder, who, "initdb", *made)
    try:
        _postgres_start(programs, folder, who)
        yield
    finally:
        if (folder / "data" / "postmaster.pid").exists():
            _postgres_run(programs, folder, who, "pg_ctl", "-m", "immediate", "-w", "stop")


@contextmanager
def postgres_away(url: str) -> Iterator[None]:
    """Stop a server of `temp_postgres` as if the power went, and start it again when the block ends."""
    programs = postgres_programs()
    assert programs is not None, "the server that is to be stopped was started from these programs"
    folder = Path(url.partition("?host=")[2])
    who = _unprivileged(folder)
    _postgres_run(programs, folder, who, "pg_ctl", "-m", "immediate", "-w", "stop")
    try:
        yield
    finally:
        _postgres_start(programs, folder, who)


@contextmanager
def temp_redis() -> Iterator[str]:
    """A running Redis; yields its REDIS_URL. Raises ServerMissingError."""
    with redis_server() as server:
        yield server.url


class RedisServer:
    """A Redis on a socket in its own folder, which keeps nothing on disk: started again, it is empty."""

    def __init__(self, program: str, folder: Path) -> None:
        self.socket = folder / "socket"
        self.url = f"unix://{self.socket}"
        self.command = [program, "--port", "0", "--unixsocket", str(self.socket), "--dir", str(folder)]
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(
            [*self.command, "--save", ""],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        _wait_for_socket(self.process, self.socket)

    def kill(self) -> None:
        """End it without a word, with all that was in it."""
        self.process.kill()
        self.process.wait()
        self.socket.unlink(missing_ok=True)


@contextmanager
def redis_server() -> Iterator[RedisServer]:
    """A running Redis that can be killed and started again. Raises ServerMissingError."""
    program = redis_program()
    if program is None:
        raise ServerMissingError("redis-server is not installed (apt-get install redis-server)")
    folder = Path(tempfile.mkdtemp(prefix="stillkeep-redis-", dir="/tmp"))
    try:
        server = RedisServer(program, folder)
        try:
            yield server
        finally:
            _stop(server.process)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _wait_for_socket(server: subprocess.Popen[bytes], path: Path) -> None:
    for _ in range(6000):
        if server.poll() is not None:
            raise ServerMissingError(f"redis-server ended with exit code {server.returncode}")
        with socket.socket(socket.AF_UNIX) as probe:
            if path.exists() and probe.connect_ex(str(path)) == 0:
                return
        time.sleep(0.01)
    raise ServerMissingError("redis-server did not open its socket within a minute")


def _stop(server: subprocess.Popen[bytes]) -> None:
    server.send_signal(signal.SIGTERM)
    try:
        server.wait(timeout=5)
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()


def postgres_for_this_process() -> str:
    """A server that lives until this process ends; returns its DATABASE_URL. Raises ServerMissingError."""
    stack = ExitStack()
    owner = os.getpid()

    def close() -> None:
        if os.getpid() == owner:  # a forked child must not take the server down with it
            stack.close()

    url = stack.enter_context(temp_postgres())
    atexit.register(close)
    return url
