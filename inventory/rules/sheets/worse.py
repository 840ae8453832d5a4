"""Where two cells of one bottle disagree or one is missing: keep the row, take the worse, say so."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from inventory.rules.sheets.cells import Inhibitor, OpenedCell, Origin, ReadingCell
from inventory.rules.sheets.outcomes import Outcome, warning
from inventory.rules.sheets.planning import Amount
from inventory.rules.sheets.remarks import Sign

_GRAVE_SIGNS = frozenset(("crystals", "cloudy", "viscous-layer", "cap-stuck", "odd-colour"))
_DISTILLED: frozenset[Origin] = frozenset(("distilled-here", "recovered"))


@dataclass(frozen=True, slots=True)
class Dates:
    """The days of one bottle; None where a cell is empty."""

    received_on: date | None
    opened: OpenedCell
    tested_on: date | None
    expires_on: date | None


def inhibitor_agreed(
    cell: Inhibitor, labelled: Inhibitor, origin: Origin, line: int, header: str, said: list[Outcome]
) -> Inhibitor:
    """One inhibitor from its own cell, the solvent's name and the origin.

    The name in the solvent cell counts where the inhibitor cell is silent; where they disagree it is "no". A
    distillate keeps no inhibitor (it stays in the flask), so a bare "yes" there is not believed.
    """
    merged = cell
    if cell.state == "not-stated" and not cell.name:
        merged = labelled
    elif "not-stated" not in (cell.state, labelled.state) and cell.state != labelled.state:
        reason = "The inhibitor cell and the solvent's name disagree; it counts as uninhibited."
        said.append(warning(line, header, "inhibitor-doubtful", reason, "Look at the label."))
        merged = Inhibitor("no")
    elif cell.state == "yes" and not cell.name and labelled.name:
        merged = labelled
    if merged.state == "not-stated" and merged.name:
        reason = f"{merged.name!r} is not a known inhibitor; it counts as not stated."
        said.append(warning(line, header, "inhibitor-unknown", reason, 'Write "yes", "no" or its name.'))
    if merged.state == "yes" and not merged.name and origin in _DISTILLED:
        reason = "A distillate holds no inhibitor unless one was added; it counts as uninhibited."
        said.append(warning(line, header, "inhibitor-doubtful", reason, "Name the inhibitor that was added."))
        merged = Inhibitor("no")
    return merged


def worse_opened(
    dates: Dates,
    size: Amount,
    left: Amount,
    reading: ReadingCell | None,
    signs: tuple[Sign, ...],
    line: int,
    header: str,
    said: list[Outcome],
) -> Dates:
    """The opening as the other cells allow it: what was drawn from or tested has been opened."""
    opened = dates.opened
    drawn = size.ml is None or left.ml is None or left.ml < size.ml
    tested = reading is not None and reading.comparator != "unknown"
    if opened.state != "opened" and (drawn or tested):
        proof = f"{left.quantity.text} of {size.quantity.text} are left" if drawn else "it was tested"
        claim = "said to be sealed" if opened.state == "unopened" else "not said to be opened"
        code = "sealed-doubtful" if opened.state == "unopened" else "opening-assumed"
        reason = f"The bottle is {claim}, but {proof}: it counts as opened on an unknown day."
        said.append(warning(line, header, code, reason, "Give the day on which it was opened."))
        opened = OpenedCell("opened", None, opened.text)
    elif opened.state == "opened" and opened.opened_on is None:
        reason = "The day of opening is not known: the worst is assumed."
        said.append(warning(line, header, "opened-unknown", reason, "Give the day if anyone can find out."))
    if opened.opened_on and any(sign.code == "dates-doubtful" for sign in signs):
        reason = (
            f"The remark doubts the dates, so {opened.opened_on} is not relied on: opened on an unknown day."
        )
        said.append(warning(line, header, "dates-doubtful", reason, "Give the day if anyone can find out."))
        opened = OpenedCell("opened", None, opened.text)
    return dates if opened is dates.opened else replace(dates, opened=opened)


def order_noted(
    dates: Dates,
    reading: ReadingCell | None,
    counted_on: date,
    line: int,
    headers: Mapping[str, str],
    said: list[Outcome],
) -> Dates:
    """Dates that do not follow each other: noted, and the earlier day counts where age matters."""
    received, opened, tested = dates.received_on, dates.opened.opened_on, dates.tested_on
    if received is None:
        reason = "The day it was received is not stated: its age is not known."
        said.append(warning(line, headers.get("received_on", ""), "received-unknown", reason))
    if received and opened and opened < received:
        reason = f"Opened on {opened}, before it was received on {received}: its age counts from {opened}."
        said.append(warning(line, headers["opened"], "dates-doubtful", reason, "Correct one of the two."))
        received = opened
    _test_noted(dates, reading, line, headers, said)
    late = max((d for d in (received, opened, tested) if d), default=counted_on)
    if late > counted_on:
        reason = f"{late} lies after the count of {counted_on}."
        said.append(warning(line, "", "after-the-count", reason, "Check the date, or the day of the count."))
    return dates if received == dates.received_on else replace(dates, received_on=received)


def _test_noted(
    dates: Dates, reading: ReadingCell | None, line: int, headers: Mapping[str, str], said: list[Outcome]
) -> None:
    header = headers.get("tested_on", "")
    received, opened, tested = dates.received_on, dates.opened.opened_on, dates.tested_on
    if reading is None and tested:
        reason = "A test day without a result is no pass."
        said.append(warning(line, header, "test-without-result", reason, "Give the result."))
    if reading is not None and tested is None:
        reason = "A result without its day is kept, but vouches for nothing."
        said.append(warning(line, header, "test-undated", reason, "Give the day of the test."))
    if tested and opened and tested < opened:
        reason = f"Tested on {tested}, before it was opened on {opened}: that says nothing of the time since."
        said.append(warning(line, header, "tested-before-opened", reason, "Test again."))
    if tested and received and tested < received:
        reason = f"Tested on {tested}, before it was received on {received}."
        said.append(warning(line, header, "tested-before-received", reason, "Correct one of the two."))


def signs_noted(signs: tuple[Sign, ...], line: int, header: str, said: list[Outcome]) -> None:
    """Say which safety signs a remark holds; the dates' own is said with the dates."""
    for sign in signs:
        if sign.code == "dates-doubtful":
            continue
        reason = f"The remark says {sign.words!r}: kept as the safety sign {sign.code}."
        if sign.code in _GRAVE_SIGNS:
            remedy = "Do not open or move it before someone who knows has looked."
            said.append(warning(line, header, f"sign-{sign.code}", reason, remedy))
        else:
            said.append(Outcome(line, header, "info", f"sign-{sign.code}", reason))


def doubt_noted(
    reading: ReadingCell | None, signs: tuple[Sign, ...], line: int, header: str, said: list[Outcome]
) -> tuple[ReadingCell | None, tuple[Sign, ...]]:
    """ "?" or "OK" in the peroxide cell is no reading, but stays as a sign; other notes are told."""
    if reading is None:
        return None, signs
    if reading.comparator == "unknown":
        reason = f"{reading.text!r} is no reading ({reading.note})."
        said.append(warning(line, header, "reading-doubtful", reason, "Test again and write a value."))
        return None, (*signs, Sign("peroxide-unknown", reading.text))
    if reading.note:
        said.append(Outcome(line, header, "info", "reading-note", f"{reading.text!r}: {reading.note}."))
    return reading, signs
