"""An SVG as it may be served under a policy that allows no inline style, and as a screen reader wants it.

Style attributes become presentation attributes (SVG 2, chapter 6.6), the style sheet, the metadata with their
addresses and the document type go, and `title` and `desc` come first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from xml.etree import ElementTree as ET

__all__ = ["Told", "tidied"]

SVG = "http://www.w3.org/2000/svg"
XLINK = "http://www.w3.org/1999/xlink"
# System fonts that are no wider than the one by which the text was measured.
FAMILY = "DejaVu Sans, Verdana, Segoe UI, Roboto, Helvetica, Arial, sans-serif"
SPOKEN = {"role": "img", "aria-labelledby": "picture-title picture-desc"}
LEFT_OUT = {f"{{{SVG}}}metadata", f"{{{SVG}}}style"}
ET.register_namespace("", SVG)
ET.register_namespace("xlink", XLINK)


@dataclass(frozen=True)
class Told:
    """The words of a picture. hints: by the id of the shape they tell of; words: by the id of the text."""

    title: str
    desc: str
    hints: Mapping[str, str]
    words: Mapping[str, str]


def tidied(drawn: bytes, size: tuple[float, float], told: Told) -> bytes:
    """The bytes of the finished SVG, UTF-8. size: in CSS pixels."""
    root = ET.fromstring(drawn)  # noqa: S314 - our own text, written a moment ago
    _walk(root)
    width, height = (f"{side:g}" for side in size)
    root.attrib.update({"width": width, "height": height, "viewBox": f"0 0 {width} {height}", **SPOKEN})
    root.attrib.update({"font-family": FAMILY, "stroke-linejoin": "round", "stroke-linecap": "butt"})
    for group in root.iter(f"{{{SVG}}}g"):
        _worded(group, told)
    root.insert(0, _made("title", told.title, "picture-title"))
    root.insert(1, _made("desc", told.desc, "picture-desc"))
    return bytes(ET.tostring(root, encoding="utf-8", xml_declaration=True))


def _walk(element: ET.Element) -> None:
    for child in list(element):
        if child.tag in LEFT_OUT:
            element.remove(child)
        else:
            _walk(child)
    _presented(element)
    element.text = element.text if (element.text or "").strip() else None
    element.tail = "\n"


def _presented(element: ET.Element) -> None:
    for rule in element.attrib.pop("style", "").split(";"):
        name, _, value = rule.partition(":")
        if name.strip() and name.strip() != "font-family":
            element.set(name.strip(), value.strip())


def _worded(group: ET.Element, told: Told) -> None:
    """Its hint, and its text with the letters that the font of measuring may not have."""
    name = group.get("id", "")
    if name in told.hints:
        group.insert(0, _made("title", told.hints[name]))
    text = group.find(f"{{{SVG}}}text")
    if name in told.words and text is not None:
        text.text = told.words[name]
        text.attrib.pop("transform", None)
        group.attrib.pop("id")


def _made(tag: str, words: str, id_: str = "") -> ET.Element:
    made = ET.Element(f"{{{SVG}}}{tag}", {"id": id_} if id_ else {})
    made.text = words
    made.tail = "\n"
    return made
