"""From a name as people write it to the key of a solvent. Never guesses: an unknown name raises."""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from pathlib import Path

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.solvent_words import Keyed

DATA = Path(__file__).resolve().parent.parent / "data"
_MAX_NAME = 120
_MIN_PERCENT = 90

_GRADES = (
    r"tech(?:nical)?|puriss(?:imum)?|purum|pure|p\.? ?a|analytical|reagent|lab(?:oratory)?|hplc|gc|acs|"
    r"anhydrous|dry|dried|abs(?:olute)?|synthesis|extra pure|"
    r"(?:un)?stabili[sz]ed|(?:un)?inhibited|(?:with |no )?(?:bht|hydroquinone)(?: \d+ ?ppm)?|inhibitor free|"
    r"rec(?:overed)?|(?:re)?distilled(?: here)?|homemade|old|new"
)
_GRADE = re.compile(rf"(?:{_GRADES})(?: grade)?\.?", re.IGNORECASE)
_PERCENT = re.compile(r"(?P<number>\d{1,3}(?:[.,]\d+)?) ?%", re.IGNORECASE)
_TAIL = re.compile(
    rf"^(?P<name>.+?)[ ,;]*(?:\((?P<inside>[^()]*)\)|(?<=[ ,;])(?P<word>(?:{_GRADES})(?: grade)?\.?)"
    r"|(?P<percent>(?<!\d)\d{1,3}(?:[.,]\d+)? ?%))$",
    re.IGNORECASE,
)
_HEAD = re.compile(rf"^(?P<word>{_GRADES})\.? (?P<name>.+)$", re.IGNORECASE)


class UnknownSolvent(InputError):
    """No solvent of that name; `suggestions` are keys that a person may have meant, likeliest first."""

    def __init__(self, field: str, name: str, suggestions: tuple[str, ...], detail: str = "") -> None:
        meant = [Phrase("Did you mean {known}?", known=_either(suggestions))] if suggestions else []
        by_hand = Phrase("Choose a solvent by hand, or add it by CAS number.")
        unknown = Phrase("'{name}' is not the name of one known solvent.", name=name[:60])
        super().__init__(field, "unknown-solvent", detail or unknown, Phrase.joined([*meant, by_hand]))
        self.suggestions = suggestions


def keyed(key: str) -> str:
    """A key as programs read it; people read the name of a shipped solvent instead."""
    row = _shipped().get(key)
    return Keyed(key, row["name"]) if row else key


def _either(keys: Sequence[str]) -> str:
    first, *rest = map(keyed, keys)
    return Phrase("{one} or {other}", one=first, other=_either(rest)) if rest else first


@dataclass(frozen=True, slots=True)
class Match:
    """A resolved name. key: the solvent; remark: what was beside the name, such as "BHT" or "96%";
    note: what the reader should be told about the reading, "" when there is nothing to tell."""

    key: str
    remark: str = ""
    note: str = ""


def fold_name(text: str) -> str:
    """Letters and digits alone, without case or accents: "Pet. Ether 40/60" and "pet ether 40-60" are one."""
    plain = unicodedata.normalize("NFKD", text).casefold()
    return "".join(c for c in plain if c.isalnum() and c.isascii())


@cache
def _shipped() -> dict[str, dict[str, str]]:
    """Key → row of the shipped table."""
    with (DATA / "solvents.csv").open(encoding="utf-8", newline="") as lines:
        return {row["key"]: row for row in csv.DictReader(lines)}


@cache
def _names() -> dict[str, tuple[str, str]]:
    """Folded name → (key, note), from the shipped tables."""
    table = {
        fold_name(row[of]): (key, "") for key, row in _shipped().items() for of in ("key", "name", "cas")
    }
    with (DATA / "synonyms.csv").open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            table.setdefault(fold_name(row["name"]), (row["solvent"], row["note"]))
    return table


def match_name(name: str, extra: Mapping[str, str] | None = None, *, field: str = "solvent") -> Match:
    """The solvent meant, with remarks taken off; `extra` holds a lab's own names → keys and comes second.

    Raises UnknownSolvent, also for a mixture such as "ethanol 70%", and for text over 120 characters.
    """
    own = {fold_name(key): value for key, value in (extra or {}).items()}
    if len(name) > _MAX_NAME:
        raise UnknownSolvent(field, name, ())
    rest, remarks = " ".join(name.split()), list[str]()
    while True:
        if found := _look_up(rest, own):
            return Match(found[0], ", ".join(remarks), found[1] or _percent_note(remarks))
        shorter = _without_remark(rest, name, field)
        if shorter is None:
            raise UnknownSolvent(field, name, suggest(rest))
        rest = shorter[0]
        remarks.append(shorter[1])


def resolve(name: str, extra: Mapping[str, str] | None = None, *, field: str = "solvent") -> str:
    """The key alone; see `match_name`."""
    return match_name(name, extra, field=field).key


def _look_up(text: str, own: Mapping[str, str]) -> tuple[str, str] | None:
    folded = fold_name(text)
    if found := _names().get(folded):
        return found
    return (own[folded], "a name of this lab") if folded and folded in own else None


def _percent_note(remarks: list[str]) -> str:
    """What to tell when a strength was written: the data are those of the pure solvent."""
    strengths = [remark for remark in remarks if _PERCENT.fullmatch(remark)]
    return f"{strengths[0]} read as the pure solvent: its density and classes are used" if strengths else ""


def _without_remark(text: str, name: str, field: str) -> tuple[str, str] | None:
    """(text without one remark, the remark), or None when nothing at its ends is a remark we know."""
    if head := _HEAD.match(text):
        return head["name"], head["word"]
    tail = _TAIL.match(text)
    if not tail:
        return None
    remark = next(
        part for part in (tail["inside"], tail["word"], tail["percent"]) if part is not None
    ).strip()
    if percent := _PERCENT.fullmatch(remark):
        if float(percent["number"].replace(",", ".")) < _MIN_PERCENT:
            raise UnknownSolvent(
                field,
                name,
                suggest(tail["name"]),
                Phrase("'{name}' is a mixture, not the solvent alone.", name=name[:60]),
            )
        return tail["name"], remark
    return (tail["name"], remark) if _GRADE.fullmatch(remark) else None


def keys_like(word: str) -> tuple[str, ...]:
    """Keys of shipped solvents with a name or synonym that holds the word; one of three letters is all of it.

    So that "Ethylacetat" and "DCM" find them. Shorter words and figures alone find nothing.
    """
    folded = fold_name(word)
    if len(folded) < 3 or folded.isdigit():
        return ()
    found = (
        key for name, (key, _) in _names().items() if name == folded or (len(folded) > 3 and folded in name)
    )
    return tuple(dict.fromkeys(found))


def suggest(text: str, limit: int = 4) -> tuple[str, ...]:
    """Keys whose names look like the text, likeliest first; never used without a person choosing."""
    folded, table = fold_name(text), _names()
    if len(folded) < 3:
        return ()
    inside = sorted((name for name in table if folded in name), key=len)
    close = get_close_matches(folded, table, n=limit, cutoff=0.75)
    within = sorted((name for name in table if len(name) > 4 and name in folded), key=len, reverse=True)
    return tuple(dict.fromkeys(table[name][0] for name in (*close, *inside, *within)))[:limit]
