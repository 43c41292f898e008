"""The plain analyst's script: pandas for the linking, lifelines for curves and hazard ratios, from the same CSV files.

Whole columns at a time, one sort where one is enough, no loop over patients or teeth. It knows this practice's headings
and codes and nothing of the pipeline. One line of JSON a step: what it found, and the wall and CPU seconds it took.

`python plain_pandas.py PRACTICE_FOLDER [--errors model|patient]`: lifelines' errors that allow for teeth of one patient
take time that grows with the square of the rows, so that both ways are offered.
"""

from __future__ import annotations

import argparse
import json
import time
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
from lifelines import CoxPHFitter, KaplanMeierFitter

CUTOFF = pd.Timestamp("2024-12-31")
CROWN = ["D2710", "D2740", "D2750", "D2752", "D2790"]
MATERIAL = {"D2710": "RES", "D2750": "PFM", "D2752": "PFM", "D2790": "FGC"}
INITIAL, REPEAT, PULP = ["D3310", "D3320", "D3330"], ["D3346", "D3347", "D3348"], ["D3221"]
EXTRACTION, PRIMARY_EXTRACTION = ["D7140", "D7210", "D7240"], ["D7111"]
RETAINER, REMOVED = ["D6750"], ["OFF01"]
IMPLANT, STANDS_FOR_A_TOOTH = ["D6010", "D6058"], ["D6010", "D6058", "D6240"]
ABOUT_A_TOOTH = ("D2", "D3", "D6", "D7", "OFF")
PERMANENT = [*range(18, 10, -1), *range(21, 29), *range(38, 30, -1), *range(41, 49)]
FDI = {str(n): fdi for n, fdi in enumerate(PERMANENT, 1)}
# Primary and supernumerary teeth are real teeth that the question leaves out: numbers of their own, above 48.
OTHER_TEETH = {tooth: 100 + n for n, tooth in enumerate([*"ABCDEFGHIJKLMNOPQRST", *map(str, range(51, 83))])}
TEETH = FDI | OTHER_TEETH
YEAR = 365.25


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("folder", type=Path)
    options.add_argument("--errors", choices=("model", "patient"), default="model")
    asked = options.parse_args()
    warnings.simplefilter("ignore")
    step = Step()
    ledger, patients, details, findings = read(asked.folder)
    step("read", {"rows": len(ledger)})
    crowns, courses = link(ledger, patients, details, findings)
    step("link", figures(crowns, courses))
    spells = cut_at_opening(crowns[crowns["seat"].notna()], patients)
    step("curves", {"survival": curves(spells)})
    # Against before_seat, so that the coefficient of through_crown is the contrast that is asked for.
    states = pd.DataFrame({s: (spells["state"] == s).astype(float) for s in ("through_crown", "vital")})
    step("crude model", {"crude": hazard_ratio(spells, states, errors=asked.errors)})
    adjusted = pd.concat([states, covariates(spells)], axis=1)
    by = clinicians(spells)
    step("adjusted model", {"adjusted": hazard_ratio(spells, adjusted, errors=asked.errors, strata=by)})


class Step:
    """Tells each step as a line of JSON with the seconds since the one before."""

    def __init__(self) -> None:
        self.wall, self.cpu = time.perf_counter(), time.process_time()

    def __call__(self, name: str, found: dict) -> None:
        wall, cpu = time.perf_counter(), time.process_time()
        print(json.dumps({"step": name, "wall_s": wall - self.wall, "cpu_s": cpu - self.cpu} | found), flush=True)
        self.wall, self.cpu = wall, cpu


