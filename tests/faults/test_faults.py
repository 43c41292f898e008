"""What a computer can do to a run: each time a message that says what to do, and the former state is kept."""

from __future__ import annotations

import datetime as dt
import errno
import os
import signal
import subprocess
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import pytest

from pipeline.machine.clock import check_clock, clock_doubt
from pipeline.machine.errors import BusyError, DataError
from pipeline.machine.faults import as_data_error, our_fault
from pipeline.practice.tables import LOADS, PROCEDURES
from pipeline.reading.config import load_settings
from pipeline.reading.doubts.signs import SIGNS
from pipeline.reading.sources import csv_file
from pipeline.stages import cli
from pipeline.stages.ingest import ingest
from pipeline.storing import store
from pipeline.storing.store import open_store

TODAY = dt.date(2026, 1, 31)
SECRET = "Zq7-secret"
# No ledger of the trade, and not asked about as one.
TOML = (
    f'[practice]\ntooth_notation = "fdi"\naccepted = {[s.id for s in SIGNS]}\n'
    '[tables.procedures]\nfiles = ["ledger-*.csv"]\n'
)


def write_ledger(path: Path, *, rows: int = 200) -> None:
    lines = (f"{SECRET}{path.stem}{n},2020-03-{1 + n % 28:02},D2740,{11 + n % 8}\n" for n in range(rows))
    path.write_text("patient_id,service_date,code,tooth\n" + "".join(lines), encoding="utf-8")


def run(folder: Path, *, today: dt.date = TODAY) -> list[str]:
    said: list[str] = []
    ingest(load_settings(folder / "practice.toml"), today=today, say=said.append)
    return said


def held(folder: Path) -> tuple[int, int]:
    """Loads and procedures in the database."""
    with open_store(folder / "practice.duckdb", must_exist=True) as opened:
        return opened.read(LOADS).height, opened.read(PROCEDURES).height


def names(folder: Path) -> set[str]:
    return {p.name for p in folder.iterdir()}


