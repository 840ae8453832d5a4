"""The tour of the README, word for word, in a fresh home against a running server."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.house.code import ROOT
from tests.house.test_up import Running, environment, running

BLOCK = re.compile(r"<!-- tour -->\n```console\n(.*?)```", re.DOTALL)


def commands() -> list[list[str]]:
    """The commands of each block of the tour; a line that ends in a backslash goes on."""
    blocks = BLOCK.findall((ROOT / "README.md").read_text(encoding="utf-8"))
    joined = [block.replace("\\\n", " ") for block in blocks]
    return [[line[2:] for line in block.splitlines() if line.startswith("$ ")] for block in joined]


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Running, Path]]:
    home = tmp_path_factory.mktemp("tour")
    with running(home) as process:
        yield process, home


@pytest.mark.once
def test_the_tour_runs_as_written(server: tuple[Running, Path]) -> None:
    """One shell carries out every command in order; each answer is what the README promises."""
    process, home = server
    if shutil.which("curl") is None:
        pytest.skip("curl is not installed")
    blocks = commands()
    assert [len(block) for block in blocks] == [2, 8, 8, 2, 5]
    script = "\n".join(f'{line}; echo "== $?"' for block in blocks for line in block)
    script = script.replace("python3 manage.py", f"{sys.executable} manage.py")
    script = script.replace("http://127.0.0.1:8000", process.address)
    done = subprocess.run(
        ["/bin/bash", "-c", script],
        cwd=ROOT,
        env=environment(home),
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    answers = re.split(r"== (\d+)\n", done.stdout)
    texts, codes = answers[0::2], [int(code) for code in answers[1::2]]
    assert codes == [0, 1, 1, 1, 1, *[0] * 20], done.stdout[-3000:] + done.stderr[-3000:]
    assert "34 new, 0 already in, 5 bad, of 39 rows" in texts[1]
    assert "rows are written" in texts[2]
    assert "140 new, 0 already in, 2 bad, of 142 rows" in texts[3]
    assert "rows are written" in texts[4]
    due, by_solvent = texts[5], texts[6]
    # B14's remark speaks of crystals; B10 was tested at 100 ppm.
    assert due.index("B14") < due.index("B10") < due.index("B01")
    # Sums of the sample's Out and Back columns by awk, without the two bad rows.
    assert re.search(r"diethyl-ether +37 +2 +5040\.0 +3392\.0 +1648\.0 +32\.7 %", by_solvent)
    assert "No difference" in texts[9]
    check_answers(texts[12:])


def check_answers(texts: list[str]) -> None:
    """What curl brought: the due list, loss rates, one container, and a draw."""
    due, rates, container, verdicts, alerts, drawn = (json.loads(text) for text in texts[:6])
    assert len(due["results"]) == 3
    ether = next(row for row in rates["results"] if "ether" in json.dumps(row["group"]))
    assert ether["charged"]["unit"] == "mL"
    assert container["code"] == "B05"
    assert container["due"]["code"] == "reading-at-or-above-level"
    # 30 mg/L on an unknown strip: no bottle to distil from under the cautious default.
    assert [said["use"] for said in verdicts["verdicts"]] == ["distil"]
    assert not verdicts["verdicts"][0]["allowed"]
    assert len(alerts["results"]) == 3
    assert drawn["containers"][0]["volume"]["value"] == "861"
    # The blocks on writing: a note put right, and a feed made by who signed in with a session.
    assert json.loads(texts[7])["note"] == "left of the door"
    assert re.search(r"/feeds/\S+/calendar\.ics$", json.loads(texts[12])["url"])
