"""Free column names to fields: by the whole header, or by a phrase in it that the cells do not belie."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.sheets.cells import opened_in, reading_in
from inventory.rules.sheets.dates import ANY_SEPARATOR, DateOrder, parse_date
from inventory.rules.sheets.evidence import Filled, all_of, date_evidence, unit_evidence
from inventory.rules.sheets.fields import FIELDS, Field, Target
from inventory.rules.sheets.folding import plain
from inventory.rules.sheets.mapping import Mapping, Question, from_json, to_json
from inventory.rules.sheets.reading import Table
from inventory.rules.units import Unit, find_unit

__all__ = [
    "Mapping",
    "Question",
    "checked_mapping",
    "from_json",
    "suggest_mapping",
    "to_json",
    "with_date_order",
]

_SAMPLE_CELLS = 60
_EXACT = 1000
# Too general to be found inside a longer header; they count only as the whole header.
_ONLY_WHOLE = frozenset(
    ("no", "nr", "id", "on", "by", "name", "what", "where", "from", "in it", "rest", "use", "run", "user")
) | frozenset(
    ("number", "code", "label", "day", "when", "who", "into", "nach", "ziel", "wo", "ort", "amount")
)
_ONLY_WHOLE |= frozenset(
    ("person", "place", "stock", "source", "method", "volume", "liquid", "content", "date", "datum", "menge")
) | frozenset(
    ("bottle", "flasche", "container", "out", "back", "left", "shelf", "room", "lager", "platz", "level")
)
_BRACKETED = re.compile(r"[(\[]([^)\]]*)[)\]]")
_READING_UNITS = {"ppm": "ppm", "mg/l": "mg/L", "mg/kg": "ppm", "%": "%"}


def suggest_mapping(
    headers: Sequence[str],
    target: Target,
    table: Table,
    *,
    date_order: DateOrder | None = None,
    century: int | None = None,
    method: str = "not-stated",
) -> Mapping:
    """A mapping to confirm: columns by their words, units and date order by evidence, the rest as questions.

    date_order, century, method: what the user already said; evidence that speaks against it is a question.
    """
    columns, questions = _assigned(headers, target, table)
    mapping = Mapping(target, columns, century=century, method=method)
    if date_order is not None:
        mapping = with_date_order(mapping, date_order)
    return _completed(mapping, table, questions)


def checked_mapping(mapping: Mapping, table: Table) -> Mapping:
    """A mapping from a file, fitted to this table: units and date orders it leaves open are looked for,
    what stays open becomes a question. Raises InputError naming a header that the table lacks.
    """
    for key, header in mapping.columns.items():
        if header not in table.headers:
            near = difflib.get_close_matches(header, table.headers, n=3, cutoff=0.4) or table.headers[:8]
            detail = Phrase("The file has no column “{header}”.", header=header)
            raise InputError(
                f"mapping.columns.{key}",
                "column-missing",
                detail,
                Phrase("It has: {known}.", known=", ".join(near)),
            )
    return _completed(mapping, table, [])


def with_date_order(mapping: Mapping, order: DateOrder) -> Mapping:
    """The same mapping with one order stated for every date column that states none."""
    dated = [f.key for f in FIELDS[mapping.target] if f.kind == "date"]
    stated = {key: mapping.date_order.get(key, {ANY_SEPARATOR: order}) for key in dated}
    return replace(mapping, date_order=stated)


def _completed(mapping: Mapping, table: Table, questions: list[Question]) -> Mapping:
    fields = FIELDS[mapping.target]
    asked = [*questions, *_missing(mapping, fields, questions)]
    columns = {f.key: Filled(f, mapping.columns[f.key], table) for f in fields if f.key in mapping.columns}
    units = dict(mapping.units)
    for filled in columns.values():
        _header_unit(filled, units, asked)
    unit_evidence(columns, units, asked)
    orders = date_evidence(columns, mapping, asked)
    used = set(mapping.columns.values())
    unmapped = tuple(h for h in table.headers if h not in used)
    return replace(mapping, units=units, date_order=orders, unmapped=unmapped, questions=tuple(asked))


def _missing(mapping: Mapping, fields: Iterable[Field], questions: list[Question]) -> list[Question]:
    asked_for = {q.column for q in questions}
    return [
        Question(
            "column-missing",
            f.key,
            Phrase("No column was recognised as “{key}”.", key=f.key),
            f'Name it in the mapping: "columns": {{"{f.key}": "<header>"}}.',
        )
        for f in fields
        if f.required and f.key not in mapping.columns and f.key not in asked_for
    ]


def _assigned(headers: Sequence[str], target: Target, table: Table) -> tuple[dict[str, str], list[Question]]:
    """Each header goes at most to its best field; two that fit one field equally well are asked."""
    claims: dict[str, list[tuple[int, str]]] = {}
    for header in headers:
        best = _best_fields(header, FIELDS[target], table)
        if len(best) == 1:
            score, key = best[0]
            claims.setdefault(key, []).append((score, header))
    columns: dict[str, str] = {}
    questions: list[Question] = []
    for field in FIELDS[target]:
        ranked = sorted(claims.get(field.key, ()), key=lambda c: -c[0])
        if len(ranked) > 1 and ranked[0][0] == ranked[1][0]:
            questions.append(_two_columns(field, [h for s, h in ranked if s == ranked[0][0]]))
        elif ranked:
            columns[field.key] = ranked[0][1]
    return columns, questions


def _two_columns(field: Field, headers: list[str]) -> Question:
    names = all_of([repr(h) for h in headers])
    remedy = f'Choose one in the mapping: "columns": {{"{field.key}": "{headers[0]}"}}.'
    return Question(
        "column-twice",
        field.key,
        Phrase("{names} may both be “{key}”.", names=names, key=field.key),
        remedy,
        field.required,
    )


def _best_fields(header: str, fields: Iterable[Field], table: Table) -> list[tuple[int, str]]:
    words = _header_words(header)
    scored = [(_score(words, field), field) for field in fields]
    top = max((score for score, _ in scored), default=0)
    if not top:
        return []
    return [(s, f.key) for s, f in scored if s == top and (s >= _EXACT or _fits(f, header, table))]


def _score(words: str, field: Field) -> int:
    best = 0
    for phrase in field.words:
        if phrase == words:
            return _EXACT + len(phrase)
        if phrase not in _ONLY_WHOLE and f" {phrase} " in f" {words} ":
            best = max(best, len(phrase))
    return best


def _header_words(header: str) -> str:
    unit = _unit_text(header)
    bare = _BRACKETED.sub(" ", header) if unit or header.rstrip().endswith((")", "]")) else header
    words = plain(bare).split()
    if unit and words and plain(unit).split() == words[-len(plain(unit).split()) :]:
        words = words[: -len(plain(unit).split())]
    if unit and len(words) > 1 and words[-1] == "in":
        words.pop()
    return " ".join(words) or plain(header)


def _unit_text(header: str) -> str:
    """The last brackets, or else the last word, if that is a unit of volume, mass or peroxide."""
    inside: list[str] = _BRACKETED.findall(header)
    tail = re.split(r"[\s_,]+", _BRACKETED.sub(" ", header).strip())[-1:]
    for text in (*inside[-1:], *tail):
        found = find_unit(text.strip()) if 0 < len(text) <= 32 else None
        ambiguous = isinstance(found, tuple)
        amount = isinstance(found, Unit) and found.dimension in ("volume", "mass")
        if ambiguous or amount or text.strip().lower() in _READING_UNITS:
            return text.strip()
    return ""


def _header_unit(filled: Filled, units: dict[str, str], asked: list[Question]) -> None:
    """Take the unit a header states, unless the mapping states one."""
    key, text = filled.field.key, _unit_text(filled.header)
    if not text or key in units:
        return
    if filled.field.kind == "reading" and text.lower() in _READING_UNITS:
        units[key] = _READING_UNITS[text.lower()]
    if filled.field.kind != "volume":
        return
    found = find_unit(text)
    if isinstance(found, Unit) and found.dimension in ("volume", "mass"):
        units[key] = found.code
    elif isinstance(found, tuple):
        remedy = f'Say {found[0]} or {found[1]} in the mapping under "units".'
        asked.append(
            Question(
                "unit-ambiguous", filled.header, Phrase("“{text}” can mean two things.", text=text), remedy
            )
        )


def _fits(field: Field, header: str, table: Table) -> bool:
    """Whether at least half of the column's cells can be what the field holds."""
    if field.kind == "text":
        return True
    texts: dict[str, None] = {}
    for row in table.rows:
        text = row.cells.get(header, "").strip()
        if text:
            texts[text] = None
        if len(texts) >= _SAMPLE_CELLS:
            break
    good = sum(_can_be(field, text) for text in texts)
    return not texts or 2 * good >= len(texts)


def _can_be(field: Field, text: str) -> bool:
    if field.kind == "volume":
        return any(c.isdigit() for c in text) and not _dated(text)
    if field.key == "opened" and not any(c.isdigit() for c in text):
        return _opens(text)
    if field.kind == "date":
        return _dated(text)
    try:
        reading_in(text)
    except InputError:
        return False
    return True


def _opens(text: str) -> bool:
    try:
        opened_in(text)
    except InputError:
        return False
    return True


def _dated(text: str) -> bool:
    for order in DateOrder:
        try:
            parse_date(text, order)
        except InputError as fault:
            if fault.code in ("date-impossible", "date-year-short"):
                return True
        else:
            return True
    return False
