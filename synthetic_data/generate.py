"""A seeded practice written as input files with its truth beside it: Alder Row Dental, invented.

Two clinics, six clinicians of differing habits, the years 2005 to 2024. Patients are made in blocks, each with a
random stream of its own, so that a practice of any size needs the memory of one block.

Patients leave at a rate that depends on their age alone. Still, censoring is not wholly free of the outcome: a failure
is a visit and so itself the last contact of some patients, while others drop from sight at their last recall before
they left. With recalls every five to eight months the time lost is some three months a patient, in all groups alike.
"""

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from synthetic_data.book import (
    add_counts,
    count_courses,
    count_crowns,
    count_unseen,
    counted,
    course_book,
    crown_book,
    date_losses,
    followup,
    last_contacts,
    recorded_contacts,
)
from synthetic_data.details import crown_details, dates, done_elsewhere, endo_details, findings, words
from synthetic_data.first_teeth import draw_histories
from synthetic_data.hazards import Days, cumulative, opened_hazard
from synthetic_data.people import CUTOFF, NO_DAY, People, draw_people, draw_visits, with_crowns
from synthetic_data.postings import EXISTING
from synthetic_data.practice_toml import write_toml
from synthetic_data.settle import settle
from synthetic_data.slips import FAULTS, draw_slips
from synthetic_data.truth import DEFAULT, Truth
from synthetic_data.write import Files, write_ledger

BLOCK = 20_000  # patients made at a time
EPOCH = dt.date(1970, 1, 1)
YEARS = 5  # of the difference that truth.json tells


def simulate(
    directory: Path,
    *,
    crowns: int = 4000,
    seed: int = 1,
    truth: Truth = DEFAULT,
    say: Callable[[str], None] = lambda _: None,
) -> Path:
    """Write a synthetic practice into `directory` and give the path of its practice.toml.

    Parameters
    ----------
    directory
        Made if need be; files of the same names are overwritten.
    crowns
        First single crowns seated here. Crowns that replace them, crowns of other kinds and crowns from elsewhere come
        on top; `truth.json` counts.
    seed
        The same seed, number of crowns and truth give the same files, byte for byte.
    truth
        The rates and effects behind the files.
    say
        Called with a line of progress after each block.

    Files
    -----
    `exports/ledger-YYYY.csv`, `patients.csv`, `endo_details.csv`, `crown_details.csv`, `findings.csv`,
    `elsewhere.csv`, `practice.toml`, and the truth: `truth.json`, `truth/crowns.csv`, `truth/courses.csv`.
    """
    directory = Path(directory)
    files = Files(directory)
    counts: dict[str, Any] = {}
    made, patients, entry, block = 0, 0, 1, 0
    size = min(BLOCK, 2000 + 2 * crowns)
    try:
        while made < crowns:
            rng = np.random.default_rng([seed, block])
            people = with_crowns(draw_people(truth, rng, size), crowns - made)
            entry, of_block = _write_block(files, truth, rng, people, number=patients, entry=entry)
            counts = add_counts(counts, of_block)
            made += int(people.crowns.sum())
            patients += people.size
            block += 1
            say(f"{made:,} of {crowns:,} crowns, {entry - 1:,} ledger rows")
    finally:
        files.close()
    toml = write_toml(directory, referred=truth.referred)
    told = _truth(truth, counts, files.rows, seed=seed, crowns=crowns, patients=patients)
    (directory / "truth.json").write_text(json.dumps(told, indent=2) + "\n", encoding="utf-8")
    return toml


def _write_block(
    files: Files, truth: Truth, rng: np.random.Generator, people: People, *, number: int, entry: int
) -> tuple[int, dict[str, Any]]:
    visits = draw_visits(people, rng)
    s = settle(rng, people, visits, draw_histories(truth, rng, people))
    crowns, courses = s.crowns, s.courses
    slips = draw_slips(rng, people, visits, crowns, courses=courses, events=s.events, real=s.real, lost=s.lost)
    last = last_contacts(people, s.real)
    recorded = recorded_contacts(rng, people, last)
    end, reason = followup(people, last, recorded)
    losses = date_losses(s, visits, end)
    ids = pl.select(pl.lit("A") + pl.int_range(number + 1, number + people.size + 1).cast(pl.String).str.zfill(7))
    names = ids.to_series()
    entry, faults = write_ledger(
        files, truth, real=s.real, slips=slips.rows, garbled=slips.garbled, ids=names, entry=entry
    )
    files.append("patients.csv", _patients(rng, people, recorded, names))
    files.append("endo_details.csv", endo_details(truth, rng, courses, names))
    files.append("crown_details.csv", crown_details(rng, crowns, names))
    in_place = np.where(crowns["failed"], crowns["fail"] - 1, end[crowns["patient"]])
    files.append("findings.csv", findings(truth, rng, visits, crowns, until=in_place, ids=names))
    files.append("elsewhere.csv", done_elsewhere(rng, courses, s.by_others, crowns, names))
    book = crown_book(truth, s, losses, end=end, reason=reason, ids=names)
    endo = course_book(s, losses, end=end, ids=names)
    files.append("truth/crowns.csv", book)
    files.append("truth/courses.csv", endo)
    existing = int((s.real["status"] == EXISTING).sum())
    return entry, {
        "crowns": count_crowns(book),
        "unseen": count_unseen(book),
        "difference": _difference(truth, book),
        "endo": count_courses(endo),
        "ledger": {**slips.counts, "existing": existing, **faults},
    }


