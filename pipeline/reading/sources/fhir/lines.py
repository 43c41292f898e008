"""Records of JSON as a table that the database can read."""

import pyarrow as pa

from pipeline.reading.sources.json_records import Line


def as_table(block: list[Line]) -> tuple[pa.Table, list[tuple[int, str]]]:
    """The lines that are UTF-8 as a table `number, text`, and the others with what can be read of them."""
    try:
        return _table(block), []
    except pa.ArrowInvalid:
        sound, broken = [], []
        for number, line in block:
            try:
                line.decode()
                sound.append((number, line))
            except UnicodeDecodeError:
                broken.append((number, line.decode(errors="replace")))
        return _table(sound), broken


def _table(block: list[Line]) -> pa.Table:
    text = pa.array([line for _, line in block], pa.binary()).cast(pa.string())
    return pa.table({"number": pa.array([number for number, _ in block], pa.int64()), "text": text})
