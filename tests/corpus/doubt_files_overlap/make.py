import datetime as dt

import polars as pl

from tests.doubts.test_signs import work_done


def make(folder):
    rows = work_done(folder).with_row_index("Row")
    day = pl.col("Date")
    rows.filter(day < dt.date(2016, 1, 1)).drop("Row").write_csv(folder / "ledger1.csv")
    later = rows.filter(day >= dt.date(2012, 1, 1), pl.col("Row") % 17 != 0)
    later.drop("Row").write_csv(folder / "ledger2.csv")
