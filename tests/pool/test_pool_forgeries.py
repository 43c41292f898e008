"""An attacker who signs well: each forgery breaks one thing of an honest file and is refused with the reason."""

from __future__ import annotations

import copy
import dataclasses
import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pool_practices import MAIN, key_of, practice, under_seal, written

from pipeline.machine.errors import DataError
from pipeline.release.pool.combine import pool
from pipeline.release.pool.files import as_bytes, digest, read_contribution
from pipeline.release.pool.members import read_members
from pipeline.release.pool.signing import key_number

TODAY = dt.date(2025, 3, 1)
FORGER = key_of("the forger")
BODY: dict[str, Any] = json.loads(as_bytes(practice(3, crowns=3000)))
SEALERS = "technique_sealer_tooth_loss:calcium_silicate:epoxy_resin"


def canonical(body: dict[str, Any]) -> str:
    return json.dumps(body, sort_keys=True, indent=1)


def forged(change: Callable[[dict[str, Any]], None]) -> bytes:
    """The honest file with one change, under the forger's own good signature and digest."""
    body = copy.deepcopy(BODY)
    change(body)
    body["key"] = FORGER.public
    unsigned = {k: v for k, v in body.items() if k not in ("kind", "digest", "signature")}
    body["signature"] = FORGER.sign(canonical(unsigned).encode())
    rest = {k: v for k, v in body.items() if k != "digest"}
    return (canonical(rest | {"digest": digest(rest)}) + "\n").encode()


def refused(folder: Path, content: bytes) -> str:
    path = folder / "given.json"
    path.write_bytes(content)
    with pytest.raises(DataError) as told:
        read_contribution(path, today=TODAY)
    assert "given.json" in str(told.value)
    return str(told.value)


def main_of(body: dict[str, Any]) -> dict[str, Any]:
    return next(c for c in body["contrasts"] if c["id"] == MAIN)


def at(path: str, value: object) -> Callable[[dict[str, Any]], None]:
    """Set one value of the main question: `reference.table.3.followed`."""

    def change(body: dict[str, Any]) -> None:
        place: Any = main_of(body)
        *way, last = (int(k) if k.isdigit() else k for k in path.split("."))
        for key in way:
            place = place[key]
        assert place[last] != value
        place[last] = value

    return change


def all_lines(name: str, made: Callable[[int, dict[str, Any]], object]) -> Callable[[dict[str, Any]], None]:
    """Set one value in every line of the reference's table, from its place and the line."""

    def change(body: dict[str, Any]) -> None:
        for i, line in enumerate(main_of(body)["reference"]["table"]):
            line[name] = made(i, line)

    return change


def both(*changes: Callable[[dict[str, Any]], None]) -> Callable[[dict[str, Any]], None]:
    def change(body: dict[str, Any]) -> None:
        for one in changes:
            one(body)

    return change


def longer(body: dict[str, Any]) -> None:
    """Follow-up of 21 and a half years in records that end in January 2000."""
    table = main_of(body)["reference"]["table"]
    while table[-1]["months"] < 258:
        table.append(table[-1] | {"months": table[-1]["months"] + 6, "tooth_years": table[-1]["tooth_years"] + 5})
    body["data_until"] = "2000-01"


def side(name: str, teeth: int = 400, patients: int = 380, failures: int = 60) -> dict[str, Any]:
    return {"name": name, "teeth": teeth, "patients": patients, "failures": failures, "tooth_groups": [], "table": []}


def question(id: str, group: dict[str, Any], reference: dict[str, Any], **changes: object) -> dict[str, Any]:
    made = {"id": id, "outcome": "tooth_loss", "clock": "since_completion", "group": group, "reference": reference}
    return made | {"crude": None, "adjusted": None, "gap": None} | changes


def more(*questions: dict[str, Any]) -> Callable[[dict[str, Any]], None]:
    return lambda body: body["contrasts"].extend(copy.deepcopy(questions))


def top(name: str, value: object) -> Callable[[dict[str, Any]], None]:
    return lambda body: body.__setitem__(name, value)


