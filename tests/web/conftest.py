"""Fixtures of the page tests: a clean count of attempts, and a real browser."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from django.core.cache import caches
from playwright.sync_api import Browser, sync_playwright

from inventory.web.attempts import CACHE


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