KEPT_FILES = {"practice.toml", "practice.duckdb", "practice.key", "practice.releases", "ledger-1.csv", "ledger-2.csv"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A practice with one file loaded and one to come."""
    (tmp_path / "practice.toml").write_text(TOML, encoding="utf-8")
    write_ledger(tmp_path / "ledger-1.csv")
    run(tmp_path)
    write_ledger(tmp_path / "ledger-2.csv", rows=300)
    return tmp_path


def in_child(folder: Path, before: str, *, stage: str = "ingest") -> subprocess.CompletedProcess[str]:
    """The command in another process, which runs the lines `before` first."""
    code = f"import sys\n{textwrap.dedent(before)}\nfrom pipeline.stages import cli\n"
    code += f"sys.argv[1:] = [{stage!r}, 'practice.toml']\n"
    return subprocess.run(
        [sys.executable, "-c", code + "cli.main()"], cwd=folder, capture_output=True, text=True, timeout=60, check=False
    )


def refused(done: subprocess.CompletedProcess[str], *pieces: str) -> None:
    assert done.returncode == 1, done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert SECRET not in done.stderr
    for piece in pieces:
        assert piece in done.stderr.splitlines()[-1]


@pytest.mark.thorough
def test_a_file_that_may_not_grow_is_a_full_disk(folder: Path):
    write_ledger(folder / "ledger-2.csv", rows=60_000)
    size = (folder / "practice.duckdb").stat().st_size
    done = in_child(
        folder,
        f"""
        import resource, signal
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, ({size + 100_000}, {size + 100_000}))
        """,
    )
    refused(done, "practice.duckdb: the disk is full", "Make room")
    assert held(folder) == (1, 200)
    assert names(folder) == KEPT_FILES
    assert in_child(folder, "").returncode == 0
    assert held(folder) == (2, 60_200)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux" or os.geteuid() != 0, reason="mounting a small disk needs root on Linux")
@pytest.mark.parametrize("kilobytes", [1500, 2000, 2500, 3000, 4000])
def test_a_small_disk_that_fills_up(tmp_path: Path, kilobytes: int):
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", disk], check=False)
    if mounted.returncode:
        pytest.skip("a small disk cannot be mounted here")
    try:
        toml = TOML.replace("ledger-", "../ledger-").replace("[tables", "files_outside = true\n[tables", 1)
        (disk / "practice.toml").write_text(toml, encoding="utf-8")
        write_ledger(tmp_path / "ledger-1.csv")
        run(disk)
        write_ledger(tmp_path / "ledger-2.csv", rows=150_000)
        refused(in_child(disk, ""), "the disk is full")
        assert held(disk) == (1, 200)
        assert names(disk) == {"practice.toml", "practice.duckdb", "practice.key", "practice.releases"}
    finally:
        subprocess.run(["umount", disk], check=True)


def test_another_process_has_the_database(folder: Path):
    code = (
        "import duckdb, sys\nconnection = duckdb.connect(sys.argv[1])\nprint('ready', flush=True)\nsys.stdin.readline()"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code, str(folder / "practice.duckdb")], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert other.stdout is not None
    try:
        assert other.stdout.readline() == b"ready\n"
        with pytest.raises(BusyError, match=rf"in use by another process \(PID {other.pid}\)") as refusal:
            run(folder)
        assert refusal.value.exit_code == 1
        with pytest.raises(BusyError, match=str(other.pid)):
            open_store(folder / "practice.duckdb", read_only=True)
    finally:
        other.communicate(b"\n")
    run(folder)
    assert held(folder) == (2, 500)


@pytest.mark.parametrize("closed", ["database", "ledger"])
def test_what_may_not_be_read_or_written(folder: Path, closed: str):
    path = {"database": folder / "practice.duckdb", "ledger": folder / "ledger-2.csv"}[closed]
    path.chmod(0o400 if closed == "database" else 0)
    words = "you may write" if closed == "database" else "you may not read"
    with as_another_user(folder):
        if closed == "ledger" and _reads(path):
            pytest.skip("this user may read what is closed to it")
        with pytest.raises(DataError, match=rf"{path.name}.*{words}"):
            run(folder)
    path.chmod(0o600)
    assert held(folder) == (1, 200)
    assert names(folder) == KEPT_FILES


def test_a_folder_where_no_database_can_be_made(folder: Path):
    for name in ("practice.duckdb", "practice.key"):
        (folder / name).unlink()
    folder.chmod(0o500)
    with as_another_user(folder), pytest.raises(DataError, match=r"practice\.duckdb cannot be opened for writing"):
        run(folder)
    folder.chmod(0o700)
    assert names(folder) == KEPT_FILES - {"practice.duckdb", "practice.key"}


def _reads(path: Path) -> bool:
    """Whether it opens: a user can have been let in everywhere, which `os.access` does not know."""
    try:
        path.open("rb").close()
    except PermissionError:
        return False
    return True


@contextmanager
def as_another_user(folder: Path) -> Iterator[None]:
    """Root may write everywhere, so where the tests run as root this takes its rights away for a while."""
    if os.geteuid() != 0:
        yield
        return
    opened = [p for p in folder.parents if not p.stat().st_mode & 0o001]
    modes = [p.stat().st_mode for p in opened]
    for place in (folder, *folder.iterdir()):
        os.chown(place, 65534, 65534)
    for place in opened:
        place.chmod(0o711)
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)
        for place, mode in zip(opened, modes, strict=True):
            place.chmod(mode)


@pytest.mark.one_in(3)
@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda path: path.write_text(path.read_text(encoding="utf-8") + f"{SECRET},2020-01-01,D2740,11\n"), "changed"),
        (lambda path: os.truncate(path, 500), "changed"),
        (lambda path: path.unlink(), "not there any more|cannot be opened"),
        (lambda path: path.write_bytes(b""), "changed|empty"),
    ],
    ids=["longer", "truncated", "deleted", "emptied"],
)
def test_a_file_that_changes_while_it_is_read(
    folder: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[Path], object], message: str
):
    whole = csv_file.CsvFile.batches

    def changing(self: csv_file.CsvFile, *args: object) -> object:
        yield from whole(self, *args)  # type: ignore[arg-type]
        if self.path.exists():
            change(self.path)

    monkeypatch.setattr(csv_file.CsvFile, "batches", changing)
    with pytest.raises(DataError, match=message) as refusal:
        run(folder)
    assert SECRET not in str(refusal.value)
    assert held(folder) == (1, 200)


def test_a_clock_set_back_is_told_and_not_taken_for_wrong_rows(folder: Path):
    with pytest.raises(DataError, match=r"300 of 300 dated rows lie after today, which is 1990-01-01") as refusal:
        run(folder, today=dt.date(1990, 1, 1))
    assert "Set the clock" in str(refusal.value)
    assert held(folder) == (1, 200)


def test_when_a_clock_is_doubted():
    check_clock(dated=1000, ahead=500, file="a.csv", today=TODAY)  # half: typing errors, set aside one by one
    check_clock(dated=4, ahead=4, file="a.csv", today=TODAY)  # too few to tell
    with pytest.raises(DataError, match=r"a\.csv: 501 of 1,000"):
        check_clock(dated=1000, ahead=501, file="a.csv", today=TODAY)
    assert clock_doubt(2020, today=TODAY) is None
    assert clock_doubt(None, today=TODAY) is None
    assert "2099" in str(clock_doubt(2020, today=dt.date(2099, 1, 1)))


def test_too_little_memory(folder: Path, monkeypatch: pytest.MonkeyPatch):
    write_ledger(folder / "ledger-2.csv", rows=60_000)
    monkeypatch.setattr(store, "_SHARE_OF_MEMORY", 0.001)
    with pytest.raises(DataError, match="there is not enough memory"):
        run(folder)
    monkeypatch.undo()
    assert held(folder) == (1, 200)


@pytest.mark.thorough
def test_a_temporary_folder_that_cannot_be_made(folder: Path, monkeypatch: pytest.MonkeyPatch):
    write_ledger(folder / "ledger-2.csv", rows=120_000)
    (folder / "file").touch()
    monkeypatch.setattr(store, "_SHARE_OF_MEMORY", 0.006)  # it has to use its temporary folder
    whole = store._connect
    monkeypatch.setattr(store, "_connect", lambda path, scratch, **o: whole(path, folder / "file" / "tmp", **o))
    with pytest.raises(DataError, match=r"practice\.duckdb: (the database cannot be|you may not)"):
        run(folder)
    monkeypatch.undo()
    assert held(folder) == (1, 200)


@pytest.mark.thorough
@pytest.mark.parametrize("sign", [signal.SIGTERM, pytest.param(signal.SIGINT, marks=pytest.mark.thorough)])
def test_asked_to_stop(folder: Path, sign: signal.Signals):
    write_ledger(folder / "ledger-2.csv", rows=600_000)
    child = subprocess.Popen(
        [sys.executable, "-m", "pipeline", "ingest", "practice.toml"],
        cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(map(os.path.abspath, filter(None, sys.path)))},
    )  # fmt: skip
    assert child.stderr is not None
    heard = next(line for line in child.stderr if "ledger-2.csv: reading" in line)
    child.send_signal(sign)
    out, rest = child.communicate(timeout=30)
    assert (child.returncode, out) == (1, "")
    assert "Traceback" not in rest
    assert "stopped; what the last finished stage stored is kept" in rest, heard
    assert held(folder) == (1, 200)
    assert names(folder) == KEPT_FILES


def test_no_text_of_a_foreign_error_is_told():
    with pytest.raises(duckdb.Error) as conversion:
        duckdb.connect().execute("SELECT ?::INTEGER", [SECRET])
    assert SECRET in str(conversion.value)  # which is why
    for error in (conversion.value, OSError(errno.EIO, SECRET), MemoryError(SECRET)):
        told = as_data_error(error, name="practice.duckdb")
        assert told is not None
        assert "practice.duckdb" in str(told)
        assert SECRET not in str(told)
    assert as_data_error(ValueError(SECRET), name="x") is None


@pytest.mark.parametrize(
    ("error", "message"),
    [
        (OSError(errno.ENOSPC, "", "/a/b/page.html"), r"^page\.html: the disk is full"),
        (OSError(errno.EROFS, "", "/a/b/page.html"), r"^page\.html: you may not"),
        (PermissionError(errno.EACCES, "", "/a/b/page.html"), r"^page\.html: you may not"),
        (FileNotFoundError(errno.ENOENT, "", "/a/ledger.csv"), r"^ledger\.csv: is not there any more"),
        (duckdb.IOException("Could not write file: No space left on device"), r"^x: the disk is full"),
        (
            duckdb.TransactionException("Failed to commit: Could not write file: File too large"),
            r"^x: the disk is full",
        ),
        (duckdb.OutOfMemoryException("failed to allocate"), "^x: there is not enough memory"),
        (duckdb.FatalException("database has been invalidated"), "^x: the database cannot be read or written"),
        (duckdb.BinderException("column"), r"^x: the database refused a step \(BinderException\)"),
    ],
)
def test_the_words_for_each_fault(error: Exception, message: str):
    with pytest.raises(DataError, match=message):
        raise as_data_error(error, name="x") or error


def test_a_fault_of_ours_is_told_without_its_text(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    def broken(*_: object, **__: object) -> None:
        raise ValueError(SECRET)

    monkeypatch.setattr("pipeline.stages.ingest.ingest_stage", broken)
    monkeypatch.setattr(sys, "argv", ["toothyears", "ingest", str(folder / "practice.toml")])
    former, handler = os.umask(0o022), signal.getsignal(signal.SIGTERM)
    try:
        with pytest.raises(SystemExit) as leaving:
            cli.main()
    finally:
        os.umask(former)
        signal.signal(signal.SIGTERM, handler)
    told = capsys.readouterr().err
    assert leaving.value.code == 1
    assert "ValueError" in told
    assert "test_faults.py" in told
    assert SECRET not in told
    assert SECRET not in our_fault(ValueError(SECRET))


@pytest.mark.one_in(3)
@pytest.mark.parametrize("left", [100, 5_000, 60_000])
def test_a_database_that_was_cut_short_is_called_that(folder: Path, left: int) -> None:
    database = folder / "practice.duckdb"
    assert database.stat().st_size > left
    os.truncate(database, left)
    with pytest.raises(DataError, match="was cut short") as told:
        held(folder)
    assert "move it away" in str(told.value)


def test_a_database_with_other_bytes_is_called_damaged(folder: Path) -> None:
    database = folder / "practice.duckdb"
    held(folder)  # all that was written stands in the file itself now
    whole = database.read_bytes()
    start = 12_288  # behind the three headers every block has a sum of its own
    database.write_bytes(whole[:start] + bytes(255 - byte for byte in whole[start:]))
    with pytest.raises(DataError, match="is damaged"):
        held(folder)
