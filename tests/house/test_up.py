"""`manage.py up` as a person meets it: first start, second start, a taken port, a clean stop."""

from __future__ import annotations

import http.client
import os
import re
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.house.code import ROOT
from tests.servers import free_port

# Processor time as a multiple of what `manage.py check` takes just before: that loads the same code.
READY_RATIO_MAX = 2.5
STOP_SECONDS_MAX = 2


class Running:
    """A server in a process of its own, and what it has said so far."""

    def __init__(self, process: subprocess.Popen[str], address: str, said: str) -> None:
        self.process = process
        self.address = address
        self.said = said

    def get(self, path: str, **headers: str) -> tuple[int, dict[str, str]]:
        """Status and headers of a GET; redirects are not followed."""
        connection = http.client.HTTPConnection(self.address.removeprefix("http://"), timeout=60)
        connection.request("GET", path, headers={name.replace("_", "-"): v for name, v in headers.items()})
        answer = connection.getresponse()
        connection.close()
        return answer.status, dict(answer.getheaders())

    def stop(self, number: signal.Signals) -> tuple[int, float]:
        """Exit code and seconds after a signal."""
        started = time.monotonic()
        self.process.send_signal(number)
        self.process.wait(timeout=120)
        seconds = time.monotonic() - started
        assert self.process.stdout is not None
        self.said += self.process.stdout.read()
        return self.process.returncode, seconds


def environment(home: Path) -> dict[str, str]:
    """The caller's environment without its settings, and a home of our own."""
    cut = ("STILLKEEP_", "DJANGO_", "SECRET_KEY", "DATABASE_URL", "REDIS_URL")
    kept = {name: value for name, value in os.environ.items() if not name.startswith(cut)}
    return kept | {"STILLKEEP_HOME": str(home)}


def up(home: Path, port: int, command: str = "up", **variables: str) -> subprocess.Popen[str]:
    """Start `manage.py up`, or `demo`."""
    line = [sys.executable, "manage.py", command, "--port", str(port)]
    return subprocess.Popen(
        line, cwd=ROOT, env=environment(home) | variables, stdin=subprocess.DEVNULL, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip


@contextmanager
def running(home: Path, command: str = "up", **variables: str) -> Iterator[Running]:
    """A server on a free port, from the moment it says that it answers."""
    process = up(home, 0, command, **variables)
    assert process.stdout is not None
    said = ""
    try:
        for line in process.stdout:
            said += line
            if found := re.search(r"http://127\.0\.0\.1:\d+", line):
                yield Running(process, found.group(), said)
                return
        raise AssertionError(f"the server never said its address:\n{said}")
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


@contextmanager
def processor_time() -> Iterator[list[float]]:
    """Gives a list that holds, after the block, the processor seconds of the children ended in it."""
    spent: list[float] = []
    before = os.times()
    yield spent
    after = os.times()
    spent.append(after.children_user + after.children_system - before.children_user - before.children_system)


def check(home: Path) -> None:
    """The least that any command of the project costs: its code loaded and checked."""
    subprocess.run(
        [sys.executable, "manage.py", "check"], cwd=ROOT, env=environment(home), check=True,
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
    )  # fmt: skip


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One home for the module: the first test makes it, the others start a second time."""
    return tmp_path_factory.mktemp("up") / "home"


@pytest.mark.skipif(os.name == "nt", reason="POSIX file modes")
def test_the_first_start_prepares_everything(home: Path) -> None:
    with processor_time() as floor:
        check(home)
    with processor_time() as spent, running(home) as server:
        assert server.get("/no-such-page")[0] == 404
        code, _ = server.stop(signal.SIGINT)
    assert code == 0
    assert spent[0] < READY_RATIO_MAX * floor[0]
    assert stat.S_IMODE((home / "secret_key").stat().st_mode) == 0o600
    assert "signing key" in server.said
    links = re.findall(rf"{re.escape(server.address)}/\S+", server.said)
    assert any(len(link) > len(server.address) + 20 for link in links), server.said


def test_a_second_start_keeps_the_key(home: Path) -> None:
    key = (home / "secret_key").read_bytes()
    with running(home) as server:
        server.stop(signal.SIGTERM)
    assert (home / "secret_key").read_bytes() == key
    assert "signing key" not in server.said


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_stops_cleanly(home: Path, number: signal.Signals) -> None:
    """The best of three counts: how long a busy machine takes says nothing of the server."""
    taken: list[float] = []
    while len(taken) < 3 and min(taken, default=STOP_SECONDS_MAX) >= STOP_SECONDS_MAX:
        with running(home) as server:
            idle = socket.create_connection(("127.0.0.1", int(server.address.rsplit(":", 1)[1])))
            code, seconds = server.stop(number)
            idle.close()
        assert code == 0, server.said
        taken.append(seconds)
    assert min(taken) < STOP_SECONDS_MAX
    assert "Traceback" not in server.said


def test_answers_carry_the_safe_headers(home: Path) -> None:
    with running(home) as server:
        headers = server.get("/no-such-page")[1]
    assert "default-src 'self'" in headers["Content-Security-Policy"]
    assert headers["X-Frame-Options"] == "DENY"
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"


def test_behind_a_proxy_with_https(home: Path) -> None:
    """Plain requests are sent to https; those the local proxy took over https are answered."""
    with running(home, STILLKEEP_SITE_URL="https://stock.example.org") as server:
        plain, to = server.get("/no-such-page", Host="stock.example.org")
        status, headers = server.get("/no-such-page", Host="stock.example.org", X_Forwarded_Proto="https")
        stranger, _ = server.get("/no-such-page", Host="other.example.org", X_Forwarded_Proto="https")
    assert (plain, to["Location"]) == (301, "https://stock.example.org/no-such-page")
    assert (status, stranger) == (404, 400)
    assert headers["Strict-Transport-Security"] == "max-age=31536000"


def test_bundled_static_files_are_served_with_a_lasting_name(home: Path) -> None:
    manifest = (home / "static" / "staticfiles.json").read_text(encoding="utf-8")
    found = re.search(r'"(drf_spectacular_sidecar/[^"]+\.[0-9a-f]{12}\.css)"', manifest)
    assert found
    with running(home) as server:
        status, headers = server.get(f"/static/{found.group(1)}")
    assert status == 200
    assert "immutable" in headers["Cache-Control"]


def test_a_taken_port_is_one_sentence(home: Path) -> None:
    port = free_port()
    with socket.socket() as other:
        other.bind(("127.0.0.1", port))
        other.listen()
        process = up(home, port)
        said = process.communicate(timeout=120)[0]
    assert process.returncode == 2
    assert (
        said.strip()
        .splitlines()[-1]
        .endswith(f"Port {port} on 127.0.0.1 is taken: stop the other program or choose one with --port.")
    )
    assert "Traceback" not in said


def test_a_home_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder")
    process = up(tmp_path / "file" / "home", 0)
    said = process.communicate(timeout=120)[0]
    assert process.returncode == 2
    assert "set STILLKEEP_HOME to a folder you own" in said
    assert "Traceback" not in said
