"""No text of a file reaches SQL as text: statements are made of declared names alone, all else is a parameter."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import pipeline

ROOT = Path(pipeline.__file__).parent
SQL_WORDS = re.compile(r"\b(SELECT|INSERT INTO|DELETE FROM|UPDATE|CREATE (TABLE|VIEW)|DROP TABLE|SET) ")
SQL_CALLS = ("execute", "executemany", "sql", "query", "_rows", "_number")
# What may stand in a statement besides its own words: names of declared tables and columns, made in the same module
# from `pipeline.practice.tables` or `pipeline.storing.own_tables`.
MAKERS = (
    "_row_as_json",
    "_as_text",
    "_content",
    "_writable",
    "_create",
    "create_statements",
    "_digest",
    "_summed",
    "patient_in_order",
    "_fingerprint",
)


def statements(tree: ast.AST) -> Iterator[ast.expr]:
    """The first argument of every call that runs SQL, and every f-string that reads like SQL."""
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr) and any(
            isinstance(part, ast.Constant) and SQL_WORDS.search(str(part.value)) for part in node.values
        ):
            yield node
        if isinstance(node, ast.Call) and node.args and isinstance(node.func, ast.Attribute):
            owner = ast.unparse(node.func.value)
            if node.func.attr in SQL_CALLS and not owner.startswith(("pl", "re")):
                yield node.args[0]


def module_paths() -> list[Path]:
    return sorted(ROOT.rglob("*.py"))


def test_sql_is_made_by_no_other_means_than_an_f_string():
    """So that the next test sees all of it."""
    for path in module_paths():
        for argument in statements(ast.parse(path.read_text(encoding="utf-8"))):
            for node in ast.walk(argument):
                percent = isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mod)
                assert not percent, f"{path.name}:{argument.lineno} makes SQL by %"
                formats = isinstance(node, ast.Attribute) and node.attr in ("format", "format_map", "replace")
                formats = formats and not is_constant(ast.unparse(node.value))
                assert not formats, f"{path.name}:{argument.lineno} makes SQL by {ast.unparse(node)}"


def pieces(argument: ast.expr) -> Iterator[str]:
    for node in ast.walk(argument):
        if isinstance(node, ast.FormattedValue):
            yield ast.unparse(node.value)


def is_constant(word: str) -> bool:
    """Whether a name is that of a module's constant: its text stands in the source."""
    return word == word.upper()


def is_declared(piece: str, names: set[str]) -> bool:
    """Whether a piece of a statement consists of names that say what they are, and of the makers."""
    tree = ast.parse(piece, mode="eval")
    used = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    bound = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)}
    return {word for word in used - bound if not is_constant(word)} <= names


# Names by which pipeline/ calls declared tables, their columns, and statements made of these.
DECLARED = {
    *MAKERS, "map", "table", "name", "rows", "wanted", "columns", "place", "part", "parts", "key", "key_text",
    "content",
    "same", "telling_rows", "records", "c", "n", "counts", "query", "names", "differ", "mended", "as_json",
    "source", "texts", "every", "some", "recorded", "noted",
}  # fmt: skip


@pytest.mark.parametrize("path", module_paths(), ids=lambda p: p.relative_to(ROOT).as_posix())
def test_statements_hold_declared_names_alone(path: Path):
    for argument in statements(ast.parse(path.read_text(encoding="utf-8"))):
        for piece in pieces(argument):
            assert is_declared(piece, DECLARED), f"{path.name}:{argument.lineno}: {{{piece}}} stands in SQL"


def test_the_check_finds_a_value():
    tree = ast.parse("connection.execute(f\"SELECT * FROM {name} WHERE patient_id = '{patient}'\")")
    for argument in statements(tree):
        assert [piece for piece in pieces(argument) if not is_declared(piece, DECLARED)] == ["patient"]
    assert len(list(statements(tree))) == 2  # as the argument of a call, and by its words