ENDO = SEALERS.replace("tooth_loss", "endo_failure")
CASH, EPOXY = side("calcium_silicate"), side("epoxy_resin")
FORGERIES: dict[str, tuple[Callable[[dict[str, Any]], None], str]] = {
    "more failures than teeth": (at("reference.failures", 770), "more in a part"),
    "more patients than teeth": (at("reference.patients", 770), "more in a part"),
    "a count under 11": (at("reference.failures", 5), "a count"),
    "an exact count": (at("reference.teeth", 766), "a count"),
    "a count that is no number": (at("reference.teeth", "765"), "a count|holds what no practice"),
    "a count below none": (at("reference.teeth", -765), "a count"),
    "mouths of 70 teeth": (at("reference.patients", 10), "more teeth than a mouth"),
    "a part larger than all": (at("reference.tooth_groups", [150, 200, 760]), "more in all parts"),
    "parts that lack half": (at("reference.tooth_groups", [150, 200, 100]), "are not the teeth"),
    "a case mix of two groups": (at("reference.tooth_groups", [350, 415]), "a case mix|holds what no"),
    "more followed than there are": (at("reference.table.3.followed", 770), "more than there are"),
    "failed and still followed": (at("reference.table.20.followed", 760), "have failed or are still followed"),
    "nobody leaves": (
        all_lines("followed", lambda i, line: 765 if i < 3 else line["followed"]), "do not fit|followed no longer"
    ),
    "failed more than left": (
        both(
            all_lines("followed", lambda i, line: max(line["followed"], 720) if i < 10 else line["followed"]),
            all_lines("failures", lambda i, line: None if i < 3 else 105),
        ),
        "failed|fail in half a year|tooth-years do not fit",
    ),
    "all failures in half a year": (
        all_lines("failures", lambda i, line: None if i == 0 else 105),
        "more teeth fail in half a year|more teeth have failed",
    ),
    "falling failures": (at("reference.table.20.failures", 10), "falling failures"),
    "failures that vanish": (at("reference.table.20.failures", None), "failures that vanish"),
    "more failures in the table than in all": (at("reference.table.36.failures", 200), "more than there are"),
    "a gap in the table": (at("reference.table.5.months", 36), "a gap in the table"),
    "a month off the grid": (at("reference.table.5.months", 31), "a month"),
    "falling tooth-years": (at("reference.table.5.tooth_years", 5), "falling tooth-years"),
    "more time than teeth have": (
        all_lines("tooth_years", lambda i, line: line["tooth_years"] + 500 * (i > 5)),
        "more tooth-years than teeth",
    ),
    "no time at all": (all_lines("tooth_years", lambda *_: 0), "tooth-years do not fit"),
    "twice the time": (all_lines("tooth_years", lambda i, _: 380 * i), "tooth-years do not fit"),
    "longer than there are records": (longer, "longer than there are records"),
    "data of the future": (top("data_until", "2031-05"), "still to come"),
    "an error for a trial of thousands": (at("crude.std_error", 0.06), "smaller than so few|too fine"),
    "an adjusted error too small": (at("adjusted.std_error", 0.07), "smaller than so few|too fine"),
    "an adjusted ratio from elsewhere": (at("adjusted.log_hazard_ratio", 4.5), "cannot be of the same teeth"),
    "ratios that the counts deny": (
        both(at("crude.log_hazard_ratio", 4.5), at("adjusted.log_hazard_ratio", 4.5)),
        "does not fit failures and tooth-years",
    ),
    "fewest adjustments are most": (
        at("crude.adjusted_for", ["material", "age of the crown", "sex", "diabetes", "smoking", "clinician",
                                  "tooth group", "year of the seat", "bruxism"]),
        "fewest adjustments",
    ),
    "a ratio between steps": (at("adjusted.log_hazard_ratio", 0.61), "a hazard ratio"),
    "a step too fine": (at("adjusted.step", 0.01), "too fine a step"),
    "another model": (at("adjusted.model", "cox"), "another model"),
    "an unknown characteristic": (at("adjusted.adjusted_for", ["Mrs Zwaluw"]), "a characteristic"),
    "a difference the other way": (
        both(at("adjusted.log_hazard_ratio", 0.9), at("gap.per_100", -20)), "on opposite sides"
    ),
    "a difference far too sure": (both(at("gap.per_100", 40), at("gap.std_error", 1.0)), "far surer"),
    "a difference that the counts deny": (
        both(at("gap.per_100", 95), at("gap.std_error", 10.0)), "the difference does not fit failures"
    ),
    "a difference's error too small": (at("gap.std_error", 0.2), "smaller than so few|too fine"),
    "a difference between steps": (at("gap.per_100", 7), "a difference"),
    "a difference of more than all": (at("gap.per_100", 105), "a difference"),
    "a ratio of a hidden group": (
        both(at("group.failures", None), at("group.table", [])), "a ratio of a hidden group"
    ),
    "an unknown question": (more(question("by_clinician", CASH, EPOXY)), "a question"),
    "a question twice": (more(*[question(SEALERS, CASH, EPOXY)] * 2), "stands twice"),
    "another clock": (more(question(SEALERS, CASH, EPOXY, clock="since_seat")), "another day"),
    "groups the other way round": (more(question(SEALERS, EPOXY, CASH)), "a group"),
    "other counts in another pair": (
        more(
            question(SEALERS, CASH, EPOXY),
            question(SEALERS.replace("calcium_silicate", "zinc_oxide_eugenol"), side("zinc_oxide_eugenol"),
                     side("epoxy_resin", teeth=500)),
        ),
        "other counts in one pair than in another",
    ),
    "more teeth lost than failed": (
        more(question(SEALERS, CASH, EPOXY),
             question(ENDO, side("calcium_silicate", failures=20), EPOXY, outcome="endo_failure")),
        "more teeth of `calcium_silicate` were lost than failed",
    ),
    "other teeth in the second question": (
        more(question("crown_longevity_since_endo", side("through_crown", 220, 215, 50),
                      side("before_seat", 400, 300, 60), outcome="crown_failure", clock="since_opening_or_seat")),
        "has other teeth in",
    ),
    "no marks": (top("marks", []), "no marks"),
    "marks of nobody": (top("marks", [0] * 256), "marks are of fewer patients"),
    "marks of a tenth of the patients": (top("marks", [20, -21] * 128), "marks are of fewer patients"),
    "too few marks": (top("marks", [1] * 128), "so many marks"),
    "marks that are no numbers": (top("marks", [0.5] * 256), "a mark"),
    "marks beyond all sense": (top("marks", [10**12] * 256), "a mark"),
    "a rule in words": (top("rules", [["lab_days", "Mrs Zwaluw"]]), "a rule"),
    "a name as note": (top("note", "Mrs Zwaluw"), "a note"),
    "a name as code": (top("code", "Alder Row Dental"), "a practice code"),
    "a version of its own": (top("software", "Mrs Zwaluw 1.0"), "a version"),
    "one key more": (top("remark", "Mrs Zwaluw"), "holds what no practice may give away"),
    "a key that replaces a name": (top("former_keys", ["Mrs Zwaluw"]), "a former key"),
    "an outdated form": (top("schema", 1), "another version"),
}  # fmt: skip


