"""XML read as it stands: no document types, no entities of its own, nothing fetched, bounded in depth and size."""

from collections.abc import Callable
from pathlib import Path
from xml.parsers import expat

from pipeline.machine.errors import DataError
from pipeline.reading.sources.found_tables import read_whole

_MOST_DEEP = 100
_MOST_ELEMENTS = 5_000_000

Start = Callable[[str, dict[str, str]], None]


def read_xml(path: Path, *, start: Start, end: Callable[[str], None], text: Callable[[str], None]) -> None:
    """Read a file of XML, telling of each element and text; names come without the prefix of their namespace. Raises
    DataError if it is no whole XML, holds a document type (which may make a few bytes into very many), or is too
    large."""
    seen = depth = 0

    def started(name: str, attributes: dict[str, str]) -> None:
        nonlocal seen, depth
        seen, depth = seen + 1, depth + 1
        if seen > _MOST_ELEMENTS or depth > _MOST_DEEP:
            raise DataError(
                f"{path.name}: more than {_MOST_ELEMENTS // 1_000_000} million elements, or elements within elements "
                "too often. Export it as CSV, or in several files."
            )
        start(_local(name), {_local(k): v for k, v in attributes.items()})

    def ended(name: str) -> None:
        nonlocal depth
        depth -= 1
        end(_local(name))

    def refused(*_: object) -> None:
        raise DataError(
            f"{path.name}: this XML holds a document type or entities of its own, which no export needs and which can "
            "fill a memory. Export it without, or as CSV."
        )

    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler, parser.EndElementHandler = started, ended
    parser.CharacterDataHandler = text
    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = refused
    content = read_whole(path)
    try:
        parser.Parse(content, True)
    except expat.ExpatError as error:
        raise DataError(
            f"{path.name}: line {error.lineno:,}: this is not whole XML ({expat.errors.messages[error.code]}). Was the "
            "file cut short? Export it again."
        ) from error
    except (ValueError, LookupError) as error:  # an encoding that the parser does not know
        raise DataError(f"{path.name}: the encoding that this XML names is not known. Export it as UTF-8.") from error


def _local(name: str) -> str:
    return name.rpartition(":")[2]
