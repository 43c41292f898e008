from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from pipeline.machine.errors import ConfigError
from pipeline.reading.config import (
    Evidence,
    Rules,
    Settings,
    code_table,
    contribution_files,
    load_settings,
    matching_files,
    members_file,
)

PRACTICE = '[practice]\nname = "Alder Row Dental"\ntooth_notation = "universal"\n'
PROCEDURES = '[tables.procedures]\nfiles = ["ledger-*.csv"]\n'


def load(folder: Path, text: str) -> Settings:
    path = folder / "practice.toml"
    path.write_text(text, encoding="utf-8")
    return load_settings(path)


def test_a_whole_file(tmp_path: Path):
    (tmp_path / "codes.csv").write_text("code,event\nKR,crown\n", encoding="utf-8")
    settings = load(
        tmp_path,
        """
        [practice]
        name = "Alder Row Dental"
        tooth_notation = "palmer"
        code_system = "codes.csv"
        date_format = "%d.%m.%Y"
        crown_date = "prep"
        database = "data/alder.duckdb"
        [tables.procedures]
        files = ["exports/ledger-*.csv", "old.csv"]
        columns = { patient_id = "Chart No", service_date = "Date" }
        values.status = { C = "completed", "" = "existing" }
        delimiter = ";"
        encoding = "windows-1252"
        [tables.patients]
        files = "people.csv"
        values.smoker = { current = true, never = false }
        date_format = "%d/%m/%y"
        [rules]
        course_gap_days = 90
        data_cutoff = 2025-12-31
        [analysis]
        smallest_difference_per_100 = 3
        [codes]
        BR = "bridge_retainer"
        [evidence]
        contributions = "club/*.json"
        between_ratios = 1
        """,
    )
    practice, procedures = settings.practice, settings.tables["procedures"]
    assert practice.code_system == str(tmp_path.resolve() / "codes.csv")
    assert practice.database == tmp_path.resolve() / "data" / "alder.duckdb"
    assert (practice.date_format, practice.crown_date) == ("%d.%m.%Y", "prep")
    assert procedures.files == ("exports/ledger-*.csv", "old.csv")
    assert procedures.columns == {"patient_id": "Chart No", "service_date": "Date"}
    assert procedures.values == {"status": {"C": "completed", "": "existing"}}
    assert (procedures.delimiter, procedures.encoding, procedures.date_format) == (";", "windows-1252", None)
    assert settings.tables["patients"].values == {"smoker": {"current": "true", "never": "false"}}
    assert settings.tables["patients"].date_format == "%d/%m/%y"
    assert settings.rules == Rules(course_gap_days=90, data_cutoff=dt.date(2025, 12, 31))
    assert settings.analysis.smallest_difference_per_100 == 3.0
    assert settings.evidence == Evidence(contributions=("club/*.json",), between_ratios=1.0)
    assert code_table(settings).rows() == [("BR", "bridge_retainer_crown", None), ("KR", "crown_placement", None)]


