"""What every part of the store does with its one connection."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from typing import Any

import duckdb
import polars as pl

from pipeline.practice.tables import PolarsType


class Connected:
    """A part of an open database: statements run, rows and tables read, frames lent to a statement."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection = connection

    def _run(self, statement: str, parameters: Sequence[object] = ()) -> None:
        self._rows(statement, parameters)

    def _rows(self, query: str, parameters: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        return self._connection.execute(query, list(parameters)).fetchall()

    def _number(self, query: str) -> int:
        return int(self._rows(query)[0][0])

    def _frame(
        self,
        query: str,
        schema: Mapping[str, PolarsType] | None = None,
        params: Sequence[object] | dict[str, object] = (),
    ) -> pl.DataFrame:
        """What a query gives, with the columns and types of `schema` where one is told."""
        found: pl.DataFrame = self._connection.sql(query, params=params or None).pl()
        return found if schema is None else found.select(pl.col(c).cast(t) for c, t in schema.items())

    def _insert(self, name: str, frame: pl.DataFrame) -> None:
        if frame.height:
            with self._registered(frame):
                self._run(f"INSERT INTO {name} BY NAME SELECT * FROM incoming")  # noqa: S608

    @contextmanager
    def _registered(self, frame: pl.DataFrame) -> Iterator[None]:
        """A frame as the table `incoming`."""
        self._connection.register("incoming", frame.to_arrow())
        try:
            yield
        finally:
            with suppress(duckdb.Error):  # after an error this is refused too, and would hide the error
                self._connection.unregister("incoming")
