"""The demo lab: a science club that measures fat in biscuits and separates leaf pigments.

Fourteen months of invented history, written through the same services as real use, so that it balances.
Every date hangs on the day it is made, so what is overdue in the story is overdue on the screen.
"""

from __future__ import annotations

import random
import secrets
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.contrib.auth.hashers import make_password
from django.db import transaction

from deploy.demo_runs import Bench, place_in
from inventory.models import Container, Lab, Solvent, User
from inventory.services import containers, labs, safety, volumes
from inventory.services.containers import ContainerFacts, LotFacts
from inventory.services.opening import mark_opened
from recovery.models import Run
from recovery.services import runs
from recovery.services.gate import Signature
from recovery.services.heel import is_former
from recovery.services.importing import import_runs
from recovery.services.runs import Loss

SLUG = "crumb-and-leaf"
LOGIN = "steward"
ZONE = ZoneInfo("Europe/Dublin")
DAYS = 426  # fourteen months
PAPER_WEEKS = 51  # until then the club kept its log on paper
PAPER_HEAD = "Date;Who;What for;Solvent;From bottle;Out;Back;Back into;Remarks"
HOLIDAYS = 0.25  # share of weeks without a club
ML = 1000
# Days after which the story's ether shows something on the strip: bought with inhibitor, or distilled here.
SHOWS_AFTER_DAYS = {"purchased": 240, "recovered": 100, "blend": 100}
WEEK_WITHOUT_STRIPS = 52


@dataclass(frozen=True)
class Work:
    """A kind of run: what it uses, how much, and what share is lost to where."""

    purpose: str
    solvent: str
    volume_ml: tuple[int, int]
    loss: float
    to: str | None


# A fifth stays in the still as the heel, and a little goes elsewhere.
STILL_1 = Work("fat in biscuits, still 1", "diethyl-ether", (150, 220), 0.25, "still-residue")
STILL_2 = Work("fat in biscuits, still 2", "diethyl-ether", (150, 220), 0.26, "still-residue")
LEAVES = Work("leaf pigments", "petroleum-ether-40-60", (60, 120), 0.21, "water-layer")
PLATES = Work("thin-layer plates", "acetone", (40, 80), 0.34, None)
PEOPLE = {
    "supervisor": ("supervisor", "Orla Byrne"),
    LOGIN: ("steward", "Femi Adeyemi"),
    "member1": ("member", "Noor Haddad"),
    "member2": ("member", "Jakub Zelenka"),
    "inspector": ("auditor", "Visiting inspector"),
}


def password_for_demo() -> str:
    """The one password of the demo people, made at the first start and kept in the home folder."""
    path = settings.STILLKEEP_HOME / "demo-password"
    if not path.exists():
        path.touch(mode=0o600)
        path.write_text("-".join(secrets.token_hex(2) for _ in range(3)), encoding="ascii")
    return path.read_text(encoding="ascii").strip()


def millilitres(volume_ul: int) -> dict[str, str]:
    """An amount exactly as large, as a person would enter it."""
    return {"value": str(Decimal(volume_ul) / ML), "unit": "mL"}


def demo_lab(*, now: datetime) -> Lab:
    """The demo lab, made at the first call and found again later."""
    lab = Lab.objects.select_related("policy").filter(slug=SLUG).first()
    if lab is not None:
        return lab
    with transaction.atomic():
        return Story(now).tell()


