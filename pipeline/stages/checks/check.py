"""`toothyears check`: what a PRACTICE.toml will give, read from a sample of its files; nothing is stored."""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.fields import input_fields
from pipeline.practice.reasons import REASONS
from pipeline.practice.settings import Settings
from pipeline.practice.tables import INPUT_TABLES
from pipeline.reading.config import code_table
from pipeline.reading.doubts import find_doubts
from pipeline.reading.doubts.doubt import counted, told
from pipeline.stages.checks.answerable import Answer, answers, known_codes
from pipeline.stages.checks.look import TableLook, date_range, look_at
from pipeline.stages.checks.understood import understood
from pipeline.transforms.cell_forms import read_by_form

_MANY = 10
_OF_A_PERSON = ("birth_date", "deceased_date", "first_contact_date", "last_contact_date")
_WRONG_TEETH = ("tooth_unknown", "tooth_is_area", "tooth_list")
_NOTE_WORDS = {
    "unrecognised": "words that are not known",
    "unreadable": "values that cannot be read",
    "out_of_range": "numbers outside the sensible range",
    "implausible": "days that cannot be",
}


@dataclass(frozen=True)
class Checked:
    """`text` for the screen; `exit_code` 0 if a run would work, 1 if the data would stop it, 2 if a doubt is open;
    `understood`, which names days and teeth of patients, for a file."""

    text: str
    exit_code: int
    understood: str


def check(settings: Settings, *, today: dt.date, say: Callable[[str], None] = lambda _: None) -> Checked:
    """Look at the files of a PRACTICE.toml as they would be loaded; no database is made or touched.

    No patient's id or day is in the text: of the first and last dates it has the month, of those of a person the year.

    Raises ConfigError if the TOML does not fit: a pattern matches nothing, a question is open.
    """
    codes = code_table(settings)
    looks = {t: look_at(settings, t, codes, today=today, say=say) for t in INPUT_TABLES if t in settings.tables}
    doubts = find_doubts([seen for look in looks.values() for seen in look.seen], settings)
    stopped = [message for look in looks.values() for message in look.refusals]
    nothing = not looks["procedures"].rows.height
    lines = [f"{settings.path.name}: what its files hold and what can be answered. Nothing was loaded."]
    for look in looks.values():
        lines += ["", *_table(look)]
        if look.table == "procedures" and look.rows.height:
            lines += _codes(looks, codes)
    lines += ["", *_answers(answers(looks, codes))]
    if stopped or nothing:
        lines += ["", "A run would stop:", *(f"  {line}" for message in stopped for line in message.splitlines())]
        if nothing and not stopped:
            lines.append("  none of the rows of the ledger looked at can be loaded; the reasons are above.")
    if doubts:
        lines += ["", f"A run would stop: {counted(doubts)}", *told(doubts)]
    if stopped or nothing or doubts:
        lines += ["", "When that is mended:", f"toothyears check {settings.path.name}"]
    else:
        lines += ["", "Next:", f"toothyears run {settings.path.name}"]
    exit_code = 1 if stopped or (nothing and not doubts) else 2 if doubts else 0
    return Checked("\n".join(lines), exit_code, understood(settings, looks, codes))


def _table(look: TableLook) -> list[str]:
    looked = "all of them looked at" if look.whole else f"{look.rows_looked_at:,} from start, middle and end looked at"
    lines = [f"{look.table}: {count(look.files, 'file')}, {count(look.rows_seen, 'row')}, {looked}"]
    if not look.rows_looked_at:
        return lines
    if look.mended:
        lines.append(f"  mended: {look.mended:,} of these rows; each takes the place of one that was set aside")
    absent = [f for f in input_fields(look.table) if f not in look.columns]
    filled = ", ".join(f"{name} {share:.0%}" for name, share in look.filled.items())
    lines.append(f"  columns: {len(look.columns)} mapped; filled in: {filled or 'nothing'}")
    if absent:
        lines.append(f"  not there: {', '.join(absent)}")
    for name, (first, last) in date_range(look).items():
        how = f", read {look.forms[name]}" if name in look.forms else ", a true date in the file"
        form = "%Y" if name in _OF_A_PERSON else "%Y-%m"  # no day of any one patient
        lines.append(f"  {name}: {first.strftime(form)} to {last.strftime(form)}{how}")
    if "tooth" in look.columns and look.rows.height:
        wrong = sum(look.aside[reason] for reason in _WRONG_TEETH)
        named = look.rows["tooth"].count() + wrong
        lines.append(f"  teeth: {named - wrong:,} of {named:,} that are named where one matters can be read")
    for (name, note), rows in look.notes.most_common(_MANY):
        by_form, left = read_by_form(note, rows), count(rows, "row")
        lines.append(f"  {name}: {by_form or f'left out in {left}, {_NOTE_WORDS.get(note, note)}'}")
    if look.table == "elsewhere":
        lines.append(f"  answers: {_answers_given(look)}")
    aside = sum(look.aside.values())
    if aside:
        lines.append(f"  set aside: {aside:,} of {look.rows_looked_at:,} rows looked at")
        lines += [
            f"    {rows:,}: {REASONS[reason].meaning if reason in REASONS else reason}"
            for reason, rows in look.aside.most_common()
        ]
    else:
        lines.append("  set aside: none")
    return lines


def _answers_given(look: TableLook) -> str:
    """How many answers the practice gave on work done elsewhere, by event, and how many have neither day nor year."""
    rows = look.rows.with_columns(pl.col("event").cast(pl.String))
    if not rows.height:
        return "none yet"
    counts = rows.group_by("event").len().sort(["len", "event"], descending=[True, False])
    each = ", ".join(f"{event} {n:,}" for event, n in counts.iter_rows())
    undated = rows.filter(pl.col("event_year").is_null(), pl.col("event") != "nothing").height
    return f"{rows.height:,} ({each})" + (f"; {undated:,} of them without a day or a year" if undated else "")


def _codes(looks: dict[str, TableLook], codes: pl.DataFrame) -> list[str]:
    share, unknown = known_codes(looks, codes)
    lines = [f"  codes: {share:.1%} of the rows have one that is known"]
    if unknown:
        top = ", ".join(f"{code} ({rows:,})" for code, rows in unknown[:_MANY])
        more = f" and {len(unknown) - _MANY} more" if len(unknown) > _MANY else ""
        lines.append(f"    not known: {top}{more}; those that matter can be named under [codes]")
    return lines


def _answers(found: list[Answer]) -> list[str]:
    plain = [a for a in found if not a.of]
    lines = ["Will be answered, as far as the rows looked at can tell:", *_yes_no({a.title: a.lacks for a in plain})]
    asked: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for a in found:
        if a.of:
            asked.setdefault((a.of, a.lacks), []).append(a.title)
    techniques = {f"{of} ({'; '.join(outcomes)})": lacks for (of, lacks), outcomes in asked.items()}
    return [*lines, "Of technique, where groups are large enough:", *_yes_no(techniques)]


def _yes_no(lacks: dict[str, tuple[str, ...]]) -> list[str]:
    can = [f"  yes  {title}" for title, lacking in lacks.items() if not lacking]
    cannot = [f"  no   {title}: lacks {', '.join(dict.fromkeys(what))}" for title, what in lacks.items() if what]
    return [*can, *cannot]
