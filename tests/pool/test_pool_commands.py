"""`contribute` and `pool` as a user would call them, on a small invented practice and some drawn ones."""

from __future__ import annotations

import dataclasses
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from plain_gate import plain_gate
from pool_practices import MAIN, practice, results_of, written

from pipeline.machine.errors import ConfigError, DataError
from pipeline.practice.pseudonyms import key_path
from pipeline.practice.settings import Borrowing
from pipeline.practice.tables import CROWNS, PATIENTS
from pipeline.questions.crown_rows import crown_rows, own_crowns, state_spells
from pipeline.reading.config import code_table, load_settings
from pipeline.release.memory import LATEST
from pipeline.release.memory_file import BEGIN_ANEW
from pipeline.release.pool.contribution import Contribution
from pipeline.release.pool.evidence import others_of, with_evidence
from pipeline.release.pool.files import read_contribution, write_contribution
from pipeline.release.pool.make import contribution
from pipeline.release.pool.others_and_yours import Others
from pipeline.release.pool.signing import key_number, practice_code
from pipeline.results import to_plain
from pipeline.stages import run
from pipeline.stages.cli import cli, main
from pipeline.storing.store import open_store
from synthetic_data.generate import simulate

ROOT = Path(__file__).resolve().parents[2]


def toothyears(*arguments: str | Path) -> Result:
    """The command in this process, in the present folder; errors that the user can mend are kept in the result."""
    return CliRunner().invoke(cli, [str(a) for a in arguments])


def compared(folder: Path, *stages: str) -> None:
    """The practice after some stages; its comparison is the main one alone, which takes no time."""
    for stage in stages:
        done = toothyears(stage, folder / "practice.toml")
        assert done.exit_code == 0, done.stderr
    with open_store(folder / "practice.duckdb") as store:
        results = results_of(own_crowns(store.read(CROWNS)), store.read(PATIENTS))
        with store.transaction():
            store.save_text("results", json.dumps(to_plain(dataclasses.replace(results, techniques=()))))
            store.mark_done("compare")


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("pooling")
    simulate(folder / "one", crowns=1500, seed=4)
    compared(folder / "one", "ingest", "link")
    return folder


@pytest.fixture(scope="module")
def contributed(folder) -> Path:
    done = toothyears("contribute", folder / "one" / "practice.toml", "--out", folder / "given")
    assert done.exit_code == 0, done.stderr
    assert "nothing in the file is about a person" in done.stderr
    return Path(done.stdout.strip().splitlines()[-1])


@pytest.mark.thorough
def test_contribute_writes_one_released_file(folder, contributed):
    given = read_contribution(contributed)
    assert [p.name for p in (folder / "given").iterdir()] == [contributed.name]
    assert [c.id for c in given.contrasts] == ["crown_longevity_by_endo_timing"]
    assert given.contrasts[0].reference.teeth > 100
    assert given.data_until == "2024-12"
    text = contributed.read_text(encoding="utf-8")
    ids = {
        line.split(",")[0] for line in (folder / "one" / "patients.csv").read_text(encoding="utf-8").splitlines()[1:]
    }
    assert len(ids) > 100
    assert not any(f'"{i}"' in text for i in ids)
    assert "Alder" not in text
    assert re.findall(r"\d{4}-\d\d-\d\d", text) == []


def test_contributing_again_gives_the_same_code_and_bytes(folder, contributed):
    done = toothyears("contribute", folder / "one" / "practice.toml", "--out", folder / "again")
    assert Path(done.stdout.strip().splitlines()[-1]).read_bytes() == contributed.read_bytes()
    # A database built anew with the key kept has no code stored, and comes to the same one.
    key = key_path(folder / "one" / "practice.duckdb", None)
    assert practice_code(None, key=key) == read_contribution(contributed).code