@dataclass
class Story:
    """Makes the lab and plays its history forward, one club afternoon after another."""

    now: datetime
    dice: random.Random = field(default_factory=lambda: random.Random(20))  # noqa: S311
    people: dict[str, User] = field(default_factory=dict)
    stock: dict[str, list[Container]] = field(default_factory=dict)
    spare: dict[str, list[Container]] = field(default_factory=dict)
    old: dict[str, Container] = field(default_factory=dict)
    bottles: int = 0
    without_strips: bool = False

    def tell(self) -> Lab:
        first = self.now.astimezone(ZONE).date() - timedelta(days=DAYS)
        began = first + timedelta(days=7 * PAPER_WEEKS)
        self.make_lab(self.at(first))
        self.bench.set_up(self.at(began))
        self.fill_shelves(first, began)
        self.paper_log(first, began)
        for week in range(PAPER_WEEKS, DAYS // 7):
            self.week(week, first + timedelta(days=7 * week))
        self.last_days()
        self.bench.check(self.spare["acetone"], self.now)
        return self.lab

    def paper_log(self, first: date, began: date) -> None:
        """Runs were kept on paper until the bottles were counted; the old ones are then disposed of."""
        rows = [row for week in range(PAPER_WEEKS) for row in self.paper_week(week, first)]
        import_runs(
            lab=self.lab,
            actor=self.steward,
            now=self.at(began, 18),
            data="\n".join([PAPER_HEAD, *rows]).encode(),
            filename="run-log-on-paper.csv",
            write=True,
        )
        for bottle in self.old.values():
            gone: dict[str, Any] = {"container": bottle, "note": "old, for the licensed contractor"}
            volumes.discard(lab=self.lab, actor=self.steward, now=self.at(began, 19), **gone)

    def paper_week(self, week: int, first: date) -> Iterator[str]:
        """The lines of one week in the old log."""
        if self.dice.random() < HOLIDAYS:
            return
        for index, work in enumerate(self.works(week)):
            day = first + timedelta(days=7 * week + 1 + 2 * index)
            out_ml = self.dice.randrange(work.volume_ml[0], work.volume_ml[1], 10)
            back_ml = int(out_ml * (1 - self.lost(work, week)))
            who, bottle = self.dice.choice(["NH", "JZ"]), self.old[work.solvent].code
            yield f"{day.isoformat()};{who};{work.purpose};{work.solvent};{bottle};{out_ml} mL;{back_ml} mL;;"

    def at(self, day: date, hour: int = 15, minute: int = 0) -> datetime:
        """A moment of the story; never later than now."""
        return min(datetime.combine(day, time(hour, minute), ZONE), self.now)

    def ago(self, days: int) -> date:
        return self.now.astimezone(ZONE).date() - timedelta(days=days)

    def make_lab(self, start: datetime) -> None:
        # One password for all: hashing it once saves the visitor a second.
        password = make_password(password_for_demo())
        for username, (_, name) in PEOPLE.items():
            self.people[username] = User.objects.create(username=username, password=password, first_name=name)
        head = self.people["supervisor"]
        self.lab = labs.lab_create(
            actor=head,
            now=start,
            name="Crumb and Leaf Science Club",
            slug=SLUG,
            time_zone=ZONE.key,
            emergency_text="Leave the room, warn the others, ring the caretaker (12), then 112.",
            contact="Orla Byrne, room 2.14",
        )
        for username, (role, _) in PEOPLE.items():
            if username != "supervisor":
                labs.member_add(lab=self.lab, actor=head, now=start, user=self.people[username], role=role)
        self.steward = self.people[LOGIN]
        self.bench = Bench(self.lab, self.steward)

    def receive(self, day: date, key: str, size_ml: int, place: str, **facts: Any) -> Container:
        """A bottle comes in, full and sealed unless said otherwise."""
        self.bottles += 1
        lot = {"origin": "purchased", "inhibited": None, **facts.pop("lot", {})}
        known: dict[str, Any] = {"received_on": day, "opened": "unopened", **facts}
        left_ml = known.pop("left_ml", size_ml)
        when = self.at(day, 14)
        return containers.receive(
            lab=self.lab,
            actor=self.steward,
            now=when,
            solvent=Solvent.objects.get(lab=None, key=key),
            amount={"value": str(left_ml), "unit": "mL", "instrument": "supplier-label"},
            facts=ContainerFacts(
                code=f"CL{self.bottles:02}",
                capacity_ul=size_ml * ML * 11 // 10,
                material="amber glass",
                location=place_in(self.lab, place),
                **known,
            ),
            lot=LotFacts(**lot),
        ).container

    def fill_shelves(self, first: date, began: date) -> None:
        """What is counted: old bottles nearly empty, fresh ones, and some that nobody loves."""
        inhibited = {"lot": {"inhibited": True, "inhibitor": "BHT", "inhibitor_ppm": 7}}
        vented = "Vented cabinet"
        for key, size_ml in (("diethyl-ether", 1000), ("petroleum-ether-40-60", 1000), ("acetone", 1000)):
            extra: dict[str, Any] = inhibited if key == "diethyl-ether" else {}
            used = {"left_ml": 40, "received_on": first, "opened": "opened", "opened_on": first}
            self.old[key] = self.receive(began, key, size_ml, vented, **used, **extra)
            self.stock[key] = [self.receive(began, key, size_ml, vented, **extra)]
            self.spare[key] = [self.empty_bottle(began, key, n) for n in (1, 2, 3)]
        self.receive(
            first,
            "diisopropyl-ether",
            500,
            "Spark-free fridge",
            left_ml=380,
            opened="opened",
            opened_on=first,
            lot={"inhibited": True},
        )
        self.receive(first, "tetrahydrofuran", 250, vented, left_ml=140, opened="unknown", received_on=None)
        self.receive(first, "2-methyltetrahydrofuran", 250, vented)
        self.receive(first, "ethyl-acetate", 1000, vented, left_ml=620, opened="opened", opened_on=first)

    def empty_bottle(self, day: date, key: str, number: int) -> Container:
        short = {"diethyl-ether": "E", "petroleum-ether-40-60": "P", "acetone": "A"}[key]
        return containers.container_add(
            lab=self.lab,
            actor=self.steward,
            now=self.at(day, 14),
            facts=ContainerFacts(
                code=f"R{short}{number}",
                capacity_ul=500 * ML,
                material="amber glass",
                location=place_in(self.lab, "Vented cabinet"),
                note="for distilled solvent only",
            ),
        )

    def week(self, number: int, monday: date) -> None:
        """A club week: fat in biscuits, leaves and plates in turn, a test and a count now and then."""
        if self.dice.random() < HOLIDAYS and number != WEEK_WITHOUT_STRIPS:
            return
        self.without_strips = number == WEEK_WITHOUT_STRIPS
        for index, work in enumerate(self.works(number)):
            day = monday + timedelta(days=1 + 2 * index)
            if day < self.ago(9):
                self.run(work, day, number)
        if number % 10 == 9:
            self.test_everything(monday + timedelta(days=4))
        if number % 13 == 12:
            self.count_something(monday + timedelta(days=4))

    def works(self, week: int) -> list[Work]:
        """Fat in biscuits on one still or the other, and leaves or plates."""
        return [STILL_1 if week % 2 else STILL_2, LEAVES if week % 3 else PLATES]

    def lost(self, work: Work, week: int) -> float:
        """What share of a charge does not come back."""
        return max(0.05, self.dice.gauss(self.loss_of(work, week), 0.025))

    def fullest(self, key: str, day: date) -> Container:
        """The fullest bottle bought that is fit to distil; a new one is bought when all run low."""
        for bottle in self.stock[key]:
            bottle.refresh_from_db()
        for bottle in sorted(self.stock[key], key=lambda bottle: -bottle.volume_ul):
            if bottle.volume_ul >= 250 * ML and self.fit(bottle, day):
                return bottle
        lot = {"inhibited": True, "inhibitor": "BHT"} if key == "diethyl-ether" else {}
        bought = self.receive(day, key, 1000, "Vented cabinet", lot=lot)
        self.stock[key] = [*[b for b in self.stock[key] if b.volume_ul], bought]
        self.fit(bought, day)
        return bought

    def fit(self, bottle: Container, day: date) -> bool:
        """Whether a bottle may be distilled from: ether is tested beforehand, and one that shows is left."""
        if bottle.lot is None or not is_former(bottle.lot.solvent):
            return True
        reading = self.shows(bottle, day)
        if not self.without_strips:
            self.test(bottle, reading, day, hour=14)
        return reading == "neg"

    def shows(self, bottle: Container, day: date) -> str:
        """What a strip shows: nothing for long, then more with age."""
        assert bottle.lot is not None
        since = bottle.lot.made_on or bottle.opened_on or day
        over = (day - since).days - SHOWS_AFTER_DAYS[bottle.lot.origin]
        return "neg" if over < 0 else "0.5" if over < 60 else "2" if over < 120 else "5"

    def run(self, work: Work, day: date, week: int) -> Run:
        """Charge recovered solvent first, then fresh; distil back into an empty bottle; close."""
        when = self.at(day)
        actor = self.people[self.dice.choice(["member1", "member2"])]
        said = {"purpose": work.purpose, **self.bench.told(work.purpose)}
        run = runs.run_start(lab=self.lab, actor=actor, now=when, **said)
        charged_ul = self.charge(run, actor, work, when)
        later = when + timedelta(hours=2)
        back_ml = int(charged_ul * (1 - self.lost(work, week))) // ML
        empty = [b for b in self.spare[work.solvent] if b.volume_ul == 0]
        if empty:
            amount = {"value": str(back_ml), "unit": "mL", "instrument": "cylinder-b-250"}
            runs.give_back(lab=self.lab, actor=actor, now=later, run=run, container=empty[0], amount=amount)
        named = self.named(run, work, charged_ul - (back_ml * ML if empty else 0))
        self.bench.facts(run, actor, later)
        runs.run_close(lab=self.lab, actor=actor, now=later, run=run, losses=named)
        return run

    def named(self, run: Run, work: Work, left_ul: int) -> list[Loss]:
        """What the log says of the rest: the heel was left in the still, or the water took some."""
        if work.to is None:
            return []
        run.refresh_from_db()
        named_ul = min(max(run.heel_ul, self.dice.randint(4, 7) * ML), left_ul)
        return [Loss(work.to, millilitres(named_ul))]

    def loss_of(self, work: Work, week: int) -> float:
        """Still 2 has leaked since the last third of the story."""
        leaking = work is STILL_2 and week > DAYS // 7 * 2 // 3
        return work.loss + (0.17 if leaking else 0.0)

    def charge(self, run: Run, actor: User, work: Work, when: datetime) -> int:
        wanted_ul = self.dice.randrange(work.volume_ml[0], work.volume_ml[1], 10) * ML
        taken_ul, day = 0, when.astimezone(ZONE).date()
        for bottle in self.spare[work.solvent]:
            bottle.refresh_from_db()
            if bottle.volume_ul and taken_ul < wanted_ul and self.fit(bottle, day):
                self.take(run, actor, bottle, bottle.volume_ul, when)
                taken_ul += bottle.volume_ul
        for bottle in self.spare[work.solvent]:
            bottle.refresh_from_db()
        if taken_ul < wanted_ul:
            fresh = self.fullest(work.solvent, day)
            self.take(run, actor, fresh, wanted_ul - taken_ul, when)
        return max(taken_ul, wanted_ul)

    def take(self, run: Run, actor: User, bottle: Container, volume_ul: int, when: datetime) -> None:
        """Charge a run; in the week without strips the supervisor signs for it, and that stays to be seen."""
        amount = {**millilitres(volume_ul), "instrument": "cylinder-b-250"}
        common: dict[str, Any] = {"lab": self.lab, "now": when, "run": run, "container": bottle}
        if not self.without_strips:
            runs.charge(**common, actor=actor, amount=amount)
            return
        signed = Signature("strips had run out; tested last week, shield and heel kept", allowed=True)
        runs.charge(**common, actor=self.people["supervisor"], amount=amount, signature=signed)

    def test_everything(self, day: date) -> None:
        """The steward tests the ethers on the shelf; the bottle at the back of the fridge is forgotten."""
        for bottle in [*self.stock["diethyl-ether"], *self.spare["diethyl-ether"]]:
            bottle.refresh_from_db()
            if bottle.volume_ul and day <= self.ago(30):
                self.test(bottle, self.shows(bottle, day), day)

    def test(self, bottle: Container, reading: str, day: date, hour: int = 16) -> None:
        safety.test_record(
            lab=self.lab,
            actor=self.steward,
            now=self.at(day, hour),
            container=bottle,
            reading=reading,
            method="strip-25",
            tested_on=day,
        )

    def count_something(self, day: date) -> None:
        for bottle in self.stock["acetone"][:1]:
            bottle.refresh_from_db()
            found_ul = max(bottle.volume_ul - self.dice.randint(2, 9) * ML, 0)
            amount = {**millilitres(found_ul), "instrument": "bottle-mark"}
            volumes.count(
                lab=self.lab, actor=self.steward, now=self.at(day, 17), container=bottle, amount=amount
            )

    def last_days(self) -> None:
        """What the visitor finds: a bad test, crystals, an open run, and tests long overdue."""
        old = self.receive(self.ago(400), "tetrahydrofuran", 500, "Vented cabinet", left_ml=210)
        opened_on = self.ago(330)
        mark_opened(container=old, actor=self.steward, now=self.at(opened_on), opened_on=opened_on)
        self.test(old, "30", self.ago(12))
        odd = self.receive(self.ago(300), "1-4-dioxane", 250, "Spark-free fridge", left_ml=90)
        safety.observe(
            lab=self.lab,
            actor=self.people["member1"],
            now=self.at(self.ago(3), 15),
            container=odd,
            sign="crystals",
            words="white rim under the cap, not touched",
        )
        actor, when = self.people["member2"], self.at(self.ago(2))
        run = runs.run_start(
            lab=self.lab,
            actor=actor,
            now=when,
            purpose=STILL_2.purpose,
            remarks="smell at the joint of still 2",
            **self.bench.told(STILL_2.purpose),
        )
        self.take(run, actor, self.fullest("diethyl-ether", self.ago(2)), 180 * ML, when)