def test_the_honest_file_under_another_key_is_read(tmp_path: Path) -> None:
    path = tmp_path / "given.json"
    path.write_bytes(forged(lambda _: None))
    assert read_contribution(path, today=TODAY).key == FORGER.public
    assert len(FORGERIES) >= 50


@pytest.mark.parametrize(("change", "reason"), FORGERIES.values(), ids=FORGERIES)
def test_a_forgery_is_refused_with_its_reason(
    tmp_path: Path, change: Callable[[dict[str, Any]], None], reason: str
) -> None:
    told = refused(tmp_path, forged(change))
    assert any(part in told for part in reason.split("|")), told
    assert "Zwaluw" not in told


# Signatures


GIVEN, OTHER = under_seal(practice(1)), under_seal(practice(2))


def sealed(given: object, **changes: object) -> bytes:
    """A file with some fields changed and the digest made anew, the signature as it was."""
    return as_bytes(dataclasses.replace(given, **changes))  # type: ignore[type-var, arg-type]


@pytest.mark.parametrize(
    "changes",
    [
        {"data_until": "2024-11"},
        {"code": "f" * 16},
        {"contrasts": GIVEN.contrasts[:1]},
        {"marks": tuple(-n for n in GIVEN.marks)},
        {"former_keys": (key_number(OTHER.key),)},
        {"key": OTHER.key},
        {"signature": OTHER.signature},
        {"key": OTHER.key, "signature": OTHER.signature},
        {"signature": "0" * 128},
        {"software": "toothyears 9.9.9"},
    ],
)
def test_a_signature_is_of_every_field(tmp_path: Path, changes: dict[str, Any]) -> None:
    assert "the signature is not of this content" in refused(tmp_path, sealed(GIVEN, **changes))


