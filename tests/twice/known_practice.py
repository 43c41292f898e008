"""A practice made from what became of its teeth: files to read, and beside them the tables that must come of them.

A tooth is drawn as a story: when its crown was seated, how and when its root canal was done, how it ended. The story is
written as the rows that a practice would post of it (in the ways that the linking rules know, with noise that must
change nothing), and once more, by its own meaning, as the rows of `crowns` and `patients` that R computes its figures
from. So nothing that the program reads, links or stores stands between the two.
"""

from __future__ import annotations

import datetime as dt
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field

CUTOFF = dt.date(2024, 12, 31)
PATIENTS, SEED = 230, 51
TEETH = (11, 21, 13, 23, 14, 15, 24, 25, 34, 35, 44, 45, 16, 26, 36, 46, 17, 27, 37, 47)
GROUPS = {1: "anterior", 2: "anterior", 3: "anterior", 4: "premolar", 5: "premolar", 6: "molar", 7: "molar"}
CROWNS = (("D2750", "metal_ceramic"), ("D2790", "metal"), ("D2740", ""), ("D2751", "glass_ceramic"))
ROOT_CANAL = {"anterior": "D3310", "premolar": "D3320", "molar": "D3330"}
FIELDS = (
    "crown_id",
    "patient_id",
    "tooth_fdi",
    "tooth_group",
    "provider_id",
    "crown_kind",
    "done_elsewhere",
    "material",
)
FIELDS += ("seat_date", "endo_timing", "access_date", "entry_date", "exit_date", "failure", "failure_cause")
HAZARD = {"before_seat": 8e-5, "vital": 6e-5, "through_crown": 2.6e-4}  # of failure, a day
# How a crown ends: code of the row (none: told by others), what must be told of it.
ENDS = (
    ("D7140", "extracted"),
    ("OFF01", "removed"),  # the practice's own code
    ("D6750", "replaced"),
    ("D2799", "replaced"),
    ("D2750", "replaced"),
    (None, "extracted"),
)
UNKNOWN = ""
BEFORE = ("same day", "earlier", "two visits", "post", "others, charted", "others, told", "old and post", "pulp status")
OPENED = ("root canal", "opened first", "others, charted", "others, told", "pulpotomy", "closed by a filling")


@dataclass
class Person:
    """A patient: `end` is the last day that must be followed."""

    id: str
    first: dt.date
    end: dt.date
    about: dict[str, str]
    seen: set[dt.date] = field(default_factory=set)


@dataclass
class Files:
    """The rows as a practice has them, and the crowns that must come of them."""

    ledger: list[dict[str, object]] = field(default_factory=list)
    elsewhere: list[dict[str, object]] = field(default_factory=list)
    details: list[dict[str, object]] = field(default_factory=list)
    patients: list[dict[str, str]] = field(default_factory=list)
    crowns: list[dict[str, object]] = field(default_factory=list)
    of_others: set[tuple[dt.date, str]] = field(default_factory=set)  # days of what others did, and of whom

    def post(
        self, who: Person, day: dt.date, code: str, tooth: int | None = None, *, by: str = "H1", **more: object
    ) -> None:
        """One row of the ledger; `status` and `fee` are as the practice writes them."""
        row: dict[str, object] = {"Ref": len(self.ledger) + 1, "Patient": who.id, "Day": written(day)}
        told = {"Procedure": code, "Tooth": universal(tooth), "By": by, "State": "C", "Cause": ""}
        told |= {"Charge": 100 + 7 * (len(self.ledger) % 90), **more}
        self.ledger.append({**row, **told})
        if told["State"] == "C":
            who.seen.add(day)
        elif told["State"] == "EO" and "Day" not in more:
            self.of_others.add((day, who.id))


def written(day: dt.date | None) -> str:
    """As the practice writes a day."""
    return "" if day is None else day.strftime("%d/%m/%Y")


def universal(fdi: int | None) -> int | str:
    """The number of a tooth counted from 1, upper right, to 32, lower right; nothing for none."""
    if fdi is None:
        return ""
    quadrant, place = divmod(fdi, 10)
    return {1: 9 - place, 2: 8 + place, 3: 25 - place, 4: 24 + place}[quadrant]


def after(day: dt.date, days: int) -> dt.date:
    """So many days later."""
    return day + dt.timedelta(days)


def draw() -> Files:
    """The same practice each time: of the generator only `random` is taken, which no version changes."""
    chance, files = random.Random(SEED).random, Files()

    def pick(n: int) -> int:
        return int(n * chance())

    for n in range(PATIENTS):
        _patient(files, n, pick, chance)
    files.post(Person("K999", CUTOFF, CUTOFF, {}), CUTOFF, "D0120")
    return files


