"""An X12 file as a source of procedures or patients."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.machine.errors import DataError
from pipeline.practice.counts import count
from pipeline.reading.sources.source import Batch, ReadOptions, Spoken
from pipeline.reading.sources.x12.dental import DentalWalker
from pipeline.reading.sources.x12.envelope import Envelope
from pipeline.reading.sources.x12.records import HEADINGS, Records
from pipeline.reading.sources.x12.remittance import RemittanceWalker
from pipeline.reading.sources.x12.segments import Segments

SUFFIXES = (".edi", ".x12", ".837", ".835")
_BATCH_RECORDS = 100_000


@dataclass
class X12File:
    """An opened file of dental claims (837D), remittances (835) or both; see `pipeline.reading.sources.source.Source`.

    Procedures: one row per tooth of a claim's line, or per line that names no tooth; a remittance has no rows, only
    records in `Batch.claims`. Patients: one row per patient and what is told of them. `remark` says after the reading
    what the rows do not show.
    """

    path: Path
    table: str
    encoding: str | None = None
    spoken: Spoken = field(default_factory=lambda: Spoken(fields=True, notation="fdi", date_format="%Y%m%d"))
    remark: str | None = None

    @property
    def headings(self) -> list[str]:
        """Names of our fields; they do not depend on the file."""
        return list(HEADINGS[self.table])

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """Rows from the start of the file; see `Source.batches`. The envelopes are checked as they close, so a fault
        may show after rows were handed on: whoever takes the rows must drop them all on an error. Raises DataError if
        the file is no X12, a test file, cut off or edited, or holds other transactions; with the segment."""
        wanted = self.headings if headings is None else list(headings)
        segments = Segments(self.path, encoding=self.encoding)
        envelope, records = Envelope(segments), Records(self.headings, self.table == "procedures")
        claims = DentalWalker(envelope, records, table=self.table)
        payments = RemittanceWalker(envelope, records, table=self.table)
        walkers: dict[str, DentalWalker | RemittanceWalker] = {"837": claims, "835": payments}
        around = envelope.handlers()
        within = {kind: walker.handlers() for kind, walker in walkers.items()} | {"": {}}
        handlers = within[""]
        for segment in segments:
            if (act := handlers.get(segment[0]) or handlers.get(segment[0].upper())) is not None:
                act(segment)
                if records.held >= _BATCH_RECORDS:
                    yield records.take(wanted)
            elif (handle := around.get(segment[0].upper())) is not None:
                if envelope.kind:
                    walkers[envelope.kind].finish()
                handle(segment)
                if envelope.kind:
                    walkers[envelope.kind].start()
                handlers = within[envelope.kind]
            elif not envelope.kind:
                raise segments.fail("this segment stands outside of any transaction")
        if records.held:
            yield records.take(wanted)
        self.remark = _remark(payments)


def open_x12(path: Path, options: ReadOptions) -> X12File:
    """Open a file of claims or remittances. Raises DataError if it is listed under a table that claims cannot fill, or
    its first interchange is none."""
    if options.table not in HEADINGS:
        raise DataError(
            f"{path.name}: claims tell of procedures and patients only.\n"
            f"  List it under [tables.procedures] or [tables.patients], not under [tables.{options.table}]."
        )
    encoding = options.encoding
    if encoding and encoding.lower().replace("_", "-") in ("utf-8", "utf8"):
        encoding = None
    for segment in Segments(path, encoding=encoding):
        if segment[0].upper() == "ISA":
            break
    return X12File(path, options.table, encoding)


def _remark(payments: RemittanceWalker) -> str | None:
    if not payments.n_payments + payments.n_reversals:
        return None
    return (
        f"{count(payments.n_payments, 'line')} of payments confirm claims and are no rows; "
        f"{count(payments.n_reversals, 'line')} take a payment back"
    )
