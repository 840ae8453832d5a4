"""Runs the program in processes of its own over the database of the test that is going on."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import Any
from urllib.parse import urlsplit, urlunsplit

from django.db import connection

from tests.house.code import ROOT


def database_url() -> str:
    """DATABASE_URL of the test's own database."""
    name = str(connection.settings_dict["NAME"])
    if connection.vendor == "sqlite":
        return f"sqlite:///{name}"
    parts = urlsplit(os.environ["STILLKEEP_TEST_DATABASE_URL"])
    return urlunsplit(parts._replace(path=f"/{name}"))


def environment(home: object, **more: str) -> dict[str, str]:
    """Variables for a process that works on the test's database."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("STILLKEEP_")}
    return {
        **kept,
        "DJANGO_SETTINGS_MODULE": "deploy.settings",
        "DATABASE_URL": database_url(),
        "STILLKEEP_HOME": str(home),
        "SECRET_KEY": "only-for-tests-" + "0123456789abcdef" * 4,
        **more,
    }


def start(command: list[str], env: dict[str, str], **options: Any) -> subprocess.Popen[str]:
    """Start this interpreter with the arguments, its output readable."""
    pipes = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.STDOUT}
    return subprocess.Popen([sys.executable, *command], cwd=ROOT, env=env, text=True, **{**pipes, **options})
