"""Dental claims (837D, 005010X224A2): each line becomes one row per tooth.

Segments are understood by their qualifiers and by the loop they stand in. Loops, segments and elements used here were
checked against two public maps of the transaction (4010 dental, 5010), not against the guide itself, which is
licensed. From memory: the value PB of CLM19; 2330B REF*F8 being another payer's number; DTP RD8 in 2300 and 2400.
"""

from collections.abc import Callable
from functools import cache
from hashlib import blake2b

import polars as pl

from pipeline.practice.teeth import teeth
from pipeline.reading.sources.x12.envelope import Envelope, element
from pipeline.reading.sources.x12.records import UNIT, Records, claim_key, plain

_ACTIONS = {"": "original", "1": "original", "7": "replacement", "8": "void"}
_SEXES = {"F": "female", "M": "male", "U": ""}
_PROSTHESES = {"I": "initial", "R": "replacement"}


class DentalWalker:
    """Turns the segments of 837D transactions into records.

    The patient's key is the member id where the subscriber is the patient. A dependent often has no id of their own:
    the key is then made of payer, subscriber, birth date, name and sex. IT HOLDS A NAME: it is to become a pseudonym
    at once and must never be printed or logged.

    The charge of a line (SV302) stands on the first of its teeth only, for it was charged once.
    """

    def __init__(self, envelope: Envelope, records: Records, *, table: str) -> None:
        self._envelope, self._records = envelope, records
        self._is_patients = table == "patients"
        self._known: set[int] = set()
        self.start()

    def handlers(self) -> dict[str, Callable[[list[str]], None]]:
        """What to do at each segment of a claim."""
        return {
            "HL": self._hl,
            "NM1": self._nm1,
            "DMG": self._dmg,
            "SBR": self._sbr,
            "CLM": self._clm,
            "REF": self._ref,
            "DTP": self._dtp,
            "LX": self._lx,
            "SV3": self._sv3,
            "TOO": self._too,
            "SVD": self._svd,
        }

    def start(self) -> None:
        """Forget everything at the begin of a transaction."""
        self._n_claims = 0
        self._has_service = False
        self._billing = self._billing_person = ""
        self._subscriber = self._patient = _Person()
        self._is_dependent = False
        self._payer = ""
        self._leave_claim()

    def finish(self) -> None:
        """Hand on the last line at the end of a transaction."""
        self._leave_claim()

    def _leave_claim(self) -> None:
        self._end_line()
        self._in_claim = self._in_line = False
        self._is_elsewhere = False  # in a loop about another payer, whose numbers are not ours

    def _hl(self, segment: list[str]) -> None:
        self._leave_claim()
        level = element(segment, 3)
        if level == "20":
            self._billing = self._billing_person = ""
        elif level == "22":
            self._subscriber = self._patient = _Person()
            self._payer, self._is_dependent = "", False
        elif level == "23":
            self._patient, self._is_dependent = _Person(), True

    def _nm1(self, segment: list[str]) -> None:
        if self._is_elsewhere:
            return
        who, number = element(segment, 1).upper(), plain(element(segment, 9))
        if self._in_claim:
            if who == "82" and self._in_line:
                self._line_provider = number
            elif who == "82":
                self._provider = number
            elif who == "77" and not self._in_line:
                self._site = number
        elif who == "85":
            self._billing = number
            self._billing_person = number if element(segment, 2) == "1" else ""
        elif who == "PR":
            self._payer = number or plain(element(segment, 3))
        elif who in ("IL", "QC"):
            person = self._patient if who == "QC" else self._subscriber
            person.number, person.last, person.first = number, plain(element(segment, 3)), plain(element(segment, 4))

    def _dmg(self, segment: list[str]) -> None:
        if not self._in_claim:
            person = self._patient if self._is_dependent else self._subscriber
            person.birth_date = element(segment, 2) if element(segment, 1).upper() == "D8" else ""
            person.sex = element(segment, 3).upper()

    def _sbr(self, _: list[str]) -> None:
        self._is_elsewhere = self._in_claim

    def _svd(self, _: list[str]) -> None:
        self._is_elsewhere = True

    def _clm(self, segment: list[str]) -> None:
        self._leave_claim()
        self._in_claim = True
        self._n_claims += 1
        place = element(segment, 5).split(self._envelope.segments.component)
        self._frequency = place[2].strip() if len(place) > 2 else ""
        self._action = _ACTIONS.get(self._frequency, "")
        self._claim = claim_key(self._billing, element(segment, 1))
        self._is_predetermination = element(segment, 19).upper() == "PB"
        # All rows of a claim share it, and no other claim of the file has it.
        self._sent = f"{self._envelope.sent} {self._envelope.transaction:06} {self._n_claims:06}"
        self._replaces = ""
        self._provider, self._site, self._claim_date = "", self._billing, ""
        self._patient_id = self._key()
        if self._is_patients:
            self._add_patient()

    def _ref(self, segment: list[str]) -> None:
        if self._is_elsewhere:
            return
        which = element(segment, 1).upper()
        if which == "F8" and self._in_claim and not self._in_line:
            self._replaces = plain(element(segment, 2))
        elif which == "6R" and self._in_line:
            self._control = plain(element(segment, 2))

    def _dtp(self, segment: list[str]) -> None:
        if self._in_claim and element(segment, 1) == "472" and not self._is_elsewhere:
            day = element(segment, 3)
            if element(segment, 2).upper() == "RD8":
                first, _, last = day.partition("-")
                # A line is done when its last day is over. Of a claim over several days no line's day is known.
                day = last if self._in_line or first == last else day
            if self._in_line:
                self._line_date = day
            else:
                self._claim_date = day

    def _lx(self, segment: list[str]) -> None:
        self._end_line()
        self._in_line, self._is_elsewhere = self._in_claim, False
        self._control = element(segment, 1)
        self._code = self._charge = self._prosthesis = self._line_provider = self._line_date = self._code_list = ""
        self._teeth: list[list[str]] = []

    def _sv3(self, segment: list[str]) -> None:
        if self._in_line:
            code = element(segment, 1).split(self._envelope.segments.component)
            self._code_list, self._code = code[0].strip().upper(), code[1].strip() if len(code) > 1 else ""
            self._charge = element(segment, 2)
            self._prosthesis = _PROSTHESES.get(element(segment, 5).upper(), "")
            self._has_service = True

    def _too(self, segment: list[str]) -> None:
        if self._in_line:
            self._teeth.append(segment)

    def _end_line(self) -> None:
        """Hand on the rows of the line that ends here."""
        if self._has_service and not self._is_patients:
            for place, tooth in enumerate(self._teeth or [[]], 1):
                self._add_row(place, tooth)
        self._has_service = False

    def _add_row(self, place: int, tooth: list[str]) -> None:
        system, written = element(tooth, 1).upper(), element(tooth, 2)
        number = _fdi(system, written) if written else ""
        surface = element(tooth, 3).replace(self._envelope.segments.component, "")
        told = (
            self._patient_id,
            self._line_date or self._claim_date,
            self._code,
            number,
            surface,
            self._line_provider or self._provider or self._billing_person,
            "",
            self._site,
            self._charge if place == 1 else "",
            self._prosthesis,
        )
        # A claim sent again is the same rows; a row that differs in anything, or replaces another, is another one.
        says = (self._claim, self._control, str(place), self._action, self._replaces, *told)
        digest = blake2b(UNIT.join(says).encode(), digest_size=12).hexdigest()
        row = (*told[:6], f"{self._control}-{digest}", *told[7:])
        fault = self._fault(system, written)
        if fault:
            self._records.add_aside(row, field=fault[0], value=fault[1], reason=fault[2])
        else:
            self._records.add_row(row)
        if self._action and not self._is_predetermination:
            self._records.add_claim(
                claim=self._claim,
                line=f"{self._control}{UNIT}{digest}",
                action=self._action,
                replaces=self._replaces or None,
                sent=self._sent,
                charge=self._charge,
            )

    def _fault(self, system: str, written: str) -> tuple[str, str, str] | None:
        """Field, value and reason of what sets a row aside before its text is looked at."""
        if self._is_predetermination:
            return "status", "PB", "predetermination"
        if not self._action:
            return "status", self._frequency, "claim_frequency_unknown"
        if self._code_list not in ("AD", ""):
            return "code", f"{self._code_list} {self._code}", "code_system_unknown"
        if written and system not in ("JP", "JO"):
            return "tooth", f"{system} {written}", "tooth_system_unknown"
        return None

    def _key(self) -> str:
        subscriber, patient = self._subscriber, self._patient
        if self._is_dependent:
            return patient.number or patient.key(self._payer, subscriber.number)
        return subscriber.number or subscriber.key(self._payer, "")

    def _add_patient(self) -> None:
        person = self._patient if self._is_dependent else self._subscriber
        cells = (self._patient_id, person.birth_date, _SEXES.get(person.sex, person.sex))
        if (seen := hash(cells)) not in self._known:
            self._known.add(seen)
            self._records.add_row(cells)


class _Person:
    """A subscriber or patient, as far as the file has told."""

    def __init__(self) -> None:
        self.number = self.last = self.first = self.birth_date = self.sex = ""

    def key(self, payer: str, subscriber: str) -> str:
        """A key for someone without an id; empty where not even a name is known."""
        if not (self.last or self.first):
            return ""
        return "|".join((payer, subscriber, self.birth_date, self.last, self.first, self.sex))


def _fdi(system: str, written: str) -> str:
    """The tooth in ISO 3950. One that is none of the 52 keeps its system in front: it must not be taken for another."""
    return _numbers(system).get(written.upper().lstrip("0")) or f"{system} {written}"


@cache
def _numbers(system: str) -> dict[str, str]:
    column = {"JP": "universal", "JO": "fdi"}.get(system)
    if column is None:
        return {}
    found = {
        str(written): str(fdi) for written, fdi in teeth().select(column, pl.col("fdi").alias("number")).iter_rows()
    }
    if system == "JP":  # an extra tooth: the number of the tooth beside it, marked; ISO 3950 has none for it
        extra = teeth().select("universal_supernumerary", "fdi").drop_nulls().iter_rows()
        found |= {str(written): f"{fdi}S" for written, fdi in extra}
    return found
