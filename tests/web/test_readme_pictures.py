"""The pictures of the README: those that the script takes, small enough, with words for who cannot see."""

from __future__ import annotations

import re

from tests.house.code import ROOT
from tests.web.readme_pictures import BYTES_MAX, FOLDER, PICTURES

SHOWN = re.compile(r'<img src="\.pictures/([\w-]+)\.png" alt="([^"]+)"')


def test_the_readme_shows_what_the_script_takes() -> None:
    shown = dict(SHOWN.findall((ROOT / "README.md").read_text(encoding="utf-8")))
    assert set(shown) == {picture.name for picture in PICTURES}
    assert {path.name for path in FOLDER.iterdir()} == {f"{name}.png" for name in shown}
    assert all(len(words) > 20 for words in shown.values())


def test_each_is_a_small_png() -> None:
    for path in FOLDER.iterdir():
        body = path.read_bytes()
        assert body.startswith(b"\x89PNG\r\n"), path.name
        assert len(body) <= BYTES_MAX, path.name
