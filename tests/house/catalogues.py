"""The words of pages and rules, found in the source, and the catalogues of their translations.

`python -m tests.house.catalogues` brings every catalogue up to date: new words come in empty, gone ones go,
and the compiled file beside it is written anew. Needs neither xgettext nor msgfmt.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

from babel.messages.catalog import Catalog, Message
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po
from django.utils.translation.template import templatize

ROOT = Path(__file__).resolve().parents[2]
LANGUAGE = "de"
# Who has a catalogue, and whose words go into it. What stands in an earlier one is not asked for again.
APPS = {"inventory": ("inventory", "deploy"), "recovery": ("recovery",)}
# Function → which of its arguments are words.
PLAIN: dict[str, tuple[int, ...]] = {
    "_": (0,), "_T": (0,), "gettext": (0,), "gettext_lazy": (0,), "gettext_noop": (0,), "Phrase": (0,),
}  # fmt: skip
PLURAL = {"ngettext", "ngettext_lazy"}
# Programs get English, and nothing of this is shown on a page.
NOT_SHOWN = ("inventory/api/", "recovery/api/", "management/", "migrations/", "deploy/")
IN_TEMPLATE = re.compile(
    r"(?<!\w)(gettext|ngettext|_)\(((?:u?(?:'(?:[^'\\]|\\.)*'|\"(?:[^\"\\]|\\.)*\"),?\s*)+)"
)
DAY = datetime(2026, 11, 26, tzinfo=UTC)
Words = str | tuple[str, str]


def words_of(app: str) -> dict[Words, set[str]]:
    """Every message of an app → the files it stands in."""
    found: dict[Words, set[str]] = {}
    for folder in APPS[app]:
        for path in sorted((ROOT / folder).rglob("*")):
            name = path.relative_to(ROOT).as_posix()
            if path.suffix == ".py" and not any(part in name for part in NOT_SHOWN):
                messages = _in_python(path.read_text("utf-8"))
            elif path.suffix in (".html", ".txt") and "/templates/" in name:
                messages = _in_template(path.read_text("utf-8"))
            else:
                continue
            for message in messages:
                found.setdefault(message, set()).add(name)
    return found


def _in_python(source: str) -> Iterator[Words]:
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "id", getattr(node.func, "attr", ""))
        texts = [_text(argument) for argument in node.args]
        if name in PLURAL and len(texts) > 1 and texts[0] and texts[1]:
            yield (texts[0], texts[1])
        yield from (texts[at] for at in PLAIN.get(name, ()) if at < len(texts) and texts[at])


def _text(node: ast.expr) -> str:
    """A literal with a letter in it; what only sets parts one after another says the same in any language."""
    text = node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""
    return text if re.search(r"[^\W\d_]", re.sub(r"\{[^}]*\}", "", text)) else ""


def _in_template(source: str) -> Iterator[Words]:
    for found in IN_TEMPLATE.finditer(templatize(source)):
        texts = ast.literal_eval(f"({found[2].rstrip().rstrip(',')},)")
        yield (texts[0], texts[1]) if found[1] == "ngettext" else texts[0]


def path_of(app: str) -> Path:
    return ROOT / app / "locale" / LANGUAGE / "LC_MESSAGES" / "django.po"


def read(app: str) -> Catalog:
    path = path_of(app)
    if not path.exists():
        return Catalog(locale=LANGUAGE)
    with path.open("rb") as file:
        return read_po(file, locale=LANGUAGE)


def fresh(app: str) -> Catalog:
    """The catalogue as it has to be: every message of now, with the translations there are."""
    kept = read(app)
    made = Catalog(
        locale=LANGUAGE, project="Stillkeep", version="1", creation_date=DAY, revision_date=DAY,
        header_comment="# German words of Stillkeep.", fuzzy=False, charset="utf-8",
        last_translator="Stillkeep", language_team="German",
    )  # fmt: skip
    earlier = {words for before in list(APPS)[: list(APPS).index(app)] for words in words_of(before)}
    for words, files in sorted(words_of(app).items(), key=lambda item: str(item[0])):
        if words in earlier:
            continue
        known: Message | None = kept.get(words[0] if isinstance(words, tuple) else words)
        said: Any = (
            known.string if known and known.id == words else ("", "") if isinstance(words, tuple) else ""
        )
        made.add(words, said, locations=[(name, 0) for name in sorted(files)])
    return made


def as_po(catalog: Catalog) -> bytes:
    out = BytesIO()
    write_po(out, catalog, width=0, include_lineno=False, sort_output=False)
    return out.getvalue()


def as_mo(catalog: Catalog) -> bytes:
    out = BytesIO()
    write_mo(out, catalog)
    return out.getvalue()


def is_translated(message: Message) -> bool:
    said: Any = message.string
    return bool(said) and (isinstance(said, str) or all(said))


def refresh() -> list[str]:
    """Write every catalogue and its compiled file. Returns what has no translation yet."""
    missing = []
    for app in APPS:
        made = fresh(app)
        path = path_of(app)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(as_po(made))
        path.with_suffix(".mo").write_bytes(as_mo(made))
        missing += [str(message.id) for message in made if message.id and not is_translated(message)]
    return missing


if __name__ == "__main__":
    empty = refresh()
    print(f"{len(empty)} without a translation")
