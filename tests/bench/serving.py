"""Server processes to send requests to: ours as `up` starts it, and one with nothing around its views."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
THREADS = 8


@contextmanager
def served(which: str) -> Iterator[tuple[str, int]]:
    """A running server, "ours" or "bare", on this process's database; yields host and port."""
    environment = dict(os.environ)
    if which == "bare":
        environment["DJANGO_SETTINGS_MODULE"] = "tests.bench.bare_settings"
    command = [sys.executable, "-m", "tests.bench.serving", which]
    process = subprocess.Popen(
        command, cwd=ROOT, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        line = process.stdout.readline().split()
        if len(line) != 2:
            raise AssertionError(f"the {which} server did not start")
        yield line[0], int(line[1])
    finally:
        process.terminate()
        process.wait(timeout=20)


def serve() -> None:
    """Listen on a free port, say which, and answer until terminated."""
    from deploy.serve import open_server

    server = open_server("127.0.0.1", 0, threads=THREADS)
    print(server.effective_host, server.effective_port, flush=True)
    server.run()


if __name__ == "__main__":
    serve()