def test_defaults_are_the_rules_of_the_documentation(tmp_path: Path):
    settings = load(tmp_path, PRACTICE + PROCEDURES)
    assert settings.rules == Rules(
        reversal_days=60,
        hint_days=400,
        course_gap_days=180,
        course_pair_days=365,
        crown_repost_days=60,
        crown_pair_days=120,
        lab_days=21,
        renewal_days=120,
        closure_days=60,
        recement_days=90,
        planned_crown_days=30,
        recall_months=12,
        active_days=548,
        data_cutoff=None,
    )
    assert settings.practice.root_canals_elsewhere == "unknown"
    assert settings.practice.code_system == "cdt"
    assert settings.practice.date_format == "auto"
    assert settings.practice.crown_date == "seat"
    assert settings.practice.database.name == "practice.duckdb"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("practice", "not valid TOML"),
        (PROCEDURES, "tooth_notation is missing"),
        (PRACTICE, r"\[tables.procedures\] is missing"),
        (PRACTICE + PROCEDURES + "[rule]\n", 'Did you mean "rules"'),
        (PRACTICE + PROCEDURES + "[rules]\ncourse_gap = 90\n", 'Did you mean "course_gap_days"'),
        (PRACTICE + PROCEDURES + "[rules]\nlab_days = -1\n", "lab_days must be a whole number of 0 or more"),
        (PRACTICE + PROCEDURES + "[rules]\nlab_days = true\n", "lab_days must be a whole number"),
        (PRACTICE + PROCEDURES + '[rules]\ndata_cutoff = "soon"\n', "data_cutoff must be a date"),
        (PRACTICE + PROCEDURES + "[analysis]\nconfidence = 95\n", "between 0.5 and 1"),
        (PRACTICE + PROCEDURES + "[evidence]\nvague_weight = 1\n", "vague_weight must lie between 0 and 1"),
        (PRACTICE + PROCEDURES + "[evidence]\nvague_weight = 0.0\n", "vague_weight must lie between 0 and 1"),
        (PRACTICE + PROCEDURES + "[evidence]\nbetween_shares = 0\n", "between_shares must lie between 0.01 and 5"),
        (PRACTICE + PROCEDURES + '[evidence]\npooled = "pooled.json"\n', '"pooled" is not known in'),
        (PRACTICE + PROCEDURES + "[evidence]\ncontributions = 3\n", "contributions must be a list of texts"),
        (PRACTICE + PROCEDURES + "[tables.patient]\n", 'Did you mean "patients"'),
        (PRACTICE + PROCEDURES + 'columns = { patinet_id = "Pat" }\n', 'Did you mean "patient_id"'),
        (PRACTICE + PROCEDURES + 'columns = { tooth_fdi = "Pat" }\n', '"tooth_fdi" is not known'),
        (PRACTICE + PROCEDURES + 'values.status = { C = "complete" }\n', 'Did you mean "completed"'),
        (PRACTICE + PROCEDURES + 'values.status = { C = "completed", c = "void" }\n', '"c" is mapped twice'),
        (PRACTICE + PROCEDURES + "columns = { patient_id = 3 }\n", "must be a text in quotation marks"),
        (PRACTICE + PROCEDURES + 'date_format = "%d.%m."\n', "does not fix year, month and day"),
        (PRACTICE + PROCEDURES + 'date_format = "dd/mm/yyyy"\n', "does not fix year, month and day"),
        (PRACTICE + PROCEDURES + 'delimiter = "tab"\n', "one character"),
        (PRACTICE + PROCEDURES + 'encoding = "utf-9"\n', "not known"),
        (PRACTICE + "[tables.procedures]\nfiles = []\n", "files must be a list"),
        (PRACTICE.replace("universal", "univeral") + PROCEDURES, 'Did you mean "universal"'),
        (PRACTICE + 'code_system = "ctd"\n' + PROCEDURES, 'Did you mean "cdt"'),
        (PRACTICE + PROCEDURES + '[codes]\nD2740 = "crwn"\n', "Near ones: crown"),
    ],
)
def test_a_key_or_word_that_is_not_known_is_refused_by_name(tmp_path: Path, text: str, message: str):
    with pytest.raises(ConfigError, match=message) as error:
        load(tmp_path, text)
    assert error.value.exit_code == 2


def test_a_missing_file_is_said(tmp_path: Path):
    with pytest.raises(ConfigError, match=r"nowhere\.toml"):
        load_settings(tmp_path / "nowhere.toml")


def test_files_in_the_order_of_the_patterns_each_once(tmp_path: Path):
    for name in ("ledger-2.csv", "ledger-1.csv", "zero.csv"):
        (tmp_path / name).touch()
    settings = load(tmp_path, PRACTICE + '[tables.procedures]\nfiles = ["zero.csv", "ledger-*.csv", "*.csv"]\n')
    assert [p.name for p in matching_files(settings, "procedures")] == ["zero.csv", "ledger-1.csv", "ledger-2.csv"]


@pytest.mark.parametrize("pattern", ["nothing-*.csv", "nothing.csv"])
def test_a_pattern_that_matches_nothing_names_its_table(tmp_path: Path, pattern: str):
    settings = load(tmp_path, PRACTICE + f'[tables.procedures]\nfiles = ["{pattern}"]\n')
    with pytest.raises(ConfigError, match=rf"\[tables.procedures\] files: nothing matches .{pattern[:7]}"):
        matching_files(settings, "procedures")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('date_format = "%d %d"', "does not fix year, month and day"),
        ('date_format = "%(d"', "does not fix year, month and day"),
        ('name = "a\\u0000b"', "u0000"),
        ('database = "\\u0000"', "u0000"),
    ],
)
def test_what_no_practice_can_mean_is_refused_in_words(tmp_path: Path, line: str, said: str):
    with pytest.raises(ConfigError, match=said):
        load(tmp_path, f'[practice]\ntooth_notation = "fdi"\n{line}\n{PROCEDURES}')


@pytest.mark.parametrize(
    ("section", "said"),
    [
        ("[rules]\ncourse_gap_days = 36501", "must not be above 36,500"),
        ("[rules]\nrecall_months = 99999", "must not be above 1,200"),
        (f"[rules]\ncourse_gap_days = {'9' * 30}", "must not be above"),
        (f"[rules]\ncourse_gap_days = {'9' * 5000}", "not valid TOML"),
        ("[analysis]\nhorizon_years = 1000", "must not be above 100"),
        ("[machine]\nmemory_mb = 9999999999", "must not be above"),
        (f"[codes]\nx = {'[' * 5000}{']' * 5000}", "brackets"),
        ('[tables.patients]\nfiles = "**a"', "no pattern"),
        ('[tables.patients]\nfiles = "*"\ndelimiter = "\\n"', "line end"),
    ],
)
def test_numbers_and_nesting_have_bounds(tmp_path: Path, section: str, said: str):
    def read() -> None:
        matching_files(load(tmp_path, f"{PRACTICE}{PROCEDURES}{section}\n"), "patients")

    with pytest.raises(ConfigError, match=said):
        read()