def _difference(truth: Truth, book: pl.DataFrame) -> dict[str, float]:
    # Sums over the single crowns of root-filled teeth: failures by five years from the seat, had each been opened on
    # the day of its seat, and had each been filled before.
    risk = counted(book).filter(pl.col("true_endo_timing") != "vital")["true_risk"].to_numpy()
    day = np.array([YEARS * 365.25])
    hazards = opened_hazard(truth, np.zeros(1), day), truth.hr_before_seat * cumulative(truth, day)
    opened, before = (float((1 - np.exp(-hazard * risk)).sum()) for hazard in hazards)
    return {"crowns": float(risk.size), "opened": opened, "before_seat": before}


def _patients(rng: np.random.Generator, people: People, recorded: Days, ids: pl.Series) -> pl.DataFrame:
    def known(values: np.ndarray, share: float) -> np.ndarray:
        return np.where(rng.random(people.size) < share, values.astype(np.int64), -1)

    yes_no = ["N", "Y"]
    return pl.DataFrame(
        {
            "Chart No": ids,
            "Born": dates(np.where(rng.random(people.size) < 0.99, people.birth, NO_DAY)),
            "Sex": words(["F", "M"], people.male.astype(np.int64)),
            "First Visit": dates(np.where(rng.random(people.size) < 0.9, people.first, NO_DAY)),
            "Last Seen": dates(recorded),
            "Died": dates(people.death),
            "Smokes": words(yes_no, known(people.smoker, 0.96)),
            "Diabetic": words(yes_no, known(people.diabetes, 0.96)),
            "Grinds": words(yes_no, known(people.bruxism, 0.98)),
        }
    )


def _per_100(sums: dict[str, float]) -> dict[str, Any]:
    n = max(sums["crowns"], 1)
    opened, before = 100 * sums["opened"] / n, 100 * sums["before_seat"] / n
    return {
        "through_crown vs before_seat": {
            "years": YEARS,
            "difference": opened - before,
            "failed_opened": opened,
            "failed_before_seat": before,
            "over": "the practice's single crowns with a root canal, each opened from its seat on or filled before it",
        }
    }


def _shares(unseen: dict[str, Any]) -> dict[str, Any]:
    # Openings that the ledger does not show as such: share of all true ones, and of crowns that it calls vital.
    openings = max(unseen["openings"], 1)
    return {
        "share_of_openings_not_found": 1 - unseen["openings_found"] / openings,
        "share_of_openings_labelled_vital": unseen["openings_labelled_vital"] / openings,
        **unseen,
    }


def _truth(
    truth: Truth, counts: dict[str, Any], rows: dict[str, int], *, seed: int, crowns: int, patients: int
) -> dict[str, Any]:
    ledger = dict(counts["ledger"])
    set_aside = {name: ledger.pop(name) for name in FAULTS}
    after_extraction = ledger.pop("after_extraction")
    written = sum(n for name, n in rows.items() if name.startswith("exports/"))
    in_ledger = written - ledger["duplicates"] - sum(set_aside.values()) - after_extraction
    return {
        "schema": 1,
        "practice": "Alder Row Dental (invented)",
        "seed": seed,
        "first_crowns": crowns,
        "data_cutoff": str(EPOCH + dt.timedelta(days=CUTOFF)),
        "effects": truth.effects(),
        "difference_per_100": _per_100(counts["difference"]),
        "unseen": _shares(counts["unseen"]),
        "counts": {
            "patients": patients,
            "crowns": counts["crowns"],
            "endo_courses": counts["endo"],
            "procedures": {
                "rows_written": written,
                "duplicates": ledger.pop("duplicates"),
                "set_aside_on_reading": set_aside,
                "set_aside_on_linking": {"after_extraction": after_extraction},
                "stored": in_ledger,
                **ledger,
            },
            "rows": {name: n for name, n in rows.items() if not name.startswith(("exports/", "truth/"))},
        },
        "parameters": truth.as_dict(),
    }
