"""More kinds of mutants, of which no score is kept: what one mistypes rather than misthinks.

Arguments or sides in the wrong order, one column or limit for another, a term, a filter of a comprehension, a keyword,
an argument or a whole statement forgotten, a count one too low, a sum where a mean belongs.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Collection, Iterator

from tests.mutants.make import SILENT, Kinds

# Words that stand for one another's opposite or neighbour, as a whole name or as a part of it between underscores.
_WORDS = (
    ("entry", "exit"),
    ("low", "high"),
    ("lower", "upper"),
    ("first", "last"),
    ("group", "reference"),
    ("before_seat", "through_crown"),
    ("vital", "before_seat"),
    ("failed", "ended"),
    ("failures", "teeth"),
    ("failures", "patients"),
    ("crowns", "patients"),
    ("patient_id", "crown_id"),
    ("provider_id", "site_id"),
    ("years", "days"),
    ("event", "failure"),
    ("seat", "exit"),
    ("access", "exit"),
    ("started", "completed"),
    ("adjusted", "crude"),
    ("crude_difference", "difference"),
    ("estimate", "low"),
    ("more", "fewer"),
    ("smoker", "diabetes"),
    ("birth_date", "birth_year"),
    ("deceased_date", "last_contact_date"),
)
_PLAIN = {"sum": "mean", "mean": "sum", "cum_sum": "cum_max", "cumsum": "sort", "n_unique": "len", "std": "var"}
_ONE_ARGUMENT = {"sqrt", "exp", "log", "log1p", "expm1", "abs", "cumsum", "ndtri", "erfc", "exp2", "square"}
_SYMMETRIC = {
    "max",
    "min",
    "maximum",
    "minimum",
    "isclose",
    "zip",
    "coalesce",
    "select",
    "group_by",
    "range",
    "fill_null",
}
_PARTS_OF = {"group_by", "over", "partition_by", "sort", "sort_by", "coalesce", "any_horizontal", "all_horizontal"}
_PARTS_OF |= {"min_horizontal", "max_horizontal", "sum_horizontal"}

Made = Iterator[tuple[str, int, object]]


def wider_kinds(text: str) -> Kinds:
    """What makes every change of these kinds of one node of a file; of words it takes only those that the file has."""
    words = set(re.findall(r"\w+", text))
    return lambda node, site: _of_node(node, site, words)


def _of_node(node: ast.AST, site: tuple[ast.AST, str, int | None], words: Collection[str]) -> Made:
    if isinstance(node, ast.stmt):
        yield from _of_statement(node)
    elif isinstance(node, ast.Constant):
        yield from _of_constant(node, words)
    elif isinstance(node, ast.Name | ast.Attribute) and isinstance(node.ctx, ast.Load):
        yield from _of_name(node, words)
    elif isinstance(node, ast.Compare) and len(node.ops) == 1:
        yield "comparison turned", node.lineno, ast.UnaryOp(ast.Not(), node)
    elif isinstance(node, ast.BinOp):
        yield from _of_operation(node)
    elif isinstance(node, ast.BoolOp):
        for i in range(len(node.values)):
            rest = [*node.values[:i], *node.values[i + 1 :]]
            left = rest[0] if len(rest) == 1 else ast.BoolOp(node.op, rest)
            yield f"without term {i + 1}", node.values[i].lineno, left
    elif isinstance(node, ast.Call):
        yield from _of_call(node)
    elif isinstance(node, ast.Tuple | ast.List) and len(node.elts) == 2 and isinstance(node.ctx, ast.Load):
        if not isinstance(site[0], ast.Subscript | ast.Call) or site[1] == "args":
            yield "pair swapped", node.lineno, type(node)(node.elts[::-1], ast.Load())
    elif isinstance(node, ast.Slice):
        for place, bound in (("lower", node.lower), ("upper", node.upper)):
            if bound is not None:
                bounds = {"lower": node.lower, "upper": node.upper, "step": node.step} | {place: None}
                yield f"slice without {place} bound", bound.lineno, ast.Slice(**bounds)
    elif isinstance(node, ast.comprehension) and node.ifs:
        all_of_them = ast.comprehension(node.target, node.iter, [], node.is_async)
        yield "comprehension without if", node.ifs[0].lineno, all_of_them


def _of_statement(node: ast.stmt) -> Made:
    forgotten = isinstance(node, ast.AugAssign) or (isinstance(node, ast.Expr) and isinstance(node.value, ast.Call))
    if forgotten:
        yield "statement gone", node.lineno, ast.Pass()
    elif isinstance(node, ast.If) and not node.orelse and not isinstance(node.body[0], ast.Raise):
        yield "if gone", node.lineno, ast.Pass()
    elif isinstance(node, ast.If) and node.orelse:
        yield "else alone", node.lineno, ast.If(ast.Constant(False), node.body, node.orelse)
    elif isinstance(node, ast.Continue):
        yield "continue gone", node.lineno, ast.Pass()


def _of_constant(node: ast.Constant, words: Collection[str]) -> Made:
    value = node.value
    if isinstance(value, str):
        for new in _other_words(value, words):
            yield f"{value!r} to {new!r}", node.lineno, ast.Constant(new)
    elif isinstance(value, int) and not isinstance(value, bool) and value:
        yield f"{value} to {value - 1}", node.lineno, ast.Constant(value - 1)
    elif isinstance(value, float) and value:
        new = 365 if value == 365.25 else 0.99 * value
        yield f"{value} to {new}", node.lineno, ast.Constant(new)


def _of_name(node: ast.Name | ast.Attribute, words: Collection[str]) -> Made:
    name = node.id if isinstance(node, ast.Name) else node.attr
    for new in _other_words(name, words):
        same = ast.Name(new, ast.Load()) if isinstance(node, ast.Name) else ast.Attribute(node.value, new, ast.Load())
        yield f"{name} to {new}", node.end_lineno or node.lineno, same


def _other_words(name: str, words: Collection[str]) -> list[str]:
    if not name.replace("_", "").isalpha():
        return []
    pairs = [*_WORDS, *((other, one) for one, other in _WORDS)]
    new = [f"_{name}_".replace(f"_{one}_", f"_{other}_")[1:-1] for one, other in pairs]
    return list(dict.fromkeys(n for n in new if n != name and n in words))


def _of_operation(node: ast.BinOp) -> Made:
    number = node.right.lineno
    if isinstance(node.op, ast.Sub | ast.Div | ast.Pow | ast.MatMult):
        yield "sides swapped", number, ast.BinOp(node.right, node.op, node.left)
    if isinstance(node.op, ast.Add | ast.Sub | ast.Mult | ast.Div | ast.Pow | ast.BitOr):
        yield "without right term", number, node.left
    if isinstance(node.op, ast.Add | ast.Mult | ast.BitOr):
        yield "without left term", number, node.right
    elif isinstance(node.op, ast.Sub):
        yield "without left term", number, ast.UnaryOp(ast.USub(), node.right)


def _of_call(node: ast.Call) -> Made:
    func, args = node.func, node.args
    name = func.attr if isinstance(func, ast.Attribute) else getattr(func, "id", "")
    number = (func.end_lineno or func.lineno) if isinstance(func, ast.Attribute) else node.lineno
    if name in _PLAIN and isinstance(func, ast.Attribute):
        other = _PLAIN[name]
        yield f"{name} to {other}", number, ast.Call(ast.Attribute(func.value, other, ast.Load()), args, node.keywords)
    if name in _ONE_ARGUMENT and len(args) == 1:
        yield f"{name} gone", number, args[0]
    if len(args) > 1 and name not in _SYMMETRIC | _PARTS_OF and not any(isinstance(a, ast.Starred) for a in args):
        for i in range(len(args) - 1):
            swapped = [*args[:i], args[i + 1], args[i], *args[i + 2 :]]
            yield f"arguments {i + 1} and {i + 2} swapped", args[i].lineno, ast.Call(func, swapped, node.keywords)
    if len(args) > 1 and name in _PARTS_OF:
        for i, argument in enumerate(args):
            yield (
                f"argument {i + 1} left out",
                argument.lineno,
                ast.Call(func, [*args[:i], *args[i + 1 :]], node.keywords),
            )
    for i, keyword in enumerate(node.keywords):
        if keyword.arg is not None and keyword.arg not in SILENT:
            rest = [*node.keywords[:i], *node.keywords[i + 1 :]]
            yield f"{keyword.arg} not given", keyword.value.lineno, ast.Call(func, args, rest)
