"""Ask questions of a store: each is noted in its log first, so that looking often is paid for."""

import json
from collections.abc import Callable, Sequence

from pipeline.practice.counts import count
from pipeline.practice.own_question import LOG, Ask
from pipeline.practice.tables import CROWN_DETAILS, CROWNS, ENDO_COURSES, ENDO_DETAILS, PATIENTS, TOOTH_FOLLOWUP
from pipeline.questions.analysis import Analysis
from pipeline.questions.asking.answer import answer, groups_asked
from pipeline.questions.asking.rows import Tables
from pipeline.questions.crown_rows import own_courses, own_crowns
from pipeline.results.asked import Asked
from pipeline.storing.store import Store
from pipeline.transforms.coded_details import Coded


def ask_all(
    store: Store,
    asks: Sequence[Ask],
    analysis: Analysis,
    *,
    say: Callable[[str], None],
    course_gap_days: int = 180,
    crown_repost_days: int = 60,
    coded: Coded | None = None,
) -> tuple[Asked, ...]:
    """Answer the questions, all with the family of contrasts that stands after the last of them.

    The log, `{fingerprint: contrasts}` as JSON under `asked`, keeps every question ever asked of this store, each once.
    One refused for want of teeth has shown nothing, and does not count.
    """
    store.require("link")
    read = store.stand_ins.reader(store.read)
    tables = Tables(
        crowns=own_crowns(read(CROWNS)),
        endo_courses=own_courses(read(ENDO_COURSES)),
        tooth_followup=read(TOOTH_FOLLOWUP),
        patients=read(PATIENTS),
        endo_details=read(ENDO_DETAILS),
        crown_details=read(CROWN_DETAILS),
        course_gap_days=course_gap_days,
        crown_repost_days=crown_repost_days,
        coded=coded or Coded(),
    )
    log: dict[str, int] = json.loads(store.text(LOG) or "{}")
    prepared = [(ask, *groups_asked(tables, ask, analysis)) for ask in asks]
    for ask, rows, _, refused in prepared:
        if not refused:
            log[ask.key()] = max(log.get(ask.key(), 0), rows["state"].n_unique() - 1)
    with store.transaction():
        store.save_text(LOG, json.dumps(log, sort_keys=True))
    family = sum(log.values())
    say(
        f"answering {len(asks)} question{'s' if len(asks) != 1 else ''}; {family} contrast{'s' if family != 1 else ''} "
        "asked so far"
    )
    return tuple(answer(rows, flow, ask, analysis, family=family, refused=no) for ask, rows, flow, no in prepared)


def as_text(asked: Asked) -> str:
    """The answer for a terminal: counts and sentences, nothing about one patient."""
    lines = [asked.title, *(f"  {key}: {value}" for key, value in asked.asked.items()), ""]
    if asked.comparison is None:
        return "\n".join([*lines, f"Not answered. {asked.refused}"])
    for group in asked.comparison.groups:
        lines.append(
            f"{group.label}: {count(group.crowns, 'tooth')} of {group.patients:,} patients, "
            f"{count(group.failures, 'failure')}, {group.rate_per_100_tooth_years:.1f} per 100 tooth-years"
        )
    lines.append("")
    labels = {g.name: g.label for g in asked.comparison.groups}
    for x in asked.contrasts:
        lines.append(f"{labels[x.group]} against {labels[x.reference].lower()}: {x.verdict.sentence}")
    return "\n".join([*lines, "", *asked.notes, *asked.comparison.notes])