@pytest.mark.slow
def test_a_database_built_anew_gives_the_same_code(folder, contributed):
    shutil.copytree(folder / "one", folder / "anew", ignore=shutil.ignore_patterns("*.duckdb*"))
    compared(folder / "anew", "ingest", "link")
    done = toothyears("contribute", folder / "anew" / "practice.toml", "--out", folder / "third")
    again = read_contribution(Path(done.stdout.strip().splitlines()[-1]))
    assert again.code == read_contribution(contributed).code


def test_files_of_others_are_read_before_anything_is_compared(folder, contributed, tmp_path):
    club = tmp_path / "a club"
    club.mkdir()
    shutil.copy(contributed, club)
    other = written(practice(2), club)
    toml = folder / "one" / "with others.toml"
    text = (folder / "one" / "practice.toml").read_text(encoding="utf-8")

    def read(pattern: str, **change: str) -> Others:
        allowed = text.replace("[practice]", "[practice]\nfiles_outside = true", 1)
        toml.write_text(f"{allowed}\n[evidence]\ncontributions = {json.dumps(pattern)}\nunlisted = true\n")
        with open_store(folder / "one" / "practice.duckdb", read_only=True) as store:
            return run._others(store, load_settings(toml), dataclasses.replace(told, rules={**told.rules, **change}))

    settings = load_settings(folder / "one" / "practice.toml")
    with open_store(settings.practice.database, read_only=True) as store:
        told = run._summary(store, settings, code_table(settings))

    found = read(f"{club}/contribution-*.json")
    assert (found.given, found.own_files) == ((read_contribution(other),), 1)
    assert found.code == read_contribution(contributed).code
    with pytest.raises(ConfigError, match=r"\[evidence\] contributions: nothing matches"):
        read(f"{club}/none-*.json")
    with pytest.raises(DataError, match=r"course_gap_days.*Agree on these settings"):
        read(f"{club}/contribution-*.json", course_gap_days="90")
    (club / "pooled.json").write_text('{"practices": []}')
    with pytest.raises(DataError, match=r"pooled\.json is no contribution"):
        read(f"{club}/pooled.json")


def test_our_figures_under_another_code_are_not_counted_twice(folder, monkeypatch):
    monkeypatch.setattr("pipeline.release.pool.make.gate_of", lambda results: plain_gate())
    with open_store(folder / "one" / "practice.duckdb") as store:
        crowns, patients = store.read(CROWNS), store.read(PATIENTS)
    results = run.stored_results(load_settings(folder / "one" / "practice.toml"))
    spells = {MAIN: state_spells(crown_rows(own_crowns(crowns), patients)).with_columns(unit="crown_id")}
    given = contribution(results, spells, code="00000000000000aa")
    others = others_of([given], code="00000000000000bb", rules=given.rules, borrowing=Borrowing())
    with pytest.raises(DataError, match="same figures under different codes"):
        with_evidence(results, others, lambda: spells)
    apart = others_of([practice(2)], code="00000000000000bb", rules=given.rules, borrowing=Borrowing())
    (row,) = with_evidence(results, apart, lambda: spells).evidence.rows
    assert (row.id, row.studies, row.rests_on) == (MAIN, 1, "together")


def test_contribute_needs_what_was_compared(folder, tmp_path):
    shutil.copytree(folder / "one", tmp_path / "one", ignore=shutil.ignore_patterns("*.duckdb*"))
    toml = tmp_path / "one" / "practice.toml"
    done = toothyears("contribute", toml, "--out", tmp_path / "out")
    assert "Run `toothyears ingest`" in str(done.exception)
    shutil.copy(folder / "one" / "practice.duckdb", toml.parent)
    assert toothyears("link", toml).exit_code == 0  # what was compared before is out of date from now on
    done = toothyears("contribute", toml, "--out", tmp_path / "out")
    assert "Run `toothyears compare`" in str(done.exception)
    assert not (tmp_path / "out").exists()