def read(folder: Path) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    columns = ["Entry No", "Chart No", "Date", "Code", "Th", "Prov", "Status", "Amount"]
    kinds = dict.fromkeys(["Code", "Th", "Prov", "Status"], "category") | {
        "Chart No": str,
        "Date": str,
        "Amount": float,
    }
    files = sorted((folder / "exports").glob("ledger-*.csv"))
    ledger = pd.concat((pd.read_csv(f, usecols=columns, dtype=kinds) for f in files), ignore_index=True)
    ledger = ledger.rename(
        columns=dict(zip(columns, ["entry", "patient", "day", "code", "th", "provider", "status", "fee"], strict=True))
    )
    for name in ("code", "th", "provider", "status"):
        ledger[name] = ledger[name].astype("category")
    told = ledger["day"].notna()
    ledger["day"] = as_dates(ledger["day"])
    ledger = ledger.drop_duplicates("entry")
    tooth = ledger["th"].map(TEETH).astype(float)
    needs_tooth = ledger["code"].isin([c for c in ledger["code"].cat.categories if c.startswith(ABOUT_A_TOOTH)])
    faulty = (
        ledger["patient"].isna()
        | ledger["code"].isna()
        | (ledger["day"].isna() & (told | (ledger["status"] != "EO")))
        | (ledger["th"].notna() & tooth.isna())
        | (ledger["th"].isna() & needs_tooth)
    )
    ledger = ledger.assign(tooth=tooth.fillna(0).astype("int16"))[~faulty].drop(columns="th")
    patients = pd.read_csv(folder / "patients.csv", dtype=str)
    details = pd.read_csv(
        folder / "crown_details.csv", dtype=str, usecols=["Chart No", "Th", "Prep", "Seat", "Made Of"]
    )
    findings = pd.read_csv(folder / "findings.csv", dtype=str, usecols=["Chart No", "Exam"])
    # Patients as whole numbers make every later join and sort cheap.
    number = pd.Series(np.arange(len(patients)), index=patients["Chart No"])
    ledger["patient"] = ledger["patient"].map(number)
    patients = patients.assign(patient=np.arange(len(patients)))
    for name in ("Born", "Last Seen", "Died"):
        patients[name] = as_dates(patients[name])
    details = details.assign(patient=details["Chart No"].map(number), tooth=details["Th"].map(TEETH))
    details = details.assign(prep=as_dates(details["Prep"]), seat=as_dates(details["Seat"]))
    findings = findings.assign(patient=findings["Chart No"].map(number), day=as_dates(findings["Exam"]))
    return ledger, patients, details, findings


def as_dates(texts: pd.Series) -> pd.Series:
    # Each of the few thousand different days is parsed once; pandas finds out too late that they repeat.
    codes, known = pd.factorize(texts, use_na_sentinel=False)
    return pd.Series(pd.to_datetime(known, format="%m/%d/%Y", errors="coerce")[codes], index=texts.index)


