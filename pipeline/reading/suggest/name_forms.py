"""What the names of sheets and files say of their rows: the patient, what was done, or the month."""

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.practice.fields import input_fields
from pipeline.reading.headings import PART, fit
from pipeline.reading.sources import Batch, ReadOptions, Source
from pipeline.reading.sources.group_lines import read_templates
from pipeline.reading.sources.grouped import stem
from pipeline.reading.sources.source import SHEET
from pipeline.reading.suggest.code_words import likely_events
from pipeline.reading.suggest.layout_line import Found, LayoutLine
from pipeline.reading.suggest.shapes import all_called, has_patient, shown_texts
from pipeline.reading.suggest.toml_quote import quoted
from pipeline.transforms.month_names import MONTHS

_LEAST, _MOST = 2, 0.8
_YEAR = re.compile(r"^(?:19|20)\d\d$|^\d{1,2}$")
_DAY = re.compile(r"(?<!\d)(?:19|20)\d{2}([-_.]?)(?:0[1-9]|1[0-2])\1(?:0[1-9]|[12]\d|3[01])(?!\d)")
_NUMBER = re.compile(r"\d+")
_AGAIN = re.compile(r"\s*\(\d{1,2}\)$")  # a spreadsheet numbers sheets of one name, and a folder its files
_TITLE = re.compile(r"(?i)^(?:dr|dra|dre|drs|prof|mudr|lek|oht|rdh|hyg|dh)\b\.?\s*\S")
_PERSON = re.compile(r"^[^\W\d_][^\d_]*(?:,\s*|\s+)[^\W\d_][^\d_]*$")


def sheet_names(source: Source, _batches: Sequence[Batch], options: ReadOptions) -> Found:
    """Sheets that are called by their patient, or by what was done, where no column says it."""
    shown = [h for h in source.headings if not h.startswith("(")]
    if SHEET not in source.headings or options.sheet_name or not all_called(shown, ("service_date",)):
        return options, None
    names = list(getattr(source, "sheets", ()))
    if not all_called(shown, ("code",)):
        if (form := form_of_work(names)) is None:
            return options, None
        what = "no column says what was done, and most sheets are called by work"
    elif has_patient(shown) or options.group_lines:
        if not are_clinicians(names) or any(fit(h, "provider_id") >= PART for h in shown):
            return options, None
        form, what = "{provider_id}", "no column says who treated, and the sheets are called by clinicians"
    elif (form := form_of_names(names)) is not None:
        what = "no column holds the patient, and each sheet is called by a number"
    elif are_persons(names):
        form = "{patient_id:words}"
        what = "no column holds the patient, and the sheets are called by names of people"
    else:
        return options, None
    read = read_templates([form], input_fields(options.table), where="", key="sheet_name")[0]
    why = f"likely: {what}; {len(names):,} sheets, {shown_texts(names)}"
    return replace(options, sheet_name=read), LayoutLine("sheet_name", quoted(form), why)


def form_of_names(names: Sequence[str]) -> str | None:
    """The template of names that differ in one number, which is no year or month: `chart-{patient_id}`."""
    if len(names) < _LEAST:
        return None
    plain = [_AGAIN.sub("", name) for name in names]
    found = [list(_NUMBER.finditer(name)) for name in plain]
    if any(len(of) != 1 for of in found):
        return None
    around = {(name[: of[0].start()], name[of[0].end() :]) for name, of in zip(plain, found, strict=True)}
    numbers = [of[0].group() for of in found]
    if len(around) != 1 or len(set(numbers)) < len(set(plain)) or len(set(numbers)) < _LEAST:
        return None
    if all(map(_YEAR.match, numbers)):
        return None
    before, after = next(iter(around))
    if before and sum(c.isalpha() for c in before) < _LEAST:
        return None
    return f"{before}{{patient_id}}{' {*}' if after or plain != list(names) else ''}"


def form_of_work(names: Sequence[str]) -> str | None:
    """The template of names that say what was done, `Patient.{code:words}`; None for others."""
    before = _common_start(names)
    parts = [name.removeprefix(before) for name in names]
    events = [events for part in parts if len(events := likely_events(_words(part))) == 1]
    if len(names) < _LEAST or len(events) < _MOST * len(names) or len(set(events)) < _LEAST:
        return None
    return f"{before}{{code:words}}"


def day_in_name(path: Path, source: Source, options: ReadOptions) -> Found:
    """A file whose name holds a day, where neither a column nor a line above its rows does: `daysheet_20190304`."""
    told = [*source.headings, *(name for template in options.group_lines for name in template.fields)]
    days = list(_DAY.finditer(name := stem(path.name)))
    named = any(one.field == "service_date" for one in options.made) or options.file_name is not None
    if len(days) != 1 or named or any(fit(h, "service_date") >= PART for h in told):
        return options, None
    shown = [h for h in source.headings if not h.startswith("(")]
    if not (has_patient(shown) and all_called(shown, ("code",))):
        return options, None
    form = f"{name[: days[0].start()]}{{service_date}}{name[days[0].end() :]}"
    read = read_templates([form], input_fields(options.table), where="", key="file_name")[0]
    why = (
        "ask: no column holds the day of the work, and the name of the file holds a day. If it is the day of all work "
        f"in it, and not that of the export, write {quoted(form)}; else export the day of each row"
    )
    return replace(options, file_name=read), LayoutLine("file_name", '"ask"', why)


def are_persons(names: Sequence[str]) -> bool:
    """Whether names are those of people: two words or more without a digit, none a month or a word of the trade."""
    like = [n for n in names if _PERSON.match(_AGAIN.sub("", n)) and not _is_of_trade(n)]
    return len(like) >= _LEAST and len(like) >= _MOST * len(names)


def are_clinicians(names: Sequence[str]) -> bool:
    """Whether most names have a title as clinicians do."""
    titled = [name for name in names if _TITLE.match(name)]
    return len(names) >= _LEAST and 2 * len(titled) > len(names)


def _is_of_trade(name: str) -> bool:
    words = re.findall(r"[^\W\d_]+", name.lower())
    fields = ("patient_id", "service_date", "code", "status", "provider_id", "fee")
    return bool(likely_events(name)) or any(w in MONTHS for w in words) or any(fit(name, f) >= PART for f in fields)


def _words(name: str) -> str:
    """`RootCanals` as `Root Canals`."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)


def _common_start(names: Sequence[str]) -> str:
    """What names of tables within others have in common, to the last point: `Patient.`."""
    starts = {name.rpartition(".")[0] for name in names}
    start = next(iter(starts)) if len(starts) == 1 else ""
    return f"{start}." if start else ""