def test_pool_writes_page_slides_and_figures(folder, contributed):
    others = [written(practice(seed), folder / "others") for seed in (2, 3)]
    done = toothyears("pool", contributed, *others, "--unlisted", "--out", folder / "pooled")
    assert done.exit_code == 0, done.stderr
    assert done.stdout.strip().splitlines()[-1] == str(folder / "pooled" / "pooled.html")
    assert {p.name for p in (folder / "pooled").iterdir()} == {"pooled.html", "pooled.json", "pooled.pptx"}
    told = json.loads((folder / "pooled" / "pooled.json").read_text(encoding="utf-8"))
    assert len(told["practices"]) == 3
    assert toothyears("pool", *others, contributed, "--unlisted", "--out", folder / "other_way").exit_code == 0
    for name in ("pooled.html", "pooled.json", "pooled.pptx"):
        assert (folder / "pooled" / name).read_bytes() == (folder / "other_way" / name).read_bytes()


def test_pool_refuses_without_writing(folder, contributed, tmp_path):
    forged = tmp_path / "forged.json"
    forged.write_text(contributed.read_text(encoding="utf-8").replace("2024-12", "2025-12"))
    for files, told in (
        ([contributed], "at least two practices"),
        ([contributed, contributed], "same practice"),
        ([contributed, forged], "changed after it was written"),
        ([contributed, folder / "one" / "practice.toml"], "is no contribution"),
        ([contributed, folder / "nothing.json"], "is no file"),
    ):
        done = toothyears("pool", *files, "--unlisted", "--out", folder / "refused")
        assert told in str(done.exception)
        assert done.exception.exit_code == 1
    assert not (folder / "refused").exists()


REFUSAL = "toothyears: Pooling needs the files of at least two practices.\n"


def test_a_refusal_is_told_without_a_traceback(contributed, monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["toothyears", "pool", str(contributed), "--unlisted"])
    for kept in ("os.umask", "signal.signal"):  # they would outlast this test
        monkeypatch.setattr(f"pipeline.stages.cli.{kept}", lambda *_: None)
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 1
    assert capsys.readouterr().err == REFUSAL


@pytest.mark.slow
def test_a_refusal_of_a_process_is_told_without_a_traceback(contributed, tmp_path):
    command = [sys.executable, "-m", "pipeline", "pool", str(contributed), "--unlisted"]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr == REFUSAL


def test_both_commands_have_help_and_stand_in_the_readme():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for command in ("contribute", "pool"):
        assert f"`toothyears {command} " in readme
        assert toothyears(command, "--help").exit_code == 0


@pytest.mark.slow
def test_two_practices_through_all_stages(tmp_path):
    for seed in (1, 2):
        simulate(tmp_path / f"p{seed}", crowns=1500, seed=seed)
        for stage in ("ingest", "link", "compare", "contribute"):
            out = () if stage in ("ingest", "link") else ("--out", tmp_path / "given")
            done = toothyears(stage, tmp_path / f"p{seed}" / "practice.toml", *out)
            assert done.exit_code == 0, done.stderr
    files = sorted((tmp_path / "given").glob("contribution-*.json"))
    assert toothyears("pool", *files, "--unlisted", "--out", tmp_path / "pooled").exit_code == 0
    told = json.loads((tmp_path / "pooled" / "pooled.json").read_text(encoding="utf-8"))
    assert len(told["comparisons"]) > 20
    assert {c["technique"] for c in told["comparisons"]} == {True, False}


# Keys and members


@pytest.fixture
def keyed(folder, contributed, tmp_path) -> Path:
    """A copy of the practice that has contributed once."""
    shutil.copytree(folder / "one", tmp_path / "one")
    return tmp_path / "one"


def contribute(practice: Path, *options: str) -> Result:
    return toothyears("contribute", practice / "practice.toml", "--out", practice / "given", *options)


def given_by(done: Result) -> Contribution:
    assert done.exit_code == 0, done.exception
    return read_contribution(Path(done.stdout.strip().splitlines()[-1]))


