"""Fixtures of the page tests: a clean count of attempts, and a real browser."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

import pytest
from django.core.cache import caches
from django.db import connections
from playwright.sync_api import Browser, expect, sync_playwright

from inventory.web.attempts import CACHE

T = TypeVar("T")
# What a page says it says at once; a machine that does much else at the time may need longer.
expect.set_options(timeout=60_000)


def from_records(ask: Callable[[], T]) -> T:
    """Ask the database while a browser runs, which this thread may not."""

    def asked() -> T:
        try:
            return ask()
        finally:
            connections.close_all()

    with ThreadPoolExecutor(1) as aside:
        return aside.submit(asked).result()


@pytest.fixture
def no_attempts(db: None) -> Iterator[None]:
    """Nobody has tried to sign in yet, and what the test tried is forgotten."""
    caches[CACHE].clear()
    yield
    caches[CACHE].clear()


@pytest.fixture
def browser(chromium: Path) -> Iterator[Browser]:
    """Chromium. Ask for it last: while it runs, this thread may not touch the database."""
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=str(chromium), args=["--no-sandbox"])
        yield running
        running.close()
