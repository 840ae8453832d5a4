"""In words, which browser on what kind of device calls itself so."""

from __future__ import annotations

# The first that is found counts: most browsers also name those that they resemble.
BROWSERS = (
    ("Edg", "Edge"),
    ("OPR/", "Opera"),
    ("SamsungBrowser", "Samsung Internet"),
    ("Firefox/", "Firefox"),
    ("FxiOS", "Firefox"),
    ("CriOS", "Chrome"),
    ("Chrome/", "Chrome"),
    ("Safari/", "Safari"),
)
SYSTEMS = (
    ("Android", "Android"),
    ("iPhone", "iPhone"),
    ("iPad", "iPad"),
    ("Windows", "Windows"),
    ("CrOS", "ChromeOS"),
    ("Mac OS X", "macOS"),
    ("Linux", "Linux"),
)


def device_words(agent: str) -> tuple[str, str]:
    """Browser and system by the User-Agent header; each empty when it is not known.

    For people to tell their sessions apart and for nothing else: anybody may send any words.
    """
    return _first(BROWSERS, agent), _first(SYSTEMS, agent)


def _first(names: tuple[tuple[str, str], ...], agent: str) -> str:
    return next((name for mark, name in names if mark in agent), "")