def test_a_signature_for_another_purpose_is_none(tmp_path: Path) -> None:
    """The same key signs the same bytes without saying what for."""
    key = key_of(GIVEN.code)
    body = {k: v for k, v in json.loads(as_bytes(GIVEN)).items() if k not in ("kind", "digest", "signature")}
    bare = key._private.sign(canonical(body).encode()).hex()
    assert "the signature is not of this content" in refused(tmp_path, sealed(GIVEN, signature=bare))


SMALL_ORDER = (
    "01" + "00" * 31,
    "01" + "00" * 30 + "80",
    "ee" + "ff" * 30 + "7f",
    "ec" + "ff" * 30 + "7f",
    "00" * 32,
    "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05",
    "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a",
)


@pytest.mark.parametrize("key", SMALL_ORDER)
def test_a_public_key_under_which_anything_is_signed_is_refused(tmp_path: Path, key: str) -> None:
    """With a key of small order, R the neutral point and S = 0 sign any content in a library that does not look."""
    for n in range(8):
        content = sealed(GIVEN, key=key, signature="01" + "00" * 63, software=f"toothyears 0.1.{n}")
        assert "the signature is not of this content" in refused(tmp_path, content)


def test_an_unsigned_file_is_taken_by_name_only(tmp_path: Path) -> None:
    bare = dataclasses.replace(practice(1), key="", signature="")
    assert "signed by nobody" in refused(tmp_path, as_bytes(bare))
    assert read_contribution(tmp_path / "given.json", unsigned=True) == bare
    assert [p.signed_by for p in pool([bare, OTHER]).practices] == ["nobody", "key"]


def members(folder: Path, **keys: list[str]) -> dict[str, str]:
    path = folder / "members.toml"
    path.write_text("[practices]\n" + "".join(f"{n} = {json.dumps(k)}\n" for n, k in keys.items()), encoding="utf-8")
    return read_members(path)


def test_members_alone_are_pooled_and_each_once(tmp_path: Path) -> None:
    one, two = key_number(GIVEN.key), key_number(OTHER.key)
    listed = members(tmp_path, Oak=[one.replace(" ", "-")], Elm=[two])
    assert [p.signed_by for p in pool([GIVEN, OTHER], members=listed).practices] == ["member"] * 2
    with pytest.raises(DataError, match=rf"{OTHER.code} is signed with the key number {two}, which is no member's"):
        pool([GIVEN, OTHER], members=members(tmp_path, Oak=[one]))
    with pytest.raises(DataError, match=r"both of the member .Oak."):
        pool([GIVEN, OTHER], members=members(tmp_path, Oak=[one, two]))


def test_a_new_key_for_a_lost_one_is_no_second_practice(tmp_path: Path) -> None:
    first = under_seal(practice(1))
    lost = dataclasses.replace(practice(2), former_keys=(key_number(first.key),))
    renewed = under_seal(lost, "the new key")
    with pytest.raises(DataError, match="one key takes the place of the other"):
        pool([first, renewed])
    same = under_seal(practice(2), first.code)
    with pytest.raises(DataError, match="signed with the same key"):
        pool([first, same])
    listed = members(
        tmp_path, Oak=[key_number(key_of("lost").public), key_number(renewed.key)], Elm=[key_number(OTHER.key)]
    )
    assert listed[key_number(renewed.key)] == "Oak"


def test_a_written_file_says_by_its_key_number_who_signed(tmp_path: Path) -> None:
    read = read_contribution(written(practice(1), tmp_path))
    assert key_number(read.key) == key_of(read.code).number
    assert len(key_of("a").number.replace(" ", "")) == 30
    assert key_of("a").number != key_of("b").number
    assert key_of("a")._seed.hex() not in repr(key_of("a"))
