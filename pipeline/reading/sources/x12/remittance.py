"""Remittances (835, 005010X221A1): what a payer did with the lines of claims. No tooth is named in them.

A payment confirms and is no row. A reversal takes a payment back: its amounts are the original's, negated, at the
same level of detail, and a correction follows it, best in the same remittance (X12 requests for interpretation 791,
1429 and 1733). Elements checked against a public map; from memory: BPR16, TRN02, CLP07 and N1*PE.
"""

from collections.abc import Callable

from pipeline.reading.sources.x12.envelope import Envelope, element, iso
from pipeline.reading.sources.x12.records import Records, claim_key, plain

_REVERSAL = "22"


class RemittanceWalker:
    """Turns the segments of 835 transactions into records of claims; counts payments in `n_payments`. `sent` is the
    payment's own day and trace number, so that a remittance sent again is known for the same. `replaces` holds the
    payer's number of the claim (CLP07), by which a later claim may refer to it (REF*F8)."""

    def __init__(self, envelope: Envelope, records: Records, *, table: str) -> None:
        self._envelope, self._records = envelope, records
        self._is_wanted = table == "procedures"
        self.n_payments = 0
        self.n_reversals = 0
        self.start()

    def handlers(self) -> dict[str, Callable[[list[str]], None]]:
        """What to do at each segment of a remittance."""
        return {
            "BPR": self._bpr,
            "TRN": self._trn,
            "N1": self._n1,
            "CLP": self._clp,
            "SVC": self._svc,
            "REF": self._ref,
        }

    def start(self) -> None:
        """Forget everything at the begin of a transaction."""
        self._paid_on = self._trace = self._payee = ""
        self._in_claim = self._has_lines = self._in_line = False

    def finish(self) -> None:
        """Hand on the last claim at the end of a transaction."""
        self._leave_claim()

    def _bpr(self, segment: list[str]) -> None:
        self._paid_on = element(segment, 16)

    def _trn(self, segment: list[str]) -> None:
        self._trace = plain(element(segment, 2))

    def _n1(self, segment: list[str]) -> None:
        if element(segment, 1).upper() == "PE" and element(segment, 3).upper() == "XX":
            self._payee = element(segment, 4)

    def _clp(self, segment: list[str]) -> None:
        self._leave_claim()
        self._in_claim, self._has_lines = True, False
        self._claim = claim_key(self._payee, element(segment, 1))
        self._action = "reversal" if element(segment, 2) == _REVERSAL else "payment"
        self._claim_charge = element(segment, 3)
        self._payer_number = plain(element(segment, 7))

    def _svc(self, segment: list[str]) -> None:
        self._end_line()
        self._in_line = self._has_lines = self._in_claim
        self._control, self._charge = "", element(segment, 2)

    def _ref(self, segment: list[str]) -> None:
        if self._in_line and element(segment, 1).upper() == "6R":
            self._control = plain(element(segment, 2))

    def _leave_claim(self) -> None:
        self._end_line()
        if self._in_claim and not self._has_lines:
            self._add("", self._claim_charge)
        self._in_claim = False

    def _end_line(self) -> None:
        if self._in_line:
            self._add(self._control, self._charge)
        self._in_line = False

    def _add(self, line: str, charge: str) -> None:
        self.n_payments += self._action == "payment"
        self.n_reversals += self._action == "reversal"
        if self._is_wanted:
            day = iso(self._paid_on) if len(self._paid_on) == 8 else self._envelope.sent[:10]
            sent = f"{day} {self._trace or self._envelope.sent}"
            self._records.skip_row()
            self._records.add_claim(
                claim=self._claim,
                line=line or None,
                action=self._action,
                replaces=self._payer_number or None,
                sent=sent,
                charge=charge,
            )
