"""What a rule, limit or term on a page means, in plain words, and who says so: one text for every page.

A source that a rule carries itself is taken from there. What depends on a lab's policy or on one of its own
limits names that row's source on the page, beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from inventory.rules.cautions import CAUTIONS
from inventory.rules.forecast import HORIZON_MONTHS, READINGS_MIN
from inventory.rules.phrases import Phrase
from inventory.rules.verdict_distilling import HEEL_DEFAULT_PERCENT, HEEL_DEFAULT_SOURCE

__all__ = ["MEMORY", "OURS", "TEXTS", "Explained"]


@dataclass(frozen=True)
class Explained:
    """asks: the question that unfolds it. words: paragraphs. sources: who says so, at least one."""

    asks: Phrase
    words: tuple[str, ...]
    sources: tuple[str, ...]


OURS = Phrase("our choice, not published")
MEMORY = Phrase("common practice, no source")
_GUM = Phrase("JCGM 100:2008 (GUM), 5.1.2 and 6.3")
_CORNELL = Phrase("Cornell EHS, Chemical Hygiene Plan, appendix J (lists after Kelly 1996); Princeton EHS")
_IOWA = Phrase("Iowa State EHS, pec/8 and pec/9")

TEXTS: Mapping[str, Explained] = MappingProxyType(
    {
        "verdict": Explained(
            Phrase("How is this answer reached?"),
            (
                Phrase(
                    "Every rule of the policy, every sign that was seen and every test is asked, and the "
                    "gravest word holds: use, test before use, do not distil, do not use, do not touch. "
                    "Each use is asked for itself, so that moving a bottle to its collection may be "
                    "allowed where taking some out is not."
                ),
                Phrase(
                    "What nobody recorded counts as the worse case; recording it can make the answer milder."
                ),
                CAUTIONS["local-code"],
            ),
            (Phrase("the order of the words and what each allows: our choice, not published"),),
        ),
        "booked-anyway": Explained(
            Phrase("Why is it booked although the answer is no?"),
            (
                Phrase(
                    "What has been taken out is out: a ledger that refused it would show solvent that is "
                    "not there. So it is recorded, marked as used against the verdict, and shown to those "
                    "who look after the lab. What has not happened yet, such as charging a still, is "
                    "refused."
                ),
            ),
            (OURS,),
        ),
        "next-test": Explained(
            Phrase("How is the day of the next test found?"),
            (
                Phrase(
                    "It is the earliest of all days that apply: the policy's interval from receiving, "
                    "making, opening or the last passed test; the maker's expiry; and the day on which "
                    "the readings so far may reach the action level. Opening puts nothing off: the day of "
                    "the sealed bottle stands until a test has passed."
                ),
                Phrase("One month after 31 January is the last day of February."),
            ),
            (
                Phrase("intervals: the policy in use, with a source beside each of its rows"),
                Phrase("that the earliest day holds: our choice, not published"),
            ),
        ),
        "peroxide-class": Explained(
            Phrase("What do the classes A to D mean?"),
            (
                Phrase(
                    "A may become dangerous without being concentrated, even unopened. B becomes "
                    "dangerous when it is concentrated, as by distilling. C may polymerise by itself, "
                    "started by its peroxides. D may form peroxides and fits none of the others. A class "
                    "that is not known counts as the worst."
                ),
                Phrase("Some lists number I to III the other way round: there III is the gravest."),
            ),
            (_CORNELL,),
        ),
        "opened": Explained(
            Phrase("What counts as opened?"),
            (
                Phrase(
                    "A container counts as open from the day on which its seal was broken, whether or not "
                    "anything was taken: air got in. The first draw from a sealed one opens it that day. "
                    "Whoever does not know the day says so, and it is due for a test at once."
                ),
                Phrase(
                    "Solvent poured into another container counts as open since it was opened in the "
                    "first one."
                ),
            ),
            (
                Phrase("intervals from opening: the policy in use"),
                Phrase("opening by the first draw, and due at once when unknown: our choice, not published"),
            ),
        ),
        "reading": Explained(
            Phrase("Why is a reading kept as from–to?"),
            (
                Phrase(
                    "A strip shows steps, so a colour between two of them stands for a range. A negative "
                    "result means less than the first step of the method (its detection limit), not "
                    "nothing; off the scale means the last step or more; without a method a negative "
                    "result proves nothing."
                ),
                Phrase(
                    "A test passes when the upper end of the range lies below the action level. Strips "
                    "read mg/L; mass ppm is mg/L divided by the density in kg/L."
                ),
                CAUTIONS["tests-miss-some"],
            ),
            (
                Phrase(
                    "range of the strips: RIT test-strip procedure, Aarhus iNANO; their steps: from memory"
                ),
                Phrase("what strips do not see: Iowa State EHS, pec/9"),
                Phrase("titration: Metrohm AN H-132"),
            ),
        ),
        "action-level": Explained(
            Phrase("What is an action level?"),
            (
                Phrase(
                    "The amount of peroxide from which the policy asks for something: not to distil, not "
                    "to use, not to touch. The published ones differ, and some say “from”, others “above” "
                    "an edge; the policy's row says which. The gravest row that fits holds."
                ),
                CAUTIONS["local-code"],
            ),
            (
                Phrase("each level: the policy in use, with a source beside each of its rows"),
                Phrase("published steps of 25 and 100 ppm: Michigan State EHS; 100 ppm: Iowa State EHS"),
            ),
        ),
        "heel": Explained(
            Phrase("What is the heel?"),
            (
                Phrase(
                    "What is left in the still: peroxides boil higher than the solvent and gather there, "
                    "and a dry residue may explode. The policy says which part of what was charged stays "
                    "behind; where it says nothing, {percent} %.",
                    percent=HEEL_DEFAULT_PERCENT,
                ),
                CAUTIONS["never-to-dryness"],
            ),
            (Phrase("at least 10 %: Virginia Tech"), HEEL_DEFAULT_SOURCE),
        ),
        "inhibitor": Explained(
            Phrase("What does the inhibitor change?"),
            (
                Phrase(
                    "An inhibitor, often BHT, slows peroxides down until it is used up. It hardly boils, "
                    "so that it stays in the still: what was distilled counts as without one until some "
                    "is put in. Not known counts as none. Uninhibited ether may hold peroxide in less "
                    "than two weeks."
                ),
            ),
            (_IOWA, Phrase("that BHT stays in the still: from memory")),
        ),
        "forecast": Explained(
            Phrase("How is the growth foreseen?"),
            (
                Phrase(
                    "From {n} readings by one method since the last opening, filling or treatment, a line "
                    "is drawn through the logarithm of the amount: peroxide that forms starts more of it. "
                    "The day shown is that on which the upper edge of a 95 % band reaches the action "
                    "level, at most {months} months ahead. It brings a test forward and never puts one "
                    "off.",
                    n=READINGS_MIN,
                    months=HORIZON_MONTHS,
                ),
                Phrase("It does not see that growth sets in once an inhibitor is used up."),
            ),
            (
                Phrase("growth by chain branching: textbook kinetics, from memory"),
                Phrase("that the upper edge of the band decides: our choice, not published"),
            ),
        ),
        "strip-life": Explained(
            Phrase("How long do strips and solutions last?"),
            (
                Phrase(
                    "To the maker's date, or sooner: opening a tin, making up iodide or standardising "
                    "thiosulfate starts a period of its own. A test with strips past their day may make "
                    "the answer graver and never milder. No strips named counts as not known, with a "
                    "caution."
                ),
            ),
            (
                Phrase("strips kept below 30 °C: RIT test-strip procedure"),
                Phrase("the periods: our choice, not published"),
            ),
        ),
        "signs": Explained(
            Phrase("Why does a sign outweigh a test?"),
            (
                Phrase(
                    "Crystals, a layer or a stuck cap may be peroxide that no strip in the liquid sees, "
                    "and opening the bottle to test it may set it off. A sign therefore stands until "
                    "somebody responsible withdraws it with a reason; a passed test does not take it "
                    "away, and no policy makes it milder."
                ),
                CAUTIONS["get-help"],
            ),
            (
                Phrase("Michigan State EHS, UCLA EHS, Virginia Tech, Cornell waste manual 7.16"),
                Phrase("stuck caps: {practice}", practice=MEMORY),
            ),
        ),
        "at-20": Explained(
            Phrase("Why 20 °C, and what is the ±?"),
            (
                Phrase(
                    "Liquids swell when they get warm: a litre of ether at 25 °C is some 8 mL less at 20 "
                    "°C. Amounts are kept at 20 °C, the temperature that glassware is marked for; what "
                    "you typed is kept beside it. A mass is divided by the density at 20 °C."
                ),
                Phrase(
                    "How well an amount is known follows from the instrument you name; none named counts "
                    "as a rough one, and no temperature told as 20 ± 5 °C."
                ),
            ),
            (
                Phrase("form of the correction: ISO 4787, from memory; adding up: JCGM 100:2008 5.1.2"),
                Phrase("room of 20 ± 5 °C: {practice}", practice=MEMORY),
            ),
        ),
        "count": Explained(
            Phrase("When does a count tell of a difference?"),
            (
                Phrase(
                    "When it lies further from the records than both may be wrong by: the uncertainties "
                    "of this count, the last one and every movement since, added as squares, times two. "
                    "Less than that is measuring, not a finding. The records are brought to what was "
                    "found in any case, and the difference is named, never hidden."
                ),
                Phrase(
                    "More than was recorded may be an unrecorded refill: then a passed test counts no "
                    "longer, unless an instrument was used and the difference lies within its uncertainty."
                ),
            ),
            (_GUM, Phrase("that a count upwards ends a passed test: our choice, not published")),
        ),
        "flammability": Explained(
            Phrase("How are the classes of fire hazard found?"),
            (
                Phrase(
                    "GHS: a flash point below 23 °C is category 1 when it boils at 35 °C or less, else 2; "
                    "to 60 °C category 3; to 93 °C category 4. NFPA 30 counts otherwise: below 22.8 °C "
                    "class IA when it boils below 37.8 °C, else IB; below 37.8 °C IC; below 60 °C II; "
                    "below 93 °C IIIA; above IIIB. Exactly 60 °C is category 3 and class IIIA. What is "
                    "not known counts as the worst."
                ),
            ),
            (Phrase("GHS 2.6 as in 29 CFR 1910.106(a)(19); NFPA 30 (2003) 1.7.3"),),
        ),
        "storage-limit": Explained(
            Phrase("How is a limit counted?"),
            (
                Phrase(
                    "All that stands in the place and in the places within it, of the classes that the "
                    "limit names; or the size of the largest container; or what its waste containers "
                    "hold. A limit warns, or refuses what would go beyond it unless a supervisor signs "
                    "with a reason. What makes a place no fuller is never refused, and drawing never is."
                ),
                Phrase("No limit holds by itself: the lab enters those that its authority names."),
                CAUTIONS["local-code"],
            ),
            (
                Phrase("each limit: the code and source that stand beside it"),
                Phrase("that drawing is never refused: our choice, not published"),
            ),
        ),
        "waste-days": Explained(
            Phrase("How long may waste stay?"),
            (
                Phrase(
                    "So many days from the day on which the container was begun. How many differs from "
                    "place to place, so the lab enters them with their source."
                ),
                CAUTIONS["licensed-disposal"],
            ),
            (Phrase("the rule that was chosen for the container; figures of the USA: EPA memo 2004-03-17"),),
        ),
        "signal-word": Explained(
            Phrase("What is the signal word?"),
            (
                Phrase(
                    "“Danger” or “Warning”, from the hazards that are on record for the solvent; the "
                    "graver one holds. A former carries “may form peroxides” beside it. Where hazards are "
                    "not on record, the maker's label and data sheet say them."
                ),
            ),
            (Phrase("GHS, Regulation (EC) No 1272/2008 (CLP)"),),
        ),
        "stock-level": Explained(
            Phrase("What counts as fit to use?"),
            (
                Phrase(
                    "Containers whose verdict allows drawing today. A bottle that needs a test first is "
                    "not counted, however full, so that nobody learns at the bench that there is none. "
                    "The level is what your lab wants to have at least."
                ),
            ),
            (Phrase("the level: your lab; what counts: our choice, not published"),),
        ),
        "loosening": Explained(
            Phrase("Why does this need a reason and a supervisor?"),
            (
                Phrase(
                    "Whatever makes a rule or an answer milder is signed for by somebody who answers for "
                    "it, and stays visible with day and reason. What makes it stricter is free."
                ),
            ),
            (OURS,),
        ),
        "not-known": Explained(
            Phrase("Why does an empty field count as the worst?"),
            (
                Phrase(
                    "A missing fact never helps: an opening day that nobody knows is due at once, an "
                    "inhibitor that is not told is none, a class that is not known is the gravest. You "
                    "can add a fact later."
                ),
            ),
            (Phrase("unknown age or origin is never opened or tested: Princeton EHS, Iowa State EHS"), OURS),
        ),
        "grades": Explained(
            Phrase("What decides the order?"),
            (
                Phrase(
                    "Danger first: what has to be left alone, then what is past its day, then what runs "
                    "short. An alert closes once the facts are mended, what was found in a run once "
                    "somebody answers for it. Seeing to it or putting it off keeps it from being told "
                    "again for a while; the graver, the shorter, and the gravest are never put off."
                ),
            ),
            (OURS,),
        ),
        "never-edited": Explained(
            Phrase("Why can an entry not be changed?"),
            (
                Phrase(
                    "Entries, tests and this trail are only added to; the database itself refuses to "
                    "change or delete them. A slip is put right by a new entry that names the old one, so "
                    "that both can be read later."
                ),
            ),
            (Phrase("good record keeping, as in OECD GLP no. 1, 8.3 (from memory)"), OURS),
        ),
        "reading-a-list": Explained(
            Phrase("How are dates and numbers of a list read?"),
            (
                Phrase(
                    "As the whole column shows: where one date can only be day before month, all are. "
                    "Where both ways are possible you are asked, and nothing is guessed silently. The "
                    "same with a decimal comma. A row that cannot be read stays out and says why; what "
                    "was entered can be taken back as a whole."
                ),
            ),
            (Phrase("days written year-month-day are always clear: ISO 8601"), OURS),
        ),
    }
)