def _patient(files: Files, n: int, pick: Callable[[int], int], chance: Callable[[], float]) -> None:
    first = after(dt.date(2003, 1, 6), pick(5500))
    end = min(after(first, 900 + pick(4600)), CUTOFF)
    born = after(first, -7300 - pick(20000))
    how_old = pick(20)
    about = {
        "Sex": ("F", "M", "F", "M", "M", "")[pick(6)],
        "Born": written(born) if how_old > 4 else "",
        "Year": str(born.year) if 0 < how_old <= 4 else "",
        **{name: ("N", "N", "Y", "")[pick(4)] for name in ("Smoker", "Diabetes", "Grinder")},
        "Last": "",
        "Died": "",
    }
    who = Person(f"K{n:03}", first, end, about)
    files.post(who, first, "D0140")
    for tooth in sorted({TEETH[pick(len(TEETH))] for _ in range(1 + pick(4))}):
        _tooth(files, who, tooth, pick, chance)
    # How the last day is known: a row of it, a note of it, or the day of death with a note of a later day.
    way = pick(4)
    if way == 0 or end == CUTOFF:
        files.post(who, end, "D0120")
    elif way == 1:
        about |= {"Died": written(end), "Last": written(after(end, 9))}
    else:
        about["Last"] = written(end)
    files.patients.append({"Patient": who.id, **about})
    assert not {day for day, id in files.of_others if id == who.id} & who.seen  # else they mean "on or before"


def _tooth(files: Files, who: Person, tooth: int, pick: Callable[[int], int], chance: Callable[[], float]) -> None:
    seat = after(who.first, 700 + pick(500))
    room = (who.end - seat).days
    if room < 0:
        return
    timing = ("before_seat", "through_crown", "vital", "before_seat", "through_crown", "vital", "vital")[pick(7)]
    if timing == "through_crown" and room == 0:
        timing = "vital"
    opened = 30 + 10 * pick(240) if timing == "through_crown" else None
    if opened is not None and (opened > room or pick(12) == 0):
        opened = room  # opened on the last day followed: it stays what it was
    # Days are whole weeks, so that many fail on one day; some on the last day of the five years, or beside it.
    failed = (opened or 0) + 7 * (1 + int(-math.log(1 - chance()) / HAZARD[timing] / 7))
    if abs(failed - 1826) < 60 and (opened or 0) < 1700:
        failed = 1825 + pick(3)
    if timing == "vital" and pick(25) == 0:
        timing = UNKNOWN  # others did a root canal, nobody knows when
    by = ("H1", "H2", "H1", "H2", "H1", "H3", "")[pick(7)]
    how = ENDS[pick(len(ENDS))]
    story = Story(who, tooth, by, seat, timing, opened, failed if failed <= room else None, how, pick)
    if how[0] == "D2750" and (failed < 80 or timing == UNKNOWN or story.way in ("post", "pulp status")):
        story.how = ("OFF01", "removed")  # a row so soon is of the same crown, and of a new one no sign would remain
    story.write(files)