def link(
    ledger: pd.DataFrame, patients: pd.DataFrame, details: pd.DataFrame, findings: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    done = ledger[(ledger["status"] == "C") & (ledger["day"] <= CUTOFF)]
    done = without_impossible(without_reversed(done))
    seen = pd.concat([done[["patient", "day"]], findings.loc[findings["day"] <= CUTOFF, ["patient", "day"]]])
    ends = followup(seen, patients)
    events = done[done["tooth"].between(11, 48)].assign(key=tooth_key).sort_values(["key", "day"])
    events = without_crowns_of_implants(events)
    extracted = events[events["code"].isin(EXTRACTION)].groupby("key")["day"].min()
    courses = build_courses(events)
    crowns = build_crowns(events, details)
    existing = ledger[(ledger["status"] == "EO") & ledger["code"].isin(CROWN) & ledger["tooth"].between(11, 48)]
    existing = existing[~(existing["day"] > CUTOFF)].assign(key=tooth_key)
    older = crowns_from_elsewhere(existing, crowns, details, ends)
    crowns["entry"] = crowns["seat"].clip(lower=done["day"].min())
    crowns = pd.concat([crowns, older], ignore_index=True)
    crowns["since"] = crowns["seat"].fillna(crowns["sighted"] - pd.Timedelta(days=1))
    crowns = crowns.sort_values(["key", "since", "posted_first"], ignore_index=True)
    courses = mark_renewing(courses, crowns)
    crowns = end_crowns(crowns, courses, events, extracted, ends, seen)
    return name_timing(crowns, courses), courses


def tooth_key(rows: pd.DataFrame) -> pd.Series:
    return rows["patient"].astype("int64") * 64 + rows["tooth"].astype("int64")


def without_reversed(done: pd.DataFrame) -> pd.DataFrame:
    """A negative fee takes back the latest row of the same patient, code, tooth and amount up to its day."""
    negative = done["fee"] < 0
    same = ["patient", "code", "tooth", "fee"]
    undo = done[negative].assign(fee=lambda d: -d["fee"]).sort_values("day")
    kept = done[~negative]
    while len(undo):
        open_rows = kept.merge(undo[same].drop_duplicates(), on=same).sort_values(["day", "entry"])
        hits = pd.merge_asof(undo, open_rows[[*same, "day", "entry"]], on="day", by=same, suffixes=("", "_taken"))
        hits = hits[hits["entry_taken"].notna()]
        first = hits.drop_duplicates("entry_taken")
        kept = kept[~kept["entry"].isin(first["entry_taken"])]
        undo = undo[undo["entry"].isin(hits["entry"]) & ~undo["entry"].isin(first["entry"])]
    return kept


def without_impossible(done: pd.DataFrame) -> pd.DataFrame:
    gone = done[done["code"].isin(EXTRACTION + PRIMARY_EXTRACTION)]
    gone = gone.groupby(["patient", "tooth"])["day"].min().rename("gone").reset_index()
    on_teeth = done.loc[done["tooth"] > 0, ["patient", "tooth", "day", "code"]].reset_index()
    late = on_teeth.merge(gone, on=["patient", "tooth"])
    late = late[(late["day"] > late["gone"]) & ~late["code"].isin(STANDS_FOR_A_TOOTH)]
    return done.drop(index=late["index"])


def without_crowns_of_implants(events: pd.DataFrame) -> pd.DataFrame:
    implanted = events[events["code"].isin(IMPLANT)].groupby("key")["day"].min()
    on_implant = events["code"].isin(CROWN) & (events["day"] >= events["key"].map(implanted))
    return events[~on_implant]


def followup(seen: pd.DataFrame, patients: pd.DataFrame) -> pd.DataFrame:
    ends = seen.groupby("patient")["day"].agg(first_seen="min", last_seen="max")
    people = patients.set_index("patient")[["Last Seen", "Died"]].reindex(ends.index)
    last = pd.concat([ends["last_seen"], people["Last Seen"]], axis=1).max(axis=1)
    return ends.assign(end=pd.concat([last, people["Died"]], axis=1).min(axis=1).clip(upper=CUTOFF))


def build_courses(events: pd.DataFrame) -> pd.DataFrame:
    rows = events.loc[events["code"].isin(INITIAL + REPEAT), ["key", "day", "code"]]
    rows = rows.assign(repeat=rows["code"].isin(REPEAT)).groupby(["key", "day"], as_index=False)["repeat"].max()
    rows["run"] = (gaps(rows) > 180).cumsum()
    rows["repeat"] = rows.groupby(["key", "run"])["repeat"].cummax()
    treated = rows.groupby(["key", "run", "repeat"], as_index=False)["day"].agg(first="min", completed="max")
    openings = events.loc[events["code"].isin(PULP), ["key", "day"]].drop_duplicates().sort_values("day")
    spans = treated[["key", "first"]].sort_values("first")
    after = pd.merge_asof(
        openings,
        spans,
        left_on="day",
        right_on="first",
        by="key",
        direction="forward",
        tolerance=pd.Timedelta(days=180),
    )
    begun = after[after["first"].notna()].groupby(["key", "first"])["day"].min().rename("opened")
    treated = treated.join(begun, on=["key", "first"])
    treated["started"] = treated[["first", "opened"]].min(axis=1)
    earliest = treated.groupby("key")["first"].min()
    alone = after[after["first"].isna() & ~(after["key"].map(earliest) <= after["day"])].sort_values(["key", "day"])
    alone = alone.assign(run=(gaps(alone) > 180).cumsum()).groupby(["key", "run"], as_index=False)["day"].min()
    alone = alone.rename(columns={"day": "started"}).assign(completed=pd.NaT)
    columns = ["key", "started", "completed"]
    return pd.concat([treated[columns], alone[columns].astype(treated[columns].dtypes)], ignore_index=True)


def gaps(rows: pd.DataFrame) -> pd.Series:
    """Days since the row before of the same tooth, in rows sorted by tooth and day; 0 for the first."""
    return rows["day"].diff().dt.days.where(rows["key"] == rows["key"].shift(), 0)


def build_crowns(events: pd.DataFrame, details: pd.DataFrame) -> pd.DataFrame:
    rows = events.loc[events["code"].isin(CROWN), ["key", "patient", "tooth", "day", "code", "provider"]]
    rows = rows.sort_values(["key", "day", "code", "provider"])
    rows["run"] = (gaps(rows) > 60).cumsum()
    by_crown = rows.groupby(["key", "run"])
    crowns = rows.drop_duplicates(["key", "run"], keep="last").rename(columns={"day": "posted_last"})
    crowns["posted_first"] = by_crown["day"].first().to_numpy()
    crowns["material"] = crowns["code"].astype(str).map(MATERIAL)
    crowns = crowns.drop(columns=["run", "code"]).reset_index(drop=True)
    recorded = details[details["tooth"].between(11, 48)].assign(key=tooth_key).reset_index(names="row")
    near = recorded[["key", "row", "prep", "seat", "Made Of"]].merge(
        crowns.reset_index(names="crown")[["crown", "key", "posted_first", "posted_last"]], on="key"
    )
    about = near["seat"].fillna(near["prep"])
    apart = np.maximum((near["posted_first"] - about).dt.days, (about - near["posted_last"]).dt.days).clip(lower=0)
    near = near.assign(apart=apart)[apart <= 60]
    near = near.sort_values(["apart", "seat", "row"], ascending=[True, False, True])
    near = near.drop_duplicates("row").drop_duplicates("crown").set_index("crown")
    crowns["seat"] = near["seat"].reindex(crowns.index).fillna(crowns["posted_last"])
    crowns["material"] = near["Made Of"].reindex(crowns.index).fillna(crowns["material"])
    return crowns


def crowns_from_elsewhere(
    existing: pd.DataFrame, here: pd.DataFrame, details: pd.DataFrame, ends: pd.DataFrame
) -> pd.DataFrame:
    teeth = existing.groupby("key").agg(patient=("patient", "first"), tooth=("tooth", "first"), dated=("day", "min"))
    teeth = teeth.join(ends["first_seen"], on="patient", how="inner")
    teeth = teeth.join(here.groupby("key")["posted_first"].min().rename("first_here"))
    teeth["sighted"] = teeth[["dated", "first_seen"]].max(axis=1)
    teeth = teeth[teeth["first_here"].isna() | (teeth["sighted"] <= teeth["first_here"])].reset_index()
    noted = details[details["tooth"].between(11, 48) & details["seat"].notna()].assign(key=tooth_key)
    noted = noted[["key", "seat", "Made Of"]].merge(teeth[["key", "sighted", "first_here"]], on="key")
    noted = noted[(noted["seat"] <= noted["sighted"]) & ~(noted["seat"] >= noted["first_here"])]
    noted = noted.sort_values("seat").drop_duplicates("key", keep="last").set_index("key")
    dated = teeth["dated"].where(teeth["dated"] < teeth["first_seen"])
    teeth["seat"] = teeth["key"].map(noted["seat"]).fillna(dated)
    teeth["material"] = teeth["key"].map(noted["Made Of"])
    teeth["entry"] = teeth[["seat", "sighted"]].max(axis=1)
    return teeth[["key", "patient", "tooth", "seat", "material", "entry", "sighted"]]


def first_after(teeth: pd.DataFrame, days: pd.DataFrame) -> pd.Series:
    """The first day after `since` of each tooth, in the order of `teeth`."""
    left = teeth[["key", "since"]].reset_index(names="nth").sort_values("since")
    right = days[["key", "day"]].sort_values("day")
    hit = pd.merge_asof(
        left, right, left_on="since", right_on="day", by="key", direction="forward", allow_exact_matches=False
    )
    return hit.set_index("nth")["day"].sort_index()


def mark_renewing(courses: pd.DataFrame, crowns: pd.DataFrame) -> pd.DataFrame:
    """Courses done for a new crown that is seated at most 120 days after they were completed."""
    seats = crowns.loc[crowns["posted_first"].notna(), ["key", "seat"]].sort_values("seat")
    courses = courses.sort_values("started", ignore_index=True)
    courses = pd.merge_asof(courses, seats, left_on="started", right_on="seat", by="key", direction="forward")
    limit = courses["completed"].fillna(courses["started"]) + pd.Timedelta(days=120)
    return courses.assign(renewing=courses["seat"] <= limit)


def end_crowns(  # noqa: PLR0917
    crowns: pd.DataFrame,
    courses: pd.DataFrame,
    events: pd.DataFrame,
    extracted: pd.Series,
    ends: pd.DataFrame,
    seen: pd.DataFrame,
) -> pd.DataFrame:
    follows = crowns["key"] == crowns["key"].shift(-1)
    next_posted = crowns["posted_first"].shift(-1).where(follows)
    next_seat = crowns["seat"].shift(-1).where(follows)
    lost = crowns["key"].map(extracted)
    given_up = courses.loc[courses["renewing"], ["key", "started"]].rename(columns={"started": "day"})
    failed = pd.concat(
        [
            next_posted.where(next_posted > crowns["since"], next_seat),
            lost.where(lost >= crowns["since"]),
            first_after(crowns, events[events["code"].isin(RETAINER)]),
            first_after(crowns, events[events["code"].isin(REMOVED)]),
            first_after(crowns, given_up),
        ],
        axis=1,
    ).min(axis=1)
    end = crowns["patient"].map(ends["end"])
    gap_seen, last_with_tooth = lost_between_visits(events, extracted, seen)
    gone = crowns["key"].map(gap_seen) > crowns["entry"]
    last = crowns["key"].map(last_with_tooth).fillna(crowns["entry"])
    end = end.where(~gone, pd.concat([end, last], axis=1).min(axis=1))
    end = pd.concat([end, crowns["entry"]], axis=1).max(axis=1)
    failure = failed <= end
    return crowns.assign(failure=failure, exit=failed.where(failure, end))


def lost_between_visits(events: pd.DataFrame, extracted: pd.Series, seen: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    stands = events[events["code"].isin(STANDS_FOR_A_TOOTH)].groupby("key")["day"].min().rename("stands").reset_index()
    known = stands["key"].map(extracted)
    stands = stands[~(known <= stands["stands"])].assign(patient=lambda d: d["key"] // 64)
    days = seen.drop_duplicates().merge(stands, on="patient")
    last = days[days["day"] < days["stands"]].groupby("key")["day"].max()
    return stands.set_index("key")["stands"], last


def name_timing(crowns: pd.DataFrame, courses: pd.DataFrame) -> pd.DataFrame:
    begun = crowns["key"].map(courses.groupby("key")["started"].min()) <= crowns["since"]
    other = courses.loc[~courses["renewing"], ["key", "started"]].rename(columns={"started": "day"})
    opened = first_after(crowns, other)
    through = ~begun & (opened <= crowns["exit"]) & ~(crowns["failure"] & (opened == crowns["exit"]))
    timing = np.select([begun, through], ["before_seat", "through_crown"], "vital")
    return crowns.assign(timing=timing, access=opened.where(through))


def figures(crowns: pd.DataFrame, courses: pd.DataFrame) -> dict:
    known = crowns[crowns["seat"].notna()]
    followed = (known["exit"] - known["entry"]).dt.days
    return {
        "crowns": known.groupby("timing").size().to_dict(),
        "failures": {k: int(n) for k, n in known.groupby("timing")["failure"].sum().items()},
        "tooth_days": {k: int(n) for k, n in followed.groupby(known["timing"]).sum().items()},
        "completed_courses": int(courses["completed"].notna().sum()),
    }


def cut_at_opening(crowns: pd.DataFrame, patients: pd.DataFrame) -> pd.DataFrame:
    """One row a crown and state: an opened crown is vital until that day."""
    start = (crowns["entry"] - crowns["seat"]).dt.days
    stop = (crowns["exit"] - crowns["seat"]).dt.days
    access = (crowns["access"] - crowns["seat"]).dt.days
    rows = crowns[["patient", "tooth", "seat", "material", "provider", "timing"]].assign(start=start, stop=stop)
    opened = access < stop
    until = rows[opened & (start < access)].assign(stop=access, event=False, state="vital")
    after = rows[opened].assign(start=np.maximum(start, access), event=crowns["failure"], state="through_crown")
    whole = rows[~opened].assign(event=crowns["failure"])
    whole["state"] = np.where(whole["timing"] == "before_seat", "before_seat", "vital")
    spells = pd.concat([until, after, whole], ignore_index=True)
    spells = spells[(spells["stop"] > spells["start"]) | (spells["start"] <= 0)]
    spells["start"] = spells["start"].where(spells["start"] > 0, -1)  # there on day 0
    people = patients.set_index("patient")[["Born", "Sex", "Smokes", "Grinds"]]
    return spells.join(people, on="patient").reset_index(drop=True)


def curves(spells: pd.DataFrame) -> dict:
    found = {}
    for state, rows in spells.groupby("state"):
        curve = KaplanMeierFitter().fit(rows["stop"], rows["event"], entry=rows["start"].clip(lower=0))
        found[state] = float(curve.predict(round(5 * YEAR)))
    return found


def covariates(spells: pd.DataFrame) -> pd.DataFrame:
    age = (spells["seat"] - spells["Born"]).dt.days / YEAR
    year = spells["seat"].dt.year + (spells["seat"].dt.dayofyear - 1) / YEAR
    place = spells["tooth"] % 10
    levels = pd.DataFrame(
        {
            "sex": spells["Sex"],
            "smoking": spells["Smokes"],
            "bruxism": spells["Grinds"],
            "material": spells["material"],
            "tooth": np.select([place <= 3, place <= 5], ["anterior", "premolar"], "molar"),
        },
        index=spells.index,
    ).fillna("unknown")
    dummies = pd.get_dummies(levels, drop_first=True, dtype=float)
    lines = pd.DataFrame({"age": (age.fillna(age.mean()) - age.mean()) / 10, "year": (year - year.mean()) / 5})
    return pd.concat([lines, age.isna().astype(float).rename("age_unknown"), dummies], axis=1)


def clinicians(spells: pd.DataFrame) -> pd.Series:
    return spells["provider"].astype(object).fillna("unknown").rename("provider")


def hazard_ratio(
    spells: pd.DataFrame, columns: pd.DataFrame, *, errors: str, strata: pd.Series | None = None
) -> dict[str, float]:
    rows = pd.concat([spells[["start", "stop", "event"]], columns], axis=1)
    more: dict = {}
    if strata is not None:
        rows, more = rows.assign(provider=strata), {"strata": ["provider"]}
    if errors == "patient":
        rows, more = rows.assign(patient=spells["patient"]), more | {"cluster_col": "patient"}
    fit = CoxPHFitter().fit(rows, duration_col="stop", event_col="event", entry_col="start", **more)
    return {
        "hazard_ratio": float(np.exp(fit.params_["through_crown"])),
        "log_error": float(fit.standard_errors_["through_crown"]),
    }


if __name__ == "__main__":
    main()
