"""Retest policies as data: what a body holds, its JSON form, and the policies that come with the package.

The TOML files and the copy that a laboratory keeps in its database go through the same reader, so both get
the same checks and the same clear errors. A body is a table of:

`key`, `name`, `source`: text. The key is lower-case letters, digits and hyphens.

`rules`: when a test, or disposal, falls due. One table per row:
  `class` A, B, C or D · `counts_from` opened, received, made (distilled or made here) or test (after a passed
  test) · exactly one of `months`, `days`, `hours`; 0 is on the same day, so "test before use"; hours count as
  whole days · `source`. Left out, these hold whatever the fact is: `opened`, `inhibited` true or false,
  `origins` a list of purchased, made-here, recovered, blend, `atmosphere` inert or air. `ends_in` is test,
  or dispose: then no passed test puts the end off.
  Where several rows fit, the earliest date holds. Rows for "made" and "test" that are missing are lent by
  those for "opened". A row that counts from receipt and does not say `opened = false` holds for an opened
  bottle too.

`levels`: what a reading comes to. One of `from = "25"` (25 and above), `above = "100"` (more than 100),
  `detected = true` (any at all, or by an unknown method) · `unit` mg/L (left out) or mass-ppm, turned to
  mg/L by the density · `then` one of test-first, do-not-distil, do-not-use, do-not-touch · `uses` a list of
  draw, distil, keep, open, move (left out: all) · `source`. Figures are text, so that they are kept digit
  by digit. At least one level must forbid drawing.

`handling`: what is seen and known. Conditions, all of which must hold: `class` a list of A, B, C, D, none
  (left out: every former), `opened`, `inhibited`, `signs`, `closures` (plastic-screw, metal-screw,
  glass-stopper, septum, other), `age_unknown = true`, `origin_unknown = true`, `expired_more_than_months`
  (0: past the maker's date) · `then`, `uses`, `source` as above. An unknown fact matches: a row on metal
  caps holds for a bottle whose cap nobody wrote down.

`expiry_ends_in`: dispose (left out: the worse), or test: a passed test on or after the maker's date then
  starts the clock anew. `distilling`: `heel_percent` of the volume charged that is left in the still,
  `heel_source`, `test_age_max_days`, `test_age_source`. Left out: 20 %, and a test on the same day.

Whatever a policy says, a missing fact takes the worse case and the floor of `signs` holds. So no policy can
make a bottle with crystals usable.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Any, cast, get_args

from inventory.rules import policy_reading as read
from inventory.rules.levels import allows, for_use
from inventory.rules.policy_reading import PolicyError
from inventory.rules.policy_rows import (
    Atmosphere,
    Closure,
    CountsFrom,
    Distilling,
    EndsIn,
    HandlingRow,
    Interval,
    IntervalUnit,
    LevelRow,
    Origin,
    Rule,
)
from inventory.rules.row_index import RowIndex

__all__ = ["DEFAULT_POLICY_KEY", "Atmosphere", "Closure", "CountsFrom", "Distilling", "EndsIn"]
__all__ += ["HandlingRow", "Interval", "IntervalUnit", "LevelRow", "Origin", "Policy", "PolicyError", "Rule"]
__all__ += ["load_policies"]

POLICY_FOLDER = Path(__file__).parent.parent / "data" / "policies"
DEFAULT_POLICY_KEY = "cautious-default"
KEY_PATTERN = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*", re.ASCII)
KEY_LENGTH_MAX = 60
NOTHING_STATED = Distilling()


@dataclass(frozen=True)
class Policy:
    """Intervals, levels and handling rules by which containers are judged; see the module's text."""

    key: str
    name: str
    source: str
    rules: tuple[Rule, ...]
    levels: tuple[LevelRow, ...]
    handling: tuple[HandlingRow, ...] = ()
    expiry_ends_in: EndsIn = "dispose"
    distilling: Distilling = NOTHING_STATED

    @cached_property
    def index(self) -> RowIndex:
        """The interval rows by class and end."""
        return RowIndex(self.rules)

    def to_json(self) -> dict[str, Any]:
        """A dict that json.dumps takes; `from_json` gives the same policy back."""
        return {
            "key": self.key,
            "name": self.name,
            "source": self.source,
            "levels": [row.to_json() for row in self.levels],
            "rules": [row.to_json() for row in self.rules],
            "handling": [row.to_json() for row in self.handling],
            "expiry_ends_in": self.expiry_ends_in,
            "distilling": self.distilling.to_json(),
        }

    @classmethod
    def from_json(cls, data: object, path: str = "policy") -> Policy:
        """The policy from its dict. Raises PolicyError naming the value below `path`."""
        known = {"key", "name", "source", "levels", "rules", "handling", "expiry_ends_in", "distilling"}
        row = read.table(data, path, known)
        rules = read.rows(row, "rules", path, least=1)
        levels = read.rows(row, "levels", path, least=1)
        handling = read.rows(row, "handling", path, least=0)
        ends_in = read.choice(row, "expiry_ends_in", path, get_args(EndsIn), "dispose")
        policy = cls(
            key=_key(read.text(row, "key", path), path),
            name=read.text(row, "name", path),
            source=read.text(row, "source", path),
            rules=tuple(Rule.from_json(rule, f"{path}.rules[{i}]") for i, rule in enumerate(rules)),
            levels=tuple(LevelRow.from_json(level, f"{path}.levels[{i}]") for i, level in enumerate(levels)),
            handling=tuple(HandlingRow.from_json(r, f"{path}.handling[{i}]") for i, r in enumerate(handling)),
            expiry_ends_in=cast(EndsIn, ends_in),
            distilling=Distilling.from_json(row.get("distilling"), f"{path}.distilling"),
        )
        if not any(forbids_drawing(level) for level in policy.levels):
            remedy = 'Add one, as { from = "25", then = "do-not-use", source = "…" }.'
            raise read.wrong(path, "levels", "no level forbids taking some out", remedy)
        return policy


def forbids_drawing(row: LevelRow) -> bool:
    """Whether a reading at this level stops people from taking some out."""
    return row.applies_to("draw") and not allows(for_use(row.then, "draw"), "draw")


def load_policies(path: Path = POLICY_FOLDER) -> dict[str, Policy]:
    """The policies of a TOML file, or of every one in a folder, by key; the default comes first.

    Raises PolicyError for anything unusable.
    """
    files = sorted(path.glob("*.toml")) if path.is_dir() else [path]
    policies: dict[str, Policy] = {}
    for policy, where in (found for file in files for found in _policies_in(file)):
        if policy.key in policies:
            raise read.wrong(where, "key", f'"{policy.key}" is there twice', "Give each its own key.")
        policies[policy.key] = policy
    first = {key: policy for key, policy in policies.items() if key == DEFAULT_POLICY_KEY}
    return first | policies


def _policies_in(path: Path) -> Iterable[tuple[Policy, str]]:
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"), parse_float=Decimal)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise PolicyError(
            path.name, "policy-unreadable", f"This is not TOML: {error}.", "Mend the file."
        ) from error
    rows = read.rows(read.table(document, path.name, {"policies"}), "policies", path.name, least=1)
    for i, row in enumerate(rows):
        yield Policy.from_json(row, f"policies[{i}]"), f"policies[{i}]"


def _key(text: str, path: str) -> str:
    if len(text) > KEY_LENGTH_MAX or not KEY_PATTERN.fullmatch(text):
        remedy = f"Use lower-case letters, digits and hyphens, up to {KEY_LENGTH_MAX}."
        raise read.wrong(path, "key", f"{text!r} is not usable in an address", remedy)
    return text