@dataclass
class Story:
    """What became of a crown; days count from its seat."""

    who: Person
    tooth: int
    by: str
    seat: dt.date
    timing: str
    opened: int | None
    failed: int | None
    how: tuple[str | None, str]
    pick: Callable[[int], int]

    def write(self, files: Files) -> None:
        """Its rows, and the crowns that must come of them."""
        pick, group = self.pick, GROUPS[self.tooth % 10]
        self._before(files)
        code, material = CROWNS[pick(len(CROWNS))]
        if material == "" and pick(3):
            material = ("zirconia", "glass_ceramic")[pick(2)]
        recorded = 10 if pick(8) == 0 else 0  # posted before the seat, which the details tell
        pulp = "root_filled" if self.timing == "before_seat" and self.way == "pulp status" else ""
        self._post(files, -recorded, code, Charge=900)
        told = {"Seated": written(self.seat) if recorded else "", "Material": material, "Pulp": pulp}
        if any(told.values()):
            prepared = after(self.seat, -recorded - 14)
            tooth = {"Patient": self.who.id, "Tooth": universal(self.tooth)}
            files.details.append({**tooth, "Prepared": written(prepared), **told})
        self._opening(files, group)
        self._nothing(files)
        self._end(files)
        end = self.who.end if self.failed is None else after(self.seat, self.failed)
        crown = {
            "patient_id": self.who.id,
            "tooth_fdi": self.tooth,
            "tooth_group": group,
            "provider_id": self.by,
            "crown_kind": "single",
            "done_elsewhere": "false",
            "material": material,
            "seat_date": self.seat,
            "endo_timing": self.timing,
            "access_date": "" if self.opened is None else after(self.seat, self.opened),
            "entry_date": self.seat,
            "exit_date": end,
            "failure": "false" if self.failed is None else "true",
            "failure_cause": "" if self.failed is None else self.how[1],
        }
        files.crowns.append({"crown_id": len(files.crowns), **crown})
        if self.failed is not None and self.how[0] == "D2750":  # a new crown of the same tooth
            again = {"seat_date": end, "entry_date": end, "exit_date": self.who.end, "material": "metal_ceramic"}
            again |= {"failure": "false", "failure_cause": "", "access_date": ""}
            # A pulp of which only the crown part was removed is alive, and its treatment no root canal.
            alive = self.timing == "vital" or self.opened_by == "pulpotomy"
            again["endo_timing"] = "vital" if alive else "before_seat"
            files.crowns.append({"crown_id": len(files.crowns), **crown, **again})

    @property
    def way(self) -> str:
        """How the root canal before the seat is told."""
        return BEFORE[(self.tooth + self.seat.toordinal()) % len(BEFORE)]

    @property
    def opened_by(self) -> str:
        """What opened the crown."""
        return "" if self.opened is None else OPENED[(self.tooth + self.opened // 10) % len(OPENED)]

    def _post(self, files: Files, days: int, code: str, **more: object) -> None:
        files.post(self.who, after(self.seat, days), code, self.tooth, by=self.by, **more)

    def _told_by_others(self, files: Files, days: int, event: str) -> None:
        """In the table of what others did, on a day on which the patient was not seen here."""
        day = after(self.seat, days)
        files.of_others.add((day, self.who.id))
        row = {"Patient": self.who.id, "Tooth": universal(self.tooth), "Event": event, "Day": written(day)}
        files.elsewhere.append(row)

    def _before(self, files: Files) -> None:
        filled = ROOT_CANAL[GROUPS[self.tooth % 10]]
        if self.timing == UNKNOWN:
            self._post(files, 3, filled, State="EO", Day="")
        if self.timing != "before_seat":
            return
        if self.way == "same day":
            self._post(files, 0, filled)
        elif self.way == "earlier":
            self._post(files, -20 - self.pick(150), filled)
        elif self.way == "two visits":
            self._post(files, -90, filled)
            self._post(files, -50, filled)
        elif self.way == "post":
            self._post(files, -30, "D2954")
        elif self.way == "others, charted":
            self._post(files, -601, filled, State="EO")
        elif self.way == "others, told":
            self._told_by_others(files, -402, "root canal")
        elif self.way == "old and post":
            self._post(files, -500, filled)
            self._post(files, -40, "D2954")

    def _opening(self, files: Files, group: str) -> None:
        if self.opened is None:
            return
        way, day, filled = self.opened_by, self.opened, ROOT_CANAL[group]
        last = (self.who.end - self.seat).days if self.failed is None else self.failed
        if way.startswith("others") and day < last and after(self.seat, day) not in self.who.seen:
            if way == "others, told":
                self._told_by_others(files, day, "root canal")
            else:
                self._post(files, day, filled, State="EO")
        elif way == "opened first" and day + 20 < last:
            self._post(files, day, "D3221")
            self._post(files, day + 20, filled)
        elif way == "pulpotomy":
            self._post(files, day, "D3220")
        elif way == "closed by a filling" and day + 20 < last:
            self._post(files, day, filled)
            self._post(files, day + 15, "D2140")
        else:
            self._post(files, day, filled)

    def _nothing(self, files: Files) -> None:
        """What changes no figure: a loose crown put back, work planned, cancelled or taken back by its fee."""
        last = (self.who.end - self.seat).days if self.failed is None else self.failed
        kind = self.pick(6)
        if kind == 0 and last > 40:
            self._post(files, 33, "D2920")
        elif kind == 1:
            self._post(files, 5, "D7140", State="TP")
        elif kind == 2:
            self._post(files, 12, "D7140", State="X")
        elif kind == 3 and last > 80:
            self._post(files, 20, "D7140", Charge=187)
            self._post(files, 65, "D7140", Charge=-187)

    def _end(self, files: Files) -> None:
        if self.failed is None:
            return
        code, cause = self.how
        day = after(self.seat, self.failed)
        if code is None and (day in self.who.seen or day == self.who.end):
            code = "D7140"
        if code is None:
            self._told_by_others(files, self.failed, "extraction")
        else:
            reason = ("gum", "split", "", "caries")[self.pick(4)] if cause == "extracted" else ""
            self._post(files, self.failed, code, Cause=reason, Charge=900)
