"""Contributions as files: read back only as written; everything else is refused with what is the matter."""

from __future__ import annotations

import dataclasses
import json
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pool_practices import practice, under_seal, written

from pipeline.machine.errors import DataError
from pipeline.release.pool.files import LARGEST_BYTES, as_bytes, digest, read_contribution
from pipeline.release.pool.signing import practice_code

GIVEN = under_seal(practice(1))
BODY = json.loads(as_bytes(GIVEN))


def sealed(body: dict) -> bytes:
    """As someone would write it who knows how the digest is made."""
    rest = {k: v for k, v in body.items() if k != "digest"}
    whole = rest | {"digest": digest(rest)}
    return (json.dumps(whole, sort_keys=True, indent=1) + "\n").encode()


def refused(tmp_path: Path, content: bytes) -> str:
    path = tmp_path / "given.json"
    path.write_bytes(content)
    with pytest.raises(DataError) as told:
        read_contribution(path)
    return str(told.value)


def test_written_and_read_back(tmp_path):
    path = written(GIVEN, tmp_path / "new")
    assert path.name == "contribution-0000000000000001-2024-12.json"
    assert read_contribution(path) == GIVEN
    assert sealed(BODY) == path.read_bytes()
    assert BODY["note"].endswith("Nothing in this file is about a person.")
    assert oct(path.stat().st_mode & 0o777) == "0o600"


def test_a_figure_changed_by_hand_is_seen(tmp_path):
    text = as_bytes(GIVEN).decode()
    assert "was changed after it was written" in refused(
        tmp_path, text.replace('"std_error": 0.', '"std_error": 1.').encode()
    )


@given(st.integers(0, len(as_bytes(GIVEN)) - 1), st.integers(0, 255))
@settings(max_examples=150, deadline=None)
def test_no_single_byte_can_be_changed(tmp_path_factory, at, byte):
    content = bytearray(as_bytes(GIVEN))
    if content[at] == byte:
        return
    content[at] = byte
    assert refused(tmp_path_factory.mktemp("byte"), bytes(content))


@given(st.integers(0, len(as_bytes(GIVEN)) - 1))
@settings(max_examples=50, deadline=None)
def test_no_part_of_a_file_is_read(tmp_path_factory, length):
    assert refused(tmp_path_factory.mktemp("cut"), as_bytes(GIVEN)[:length])


@pytest.mark.parametrize(
    "changes", [{"schema": 0}, {"schema": 1}, {"definitions": 0}, {"schema": None}, {"schema": "1"}]
)
def test_an_outdated_file_asks_for_a_new_one(tmp_path, changes):
    assert "toothyears contribute" in refused(tmp_path, sealed(BODY | changes))


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{}",
        b"[]",
        b"null",
        b"not json",
        b"\xff\xfe",
        b'{"kind": "something else"}',
        b"[" * 100_000,
        b'{"kind": NaN}',
        b"PK\x03\x04",
    ],
)
def test_what_is_no_contribution_is_said_to_be_none(tmp_path, content):
    assert "is no contribution" in refused(tmp_path, content)


def test_a_file_too_large_is_not_read_to_its_end(tmp_path):
    path = tmp_path / "large.json"
    with path.open("wb") as stream:
        stream.truncate(200 * LARGEST_BYTES)  # a sparse file
    with pytest.raises(DataError, match="too large"):
        read_contribution(path)


def test_folders_pipes_and_files_that_are_not_there_are_refused(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for name in (".", "pipe", "nothing.json"):
        with pytest.raises(DataError, match="is no file"):
            read_contribution(tmp_path / name)


def changed(path: tuple, value) -> dict:
    body = json.loads(json.dumps(BODY))
    place = body
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    return body


MAIN = ("contrasts", 0)
TABLE = (*MAIN, "group", "table")


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ((*MAIN, "group", "teeth"), 7),
        ((*MAIN, "group", "teeth"), -10),
        ((*MAIN, "group", "teeth"), 123.0),
        ((*MAIN, "group", "teeth"), True),
        ((*MAIN, "group", "teeth"), "120"),
        ((*MAIN, "group", "teeth"), [1]),
        ((*MAIN, "group", "failures"), 10**400),
        ((*MAIN, "group", "name"), "vital"),
        ((*MAIN, "adjusted", "log_hazard_ratio"), 1e308),
        ((*MAIN, "adjusted", "std_error"), 0.0),
        ((*MAIN, "adjusted", "std_error"), -0.3),
        ((*MAIN, "adjusted", "adjusted_for"), ["Mrs Zwaluw"]),
        ((*MAIN, "adjusted", "adjusted_for"), "age at the seat"),
        ((*MAIN, "gap", "per_100"), -400),
        ((*MAIN, "clock"), "since_completion"),
        ((*MAIN, "outcome"), "tooth_loss"),
        ((*MAIN, "id"), "crown_longevity_by_clinician"),
        ((*TABLE, 1, "followed"), 100_000),
        ((*TABLE, 1, "tooth_years"), 100_000),
        ((*TABLE, 3, "tooth_years"), 0),
        ((*TABLE, 2, "months"), 18),
        ((*TABLE, -1, "failures"), None),
        (("contrasts",), {}),
        (("contrasts",), [BODY["contrasts"][0]] * 2),
        (("rules", 0), ["course_gap_days", "Mrs Zwaluw"]),
        (("rules", 0), ["practice", "180"]),
        (("code",), "Alder Row Dental"),
        (("data_until",), "2024-12-31"),
        (("note",), "Mrs Zwaluw"),
        (("software",), "toothyears 0.1.0 of Mrs Zwaluw"),
        (("practice",), "Alder Row Dental"),
        ((*MAIN, "group", "patient"), "p1"),
    ],
)
def test_forged_files_with_a_right_digest_can_hold_no_such_thing(tmp_path, path, value):
    assert refused(tmp_path, sealed(changed(path, value)))


def test_another_clock_and_a_rising_count_are_told_by_their_names(tmp_path):
    assert "another day (clock)" in refused(tmp_path, sealed(changed((*MAIN, "clock"), "since_completion")))
    lower = changed((*TABLE, -1, "failures"), 10)
    assert "falling failures" in refused(tmp_path, sealed(lower))


def test_numbers_without_an_end_are_refused(tmp_path):
    text = sealed(BODY).decode()
    for word in ("1e999", "NaN", "-Infinity", "9" * 5000):
        told = text.replace(f'"std_error": {BODY["contrasts"][0]["gap"]["std_error"]}', f'"std_error": {word}', 1)
        assert told != text
        assert refused(tmp_path, told.encode())


def test_the_same_object_in_another_form_is_refused(tmp_path):
    assert "to the byte" in refused(tmp_path, json.dumps(BODY).encode())
    twice = sealed(BODY).replace(b'"code"', b'"code": "0000000000000002",\n "code"', 1)
    assert refused(tmp_path, twice)


def test_errors_name_the_file_and_quote_nothing_of_it(tmp_path):
    told = refused(tmp_path, sealed(BODY | {"practice": "Mrs Zwaluw"}))
    assert "given.json" in told
    assert "Zwaluw" not in told


def test_a_practice_keeps_its_code_and_its_key_gives_the_same_one_again(tmp_path):
    key = tmp_path / "practice.key"
    first = practice_code(None, key=key)
    assert len(first) == 16
    assert practice_code(first, key=key) == first
    assert practice_code(None, key=key) != first  # without a key a new one is drawn
    key.write_text("a" * 64)
    kept = practice_code(None, key=key)
    assert practice_code(None, key=key) == kept
    assert "a" * 8 not in kept
    dataclasses.replace(GIVEN, code=kept)
