"""Names and sources in the shipped policies, kept as data: here they are found by whoever translates.

A text missing here is shown as it stands; a test holds this list to the files. A name of an institution or of
a page stays as it is, and so does what a lab writes in a policy of its own.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from inventory.rules.phrases import Phrase

__all__ = ["POLICY_TEXTS", "policy_words"]

POLICY_TEXTS: Mapping[str, Phrase] = MappingProxyType(
    {
        str(words): words
        for words in (
            Phrase("As class A opened: no table has its own row for distilled material"),
            Phrase("As class B uninhibited: no table has its own row for distilled material"),
            Phrase("As class B: our choice (Cornell 12 months is looser, Princeton tests before use)"),
            Phrase("As class C uninhibited: no table has its own row for distilled material"),
            Phrase("As class D uninhibited: no table has its own row for distilled material"),
            Phrase("Cautious default"),
            Phrase("Cornell EHS App. J and Princeton EHS: class A opened, 3 months"),
            Phrase("Cornell EHS App. J and Princeton EHS: class C uninhibited, 24 hours"),
            Phrase("Cornell EHS App. J and Princeton EHS: class C uninhibited, 24 hours, opened or not"),
            Phrase("Cornell EHS App. J: class A, 3 months"),
            Phrase("Cornell EHS App. J: class B, 12 months"),
            Phrase("Cornell EHS App. J: class C inhibited, 12 months, not under inert gas"),
            Phrase("Cornell EHS App. J: class C uninhibited, 24 hours"),
            Phrase("Cornell EHS App. J: class C uninhibited, 24 hours, taken as opened or not"),
            Phrase("Cornell EHS App. J: class D, 12 months"),
            Phrase("Cornell EHS App. J: unopened, 18 months or label expiry"),
            Phrase(
                "Cornell EHS, Chemical Hygiene Plan App. J, https://ehs.cornell.edu/book/export/html/1481"
            ),
            Phrase("Cornell EHS, Chemical Hygiene Plan, Appendix J"),
            Phrase("Cornell waste manual 7.16: discoloration, do not open or move"),
            Phrase("Cornell waste manual 7.16: odd viscosity, discoloration, crystals: do not open or move"),
            Phrase("Iowa State EHS pec/9: any detected, treat before distilling"),
            Phrase("Iowa State EHS, Virginia Tech, Tufts: 6 months opened (Cornell, Princeton: 12)"),
            Phrase("Iowa State EHS, Virginia Tech: 6 months opened (Cornell, Princeton: 12)"),
            Phrase(
                "Iowa State EHS, publications.ehs.iastate.edu/pec/8 and pec/9, "
                "ehs.iastate.edu/peroxide-formation"
            ),
            Phrase(
                "Iowa State EHS: 100 ppm and above, dispose; below 100 ppm an over-age bottle may be kept "
                "in use"
            ),
            Phrase("Iowa State EHS: 6 months after opening for all classes"),
            Phrase("Iowa State EHS: 6 months after opening for all; class D taken as the others"),
            Phrase("Iowa State EHS: test at expiry, then every 6 months"),
            Phrase("Iowa State EHS: unknown age, never open, never test"),
            Phrase("Iowa State EHS: unknown origin, never open, never test"),
            Phrase("Michigan State EHS (action levels)"),
            Phrase("Michigan State EHS: above 100 ppm leave in place, call"),
            Phrase(
                "Michigan State EHS: above 100 ppm leave in place, call; exactly 100 with the worse band, "
                "as Iowa State EHS does"
            ),
            Phrase(
                "Michigan State EHS: below 25 ppm usable, 25 to 100 ppm hazardous-waste pickup, do not use "
                "further"
            ),
            Phrase(
                "Michigan State EHS: below 25 ppm usable; 25 to 100 ppm hazardous-waste pickup, do not use "
                "further"
            ),
            Phrase("Michigan State EHS: class A past expiry, do not open, call"),
            Phrase("Michigan State EHS: crystals, solids, cloudiness: do not open, call"),
            Phrase("Michigan State EHS: metal screw cap or glass stopper: do not open, call"),
            Phrase("Michigan State EHS; intervals from the cautious default"),
            Phrase("Our choice below Cornell and Princeton (18 months unopened)"),
            Phrase(
                "Our choice below Cornell and Princeton (18 months unopened); USC EHS is stricter for "
                "unstabilised class A (6)"
            ),
            Phrase(
                "Our choice, not published: no seen source gives an age. Uninhibited material may need "
                "only 3 days (Iowa State EHS)"
            ),
            Phrase("Our choice: rusted and undated is left alone (Virginia Tech has it disposed of)"),
            Phrase(
                "Our own choice within most published university tables, not itself published; class B and "
                "C rows are stricter than Cornell and Princeton"
            ),
            Phrase("Princeton EHS: above 100 ppm, dispose"),
            Phrase("Princeton EHS: class A, 3 months"),
            Phrase("Princeton EHS: class B inhibited, 12 months"),
            Phrase("Princeton EHS: class B opened, uninhibited, 3 months"),
            Phrase("Princeton EHS: class B uninhibited, 3 months"),
            Phrase("Princeton EHS: class C inhibited, 12 months, not under inert gas"),
            Phrase("Princeton EHS: class C uninhibited, 24 hours"),
            Phrase("Princeton EHS: class C uninhibited, 24 hours, taken as opened or not"),
            Phrase("Princeton EHS: class D, test before use"),
            Phrase("Princeton EHS: unknown age, never open, never test"),
            Phrase("Princeton EHS: unknown origin, never open, never test"),
            Phrase("Princeton EHS: unopened, 18 months"),
            Phrase(
                "The larger published figure: UC campuses 20 % (from memory); Virginia Tech at least 10 %"
            ),
            Phrase("UCLA EHS: more than 2 years past expiry, do not handle"),
            Phrase("USC EHS 2021, peroxide formers"),
            Phrase("USC EHS 2021: class A opened, 3 months, then dispose"),
            Phrase("USC EHS 2021: class A unopened, stabilised, expiry or 24 months"),
            Phrase("USC EHS 2021: class A unopened, unstabilised, 6 months"),
            Phrase("USC EHS 2021: class B opened, stabilised, 12 months or expiry"),
            Phrase("USC EHS 2021: class B opened, unstabilised, in air, 6 months"),
            Phrase(
                "USC EHS 2021: class B opened, unstabilised, under nitrogen in a septum bottle, 12 months "
                "or expiry"
            ),
            Phrase("USC EHS 2021: class B stabilised, after a passed test, 12 months"),
            Phrase("USC EHS 2021: class B unopened, stabilised, expiry or 24 months"),
            Phrase("USC EHS 2021: class B unopened, unstabilised, expiry or 12 months"),
            Phrase("USC EHS 2021: class B unstabilised, after a passed test, 6 months in air"),
            Phrase(
                "USC EHS 2021: class C inhibited, 12 months from purchase or expiry; taken as the end of "
                "its use, because only class B is seen to start anew, and for uninhibited class C too"
            ),
            Phrase(
                "USC EHS 2021: class C inhibited, 12 months; for what was never purchased from opening or "
                "making, our reading"
            ),
            Phrase("USC EHS 2021: class C uninhibited, 24 hours, taken as opened or not"),
            Phrase("USC EHS 2021: class C uninhibited, a few mL, 24 hours"),
            Phrase("USC EHS 2021: class C, 12 months from purchase; Cornell and Princeton 18"),
            Phrase("USC EHS 2021: unstabilised class B unopened, 12 months; Cornell and Princeton 18"),
            Phrase(
                "Uninhibited class C is not distilled: laboratory quick guide on peroxide formers (scribd "
                "681784123)"
            ),
            Phrase("Virginia Tech, peroxide formers"),
            Phrase("Virginia Tech: 6 months after opening"),
            Phrase("Virginia Tech: leave at least 10 % of the starting volume"),
            Phrase("Virginia Tech: oily viscous layer or precipitate, do not use; not touched by our floor"),
            Phrase("Virginia Tech: rusted, undated, dispose"),
            Phrase("Virginia Tech: unopened, up to 24 months if inhibited"),
            Phrase("class C uninhibited, 24 hours, opened or not"),
            Phrase("class D opened, inhibited, 6 months"),
            Phrase("class D opened, uninhibited, 3 months"),
            Phrase("class D unopened, 12 months"),
            Phrase("unopened 12 months"),
            Phrase("unopened 12 months (Iowa State: the maker's expiry alone)"),
            Phrase("unopened, uninhibited, 12 months"),
        )
    }
)
_TAKEN = re.compile(r"Taken from the cautious default, because (?P<whose>.+?) publishes none: (?P<source>.+)")


def policy_words(text: str) -> str:
    """The same text, as a phrase where it is that of a shipped policy."""
    taken = _TAKEN.fullmatch(text)
    if taken is None:
        return POLICY_TEXTS.get(text, text)
    return Phrase(
        "Taken from the cautious default, because {whose} publishes none: {source}",
        whose=taken["whose"],
        source=POLICY_TEXTS.get(taken["source"], taken["source"]),
    )