def test_the_signing_key_is_for_its_owner_alone_and_named_by_its_number(keyed):
    key = keyed / "practice.signing.key"
    assert oct(key.stat().st_mode & 0o777) == "0o600"
    done = contribute(keyed)
    given = given_by(done)
    number = key_number(given.key)
    assert f"this practice's key number is {number}" in done.stderr
    assert key.read_text(encoding="utf-8").splitlines()[-1] not in done.stderr + next(
        (keyed / "given").glob("*.json")
    ).read_text(encoding="utf-8")
    assert (
        key.read_text(encoding="utf-8").splitlines()[-1]
        != (keyed / "practice.key").read_text(encoding="utf-8").splitlines()[-1]
    )


def test_a_lost_signing_key_is_never_replaced_unasked(keyed):
    before = given_by(contribute(keyed))
    key = keyed / "practice.signing.key"
    key.rename(keyed / "copy")
    done = contribute(keyed)
    assert "give --new-key" in str(done.exception)
    assert key_number(before.key) in str(done.exception)
    assert not key.exists()
    after = given_by(contribute(keyed, "--new-key"))
    assert after.former_keys == (key_number(before.key),)
    assert (after.key != before.key, after.code) == (True, before.code)
    # Found again: it signs as before, and both numbers stay this practice's.
    key.rename(keyed / "new")
    (keyed / "copy").rename(key)
    again = given_by(contribute(keyed))
    assert again.key == before.key
    assert again.former_keys == (key_number(after.key),)
    key.write_text(
        key.read_text(encoding="utf-8").replace(key.read_text(encoding="utf-8").splitlines()[-1], os.urandom(32).hex())
    )
    assert "this is another key" in str(contribute(keyed).exception)


def test_where_the_memory_of_releases_is_gone_nothing_is_given(keyed):
    given_by(contribute(keyed))
    memory = keyed / "practice.releases"
    memory.unlink()
    assert "Put the latest copy in its place" in str(contribute(keyed).exception)
    # A database that never shared: what was given lies in the folder.
    with open_store(keyed / "practice.duckdb") as store, store.transaction():
        store.save_text(LATEST, "")
    assert "Put the latest copy in its place" in str(contribute(keyed).exception)
    memory.write_text(BEGIN_ANEW)
    given_by(contribute(keyed))
    given_by(contribute(keyed))


def test_a_weak_signing_key_is_refused(keyed):
    (keyed / "practice.signing.key").write_text("00" * 32)
    assert "this key is weak: it is all zeros" in str(contribute(keyed).exception)


def test_pool_with_a_list_of_members(folder, contributed, tmp_path):
    other = written(practice(2), tmp_path)
    numbers = {name: key_number(read_contribution(p).key) for name, p in (("Oak", contributed), ("Elm", other))}
    listed = tmp_path / "members.toml"

    def pooled(*names: str) -> Result:
        listed.write_text("[practices]\n" + "".join(f'"{n} Street" = ["{numbers[n]}"]\n' for n in names))
        return toothyears("pool", contributed, other, "--members", listed, "--out", tmp_path / "pooled")

    assert "is no member's" in str(pooled("Oak").exception)
    assert not (tmp_path / "pooled").exists()
    done = pooled("Oak", "Elm")
    assert done.exit_code == 0, done.exception
    told = {p.name: p.read_bytes() for p in (tmp_path / "pooled").iterdir()}
    assert {p["signed_by"] for p in json.loads(told["pooled.json"])["practices"]} == {"member"}
    # Neither a member's name nor a key number is told: a letter stands for each.
    for secret in ("Oak", "Elm", *numbers.values()):
        assert not any(secret.encode() in content for content in told.values())


@pytest.mark.parametrize(
    "text",
    [
        "", "practices = 3", "[practices]", '[practices]\n"Oak" = 5', '[practices]\n"Oak" = ["12345"]', "[oak",
        '[practices]\n"Oak" = ["٤٨٢١٣ 90772 11834 55021 66310 2081x"]',
        '[practices]\n"Oak" = "48213 90772 11834 55021 66310 20817"\n"Elm" = "482139077211834550216631020817"',
        '[practices]\n"Oak" = "48213 90772 11834 55021 66310 20817"\n[other]\n',
    ],
)  # fmt: skip
def test_a_list_of_members_that_is_none_is_refused(contributed, tmp_path, text):
    (tmp_path / "members.toml").write_text(text, encoding="utf-8")
    done = toothyears("pool", contributed, "--members", tmp_path / "members.toml", "--out", tmp_path / "pooled")
    assert isinstance(done.exception, ConfigError)
    assert "members.toml" in str(done.exception)


