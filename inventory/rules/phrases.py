"""Sentences of the rules that can be said in another language: a template and what is filled in.

Rules know no language. A `Phrase` is English text like any other and is compared, kept and sent as such;
whoever shows it to a person may ask for it in their language with `said`. A template engine that honours
`__html__` gets there by itself once a reader is set.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from html import escape
from string import Formatter
from typing import Any, ClassVar

__all__ = ["Figure", "NamedDay", "Phrase", "Say"]

Translate = Callable[[str], str]
# Words → the same in some language; `str` for English.
Say = Callable[[str], str]
# A part and its format in the template → how it is written, as the built-in `format` does it for English.
Write = Callable[[Any, str], str]


class _Written(Formatter):
    """Fills a template in, each part as `write` writes it."""

    def __init__(self, write: Write) -> None:
        self.write = write

    def format_field(self, value: Any, format_spec: str) -> str:
        return self.write(value, format_spec)


class Phrase(str):
    """English words made of a template with {named} parts. The template has to be a literal.

    A part that is a phrase itself is said in the other language too. A template that its translation does not
    fit falls back to English, so that a mistake in a catalogue never hides a caution.
    """

    reader: ClassVar[Callable[[Phrase], str] | None] = None
    template: str
    parts: dict[str, Any]

    def __new__(cls, template: str, /, **parts: Any) -> Phrase:
        made = super().__new__(cls, template.format(**parts) if parts else template)
        made.template, made.parts = template, parts
        return made

    def said(self, translate: Translate, write: Write = format) -> str:
        """The words in the language of `translate`, which takes a template; parts as `write` has them."""
        if not self.template:
            return ""
        template = translate(self.template)
        if not self.parts:
            return template
        parts = {
            name: part.said(translate, write) if isinstance(part, Phrase) else part
            for name, part in self.parts.items()
        }
        try:
            return _Written(write).vformat(template, (), parts)
        except (KeyError, IndexError, ValueError):
            return str(self)

    def __html__(self) -> str:
        """As mark-up, in the language of the reader where one is set."""
        reader = type(self).reader
        return escape(str(self)) if reader is None else reader(self)

    @classmethod
    def joined(cls, phrases: Iterable[str], by: str = " ") -> Phrase:
        """Several one after another, each said for itself; empty ones are left out."""
        parts = {f"part{n}": each for n, each in enumerate(filter(None, phrases))}
        return cls(by.join(f"{{{name}}}" for name in parts), **parts)


class Figure(float):
    """A number that was written out for English already; another language changes its decimal mark alone."""

    text: str

    def __new__(cls, value: float, text: str) -> Figure:
        made = super().__new__(cls, value)
        made.text = text
        return made

    def __format__(self, form: str) -> str:
        return self.text


class NamedDay(date):
    """A day that English names by `text`, such as "14 May"; another language writes it its own way."""

    text: str

    @classmethod
    def of(cls, day: date, text: str) -> NamedDay:
        made = cls(day.year, day.month, day.day)
        made.text = text
        return made

    def __format__(self, form: str) -> str:
        return self.text