def test_the_bounds_themselves_are_allowed(tmp_path: Path):
    settings = load(tmp_path, f"{PRACTICE}{PROCEDURES}[rules]\ncourse_gap_days = 36500\nrecall_months = 1200\n")
    assert (settings.rules.course_gap_days, settings.rules.recall_months) == (36_500, 1_200)


def test_another_file_given_as_the_settings_is_not_read(tmp_path: Path):
    (tmp_path / "practice.toml").write_bytes(b"#" * 5_000_001)
    with pytest.raises(ConfigError, match="is it another file"):
        load_settings(tmp_path / "practice.toml")
    with pytest.raises(ConfigError, match="no such file"):
        load_settings(tmp_path)


def test_a_file_name_may_hold_the_signs_of_a_pattern(tmp_path: Path):
    for name in ("ledger [2020].csv", "ledger [2021]?.csv", "ledger 2.csv"):
        (tmp_path / name).touch()
    settings = load(tmp_path, f'{PRACTICE}[tables.procedures]\nfiles = ["ledger [2020].csv", "ledger [2].csv"]\n')
    assert [p.name for p in matching_files(settings, "procedures")] == ["ledger [2020].csv", "ledger 2.csv"]


OUTSIDE = [
    ("files", '[practice]\ntooth_notation = "fdi"\n{line}[tables.procedures]\nfiles = ["{name}"]\n'),
    (
        "corrected",
        '[practice]\ntooth_notation = "fdi"\n{line}[tables.procedures]\nfiles = ["in.csv"]\ncorrected = "{name}"\n',
    ),
    ("code_system", '[practice]\ntooth_notation = "fdi"\ncode_system = "{name}"\n{line}' + PROCEDURES),
    ("database", '[practice]\ntooth_notation = "fdi"\ndatabase = "{name}"\n{line}' + PROCEDURES),
    ("key_file", '[practice]\ntooth_notation = "fdi"\nkey_file = "{name}"\n{line}' + PROCEDURES),
    ("signing_key_file", '[practice]\ntooth_notation = "fdi"\nsigning_key_file = "{name}"\n{line}' + PROCEDURES),
    (
        "contributions",
        '[practice]\ntooth_notation = "fdi"\n{line}' + PROCEDURES + '[evidence]\ncontributions = "{name}"\n',
    ),
    ("members", '[practice]\ntooth_notation = "fdi"\n{line}' + PROCEDURES + '[evidence]\nmembers = "{name}"\n'),
]


@pytest.mark.parametrize("how", ["above", "absolute", "link", "pattern", "down and up"])
@pytest.mark.parametrize(("key", "text"), OUTSIDE, ids=[key for key, _ in OUTSIDE])
def test_a_file_outside_the_folder_is_refused_unless_allowed(tmp_path: Path, key: str, text: str, how: str):
    folder, elsewhere = tmp_path / "practice", tmp_path / "elsewhere"
    (folder / "down").mkdir(parents=True)
    elsewhere.mkdir()
    (elsewhere / "other.csv").write_text("code,event\nKR,crown\n", encoding="utf-8")
    (folder / "in.csv").write_text("", encoding="utf-8")
    (folder / "link.csv").symlink_to(elsewhere / "other.csv")
    name = {
        "above": "../elsewhere/other.csv",
        "absolute": str(elsewhere / "other.csv"),
        "link": "link.csv",
        "pattern": "../else*/*.csv",
        "down and up": "down/../../elsewhere/other.csv",
    }[how]

    def read(line: str) -> None:
        settings = load(folder, text.format(name=name, line=line))
        if key in ("files", "corrected"):
            matching_files(settings, "procedures", corrected=key == "corrected")
        elif key == "contributions":
            contribution_files(settings)
        elif key == "members":
            members_file(settings)

    with pytest.raises(ConfigError, match=rf"{key}.*leads out of the folder.*files_outside = true"):
        read("")
    if how != "pattern" or key in ("files", "corrected", "contributions"):
        read("files_outside = true\n")


def test_files_in_the_folder_may_be_named_in_any_way(tmp_path: Path):
    (tmp_path / "below").mkdir()
    (tmp_path / "below" / "in.csv").touch()
    names = [str(tmp_path / "below" / "in.csv"), "below/../below/in.csv", "below/*.csv", "**/in.csv"]
    settings = load(tmp_path, PRACTICE + f"[tables.procedures]\nfiles = {names}\n".replace("'", '"'))
    assert [p.name for p in matching_files(settings, "procedures")][:1] == ["in.csv"]
