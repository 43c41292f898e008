"""Whether the computer's clock can be believed: work dated after today is set aside, a wrong today sets aside all."""

import datetime as dt

from pipeline.machine.errors import DataError

_FEW = 5
_LONG_AGO_YEARS = 15


def today() -> dt.date:
    """The day by this computer's clock, where it stands."""
    return dt.datetime.now(tz=dt.UTC).astimezone().date()


def check_clock(*, dated: int, ahead: int, file: str, today: dt.date) -> None:
    """Refuse a file most of whose rows are dated after today.

    `dated` counts the rows of a file with a readable date of work, `ahead` those of them after `today`. A few typing
    errors are no sign of a wrong clock: those rows are set aside.

    Raises DataError if more than half of the rows, and at least 5, lie ahead.
    """
    if ahead >= _FEW and 2 * ahead > dated:
        raise DataError(
            f"{file}: {ahead:,} of {dated:,} dated rows lie after today, which is {today.isoformat()} by this "
            "computer's clock. Set the clock and run again; if it is right, correct date_format or "
            "two_digit_years_from in the TOML. Days of the lunar (Hijri) calendar are not read: export those of the "
            "common one."
        )


def clock_doubt(latest_year: int | None, *, today: dt.date) -> str | None:
    """What to say if today lies long after all that is recorded, which may be an old archive or a clock set ahead."""
    if latest_year is None or today.year - latest_year < _LONG_AGO_YEARS:
        return None
    return (
        f"the latest year in the files is {latest_year} and this computer's clock says {today.year}: if the clock is "
        "wrong, set it and ingest anew, for dates up to today are taken as they are"
    )