def test_a_practice_that_a_forger_made_up_is_no_member(contributed, tmp_path):
    """Whole, plausible and well signed, with marks and a code of its own: nothing in the file tells it from another."""
    made_up = written(practice(2), tmp_path)
    refused = toothyears("pool", contributed, made_up, "--out", tmp_path / "p")
    assert refused.exception.exit_code == 1
    assert "anyone can make up a practice and sign it" in str(refused.exception)
    assert "--members FILE" in str(refused.exception)
    assert not (tmp_path / "p").exists()
    assert toothyears("pool", contributed, made_up, "--unlisted", "--out", tmp_path / "p").exit_code == 0
    assert "whose key it is was not checked" in " ".join(
        (tmp_path / "p" / "pooled.html").read_text(encoding="utf-8").split()
    )


def test_unsigned_files_are_refused_unless_taken_by_name(contributed, tmp_path):
    other = write_contribution(practice(2), tmp_path)
    assert "signed by nobody" in str(toothyears("pool", contributed, other, "--out", tmp_path / "p").exception)
    assert toothyears("pool", contributed, other, "--unlisted", "--out", tmp_path / "p").exit_code == 0
    assert "no: anyone may have made it" in (tmp_path / "p" / "pooled.html").read_text(encoding="utf-8")


def test_files_of_others_are_of_members_where_a_list_is_named(folder, contributed, tmp_path):
    club = folder / "one" / "club"
    club.mkdir(exist_ok=True)
    other = write_contribution(practice(2), club)
    toml = folder / "one" / "with members.toml"
    text = (folder / "one" / "practice.toml").read_text(encoding="utf-8")

    def read(**lines: str) -> Others:
        more = "".join(f"{k} = {v}\n" for k, v in lines.items())
        toml.write_text(f'{text}\n[evidence]\ncontributions = "club/contribution-*.json"\n{more}')
        settings = load_settings(toml)
        with open_store(settings.practice.database, read_only=True) as store:
            return run._others(store, settings, run._summary(store, settings, code_table(settings)))

    with pytest.raises(DataError, match="signed by nobody"):
        read()
    assert len(read(unlisted="true").given) == 1
    assert written(practice(2), club) == other
    number = key_number(read_contribution(other).key)
    (club / "members.toml").write_text(f'[practices]\n"Elm" = "{number}"\n')
    assert len(read(members='"club/members.toml"').given) == 1
    (club / "members.toml").write_text('[practices]\n"Elm" = "48213 90772 11834 55021 66310 20817"\n')
    with pytest.raises(DataError, match="is no member's"):
        read(members='"club/members.toml"')
    shutil.rmtree(club)


def test_a_small_practice_is_pooled_with_a_list_of_members_alone(tmp_path):
    """Of some 180 patients halves and parts are not surely known, so only a list tells that it is given once."""
    small, other = (written(practice(i, crowns=n), tmp_path) for i, n in ((1, 300), (2, 1500)))
    refused = toothyears("pool", small, other, "--unlisted", "--out", tmp_path / "pooled")
    assert isinstance(refused.exception, DataError)
    assert "under about 500 patients" in str(refused.exception)
    numbers = [key_number(read_contribution(path).key) for path in (small, other)]
    (tmp_path / "members.toml").write_text('[practices]\n"A" = ["{}"]\n"B" = ["{}"]\n'.format(*numbers))
    done = toothyears("pool", small, other, "--members", tmp_path / "members.toml", "--out", tmp_path / "pooled")
    assert done.exit_code == 0
