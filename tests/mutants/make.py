"""Mutants of a source file, made from its syntax tree: each is the file with one small thing wrong.

What a reader of figures never sees is left alone: docstrings, annotations, decorators, messages (raise, assert, say,
print, logging, formatted text) and keywords that change no result (`SILENT`).
"""

from __future__ import annotations

import ast
import hashlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from types import CodeType

SEED = 1  # changes which mutants are drawn, and with it every score: leave it
SILENT = {
    "strict",
    "validate",
    "check_sortedness",
    "maintain_order",
    "frozen",
    "slots",
    "kw_only",
    "repr",
    "stacklevel",
    "encoding",
    "engine",
    "rechunk",
    "parallel",
}
MESSAGES = {"say", "print", "warn", "debug", "info", "warning", "error", "exception", "log", "echo"}

_EDGES: dict[type[ast.cmpop], tuple[str, type[ast.cmpop], str]] = {
    ast.Lt: ("<", ast.LtE, "<="),
    ast.LtE: ("<=", ast.Lt, "<"),
    ast.Gt: (">", ast.GtE, ">="),
    ast.GtE: (">=", ast.Gt, ">"),
    ast.Eq: ("==", ast.NotEq, "!="),
    ast.NotEq: ("!=", ast.Eq, "=="),
    ast.Is: ("is", ast.IsNot, "is not"),
    ast.IsNot: ("is not", ast.Is, "is"),
    ast.In: ("in", ast.NotIn, "not in"),
    ast.NotIn: ("not in", ast.In, "in"),
}
_OPERATORS: dict[type[ast.operator], tuple[str, type[ast.operator], str]] = {
    ast.Add: ("+", ast.Sub, "-"),
    ast.Sub: ("-", ast.Add, "+"),
    ast.Mult: ("*", ast.Div, "/"),
    ast.Div: ("/", ast.Mult, "*"),
    ast.FloorDiv: ("//", ast.Mult, "*"),
    ast.BitAnd: ("&", ast.BitOr, "|"),
    ast.BitOr: ("|", ast.BitAnd, "&"),
}
_PAIRS = (
    ("min", "max"),
    ("min_horizontal", "max_horizontal"),
    ("cum_min", "cum_max"),
    ("minimum", "maximum"),
    ("argmin", "argmax"),
    ("arg_min", "arg_max"),
    ("any", "all"),
    ("any_horizontal", "all_horizontal"),
    ("first", "last"),
    ("floor", "ceil"),
    ("forward_fill", "backward_fill"),
    ("is_null", "is_not_null"),
    ("head", "tail"),
)
_CALLS = dict(_PAIRS) | {other: one for one, other in _PAIRS}
# Keywords whose words are strategies, and what each word becomes.
_WORDS = {
    "how": {"left": "inner", "inner": "left", "semi": "anti", "anti": "semi", "full": "left"},
    "strategy": {"forward": "backward", "backward": "forward"},
    "keep": {"first": "last", "last": "first"},
    "side": {"left": "right", "right": "left"},
    "closed": {"left": "right", "right": "left", "both": "left", "none": "both"},
}


@dataclass(frozen=True)
class Key:
    """What a mutant is called as long as its line stands, wherever the line moves to.

    `kind` says what was changed; the second such change of equal lines of one function ends with `#2`.
    """

    file: str
    function: str
    line: str
    kind: str


@dataclass(frozen=True)
class Mutant:
    """One change: `new` stands in `parent` where the source has another node."""

    key: Key
    number: int
    parent: ast.AST = field(repr=False)
    place: str
    index: int | None
    new: object = field(repr=False)

    @contextmanager
    def applied(self) -> Iterator[None]:
        """While it lasts the tree that the mutant was made from is the mutated one."""
        held = getattr(self.parent, self.place)
        if self.index is None:
            setattr(self.parent, self.place, self.new)
        else:
            setattr(self.parent, self.place, [*held[: self.index], self.new, *held[self.index + 1 :]])
        try:
            yield
        finally:
            setattr(self.parent, self.place, held)


@dataclass(frozen=True)
class Source:
    """A file's tree and all its mutants, in the order of the text."""

    file: str
    tree: ast.Module
    mutants: tuple[Mutant, ...]

    def text(self, mutant: Mutant) -> str:
        """The mutated file as it would be written."""
        with mutant.applied():
            return ast.unparse(self.tree)

    def code(self, mutant: Mutant | None, filename: str) -> CodeType:
        """The file, mutated, ready to be executed."""
        if mutant is None:
            return compile(self.tree, filename, "exec")
        with mutant.applied():
            return compile(ast.fix_missing_locations(self.tree), filename, "exec")


def read_source(text: str, file: str, kinds: Kinds | None = None) -> Source:
    """All mutants of a file, `file` being what it is called; of other `kinds` than those that scores are kept of."""
    tree, lines = ast.parse(text), text.splitlines()
    seen: dict[Key, int] = {}
    mutants = []
    for one in _of_body(tree, "(module)", kinds or _replacements):
        key = Key(file, one.function, lines[one.number - 1].strip(), one.kind)
        seen[key] = seen.get(key, 0) + 1
        if seen[key] > 1:
            key = Key(file, one.function, key.line, f"{one.kind} #{seen[key]}")
        mutants.append(Mutant(key, one.number, one.parent, one.place, one.index, one.new))
    return Source(file, tree, tuple(mutants))


def draw(mutants: tuple[Mutant, ...], n: int | None, seed: int = SEED) -> list[Mutant]:
    """`n` of the mutants (all if None) by a fixed order of chance in which a change of one line moves no other."""

    def rank(mutant: Mutant) -> str:
        key = mutant.key
        return hashlib.sha256("\n".join((str(seed), key.file, key.function, key.line, key.kind)).encode()).hexdigest()

    return sorted(sorted(mutants, key=rank)[:n], key=lambda mutant: mutant.number)


@dataclass(frozen=True)
class _Change:
    function: str
    number: int
    kind: str
    parent: ast.AST
    place: str
    index: int | None
    new: object


_Site = tuple[ast.AST, str, int | None]
# A node and its place to: what is changed, the number of its line, what stands there then.
Kinds = Callable[[ast.AST, _Site], Iterator[tuple[str, int, object]]]


def _children(node: ast.AST) -> Iterator[tuple[ast.AST, _Site]]:
    for name, value in ast.iter_fields(node):
        if isinstance(value, ast.AST):
            yield value, (node, name, None)
        elif isinstance(value, list):
            for i, one in enumerate(value):
                if isinstance(one, ast.AST):
                    yield one, (node, name, i)


def _of_body(node: ast.AST, function: str, kinds: Kinds) -> Iterator[_Change]:
    for child, site in _children(node):
        yield from _of_node(child, site, function, kinds)


def _of_node(node: ast.AST, site: _Site, function: str, kinds: Kinds) -> Iterator[_Change]:
    if _is_silent(node):
        return
    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        inner = node.name if function == "(module)" else f"{function}.{node.name}"
        if not isinstance(node, ast.ClassDef):
            for place in ("defaults", "kw_defaults"):
                for i, value in enumerate(getattr(node.args, place)):
                    if value is not None:
                        yield from _of_node(value, (node.args, place, i), inner, kinds)
        for i, statement in enumerate(node.body):
            yield from _of_node(statement, (node, "body", i), inner, kinds)
        return
    if isinstance(node, ast.AnnAssign):
        if node.value is not None:
            yield from _changes(node, site, function, kinds)
            yield from _of_node(node.value, (node, "value", None), function, kinds)
        return
    yield from _changes(node, site, function, kinds)
    yield from _of_body(node, function, kinds)


def _is_silent(node: ast.AST) -> bool:
    if isinstance(node, ast.Raise | ast.Assert | ast.JoinedStr | ast.Import | ast.ImportFrom | ast.arguments):
        return not isinstance(node, ast.arguments) or not (node.defaults or node.kw_defaults)
    if isinstance(node, ast.Call):
        return _called(node) in MESSAGES
    if isinstance(node, ast.keyword):
        return node.arg in SILENT
    if isinstance(node, ast.If):
        return "TYPE_CHECKING" in ast.unparse(node.test) or "__name__" in ast.unparse(node.test)
    return False


def _called(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def _changes(node: ast.AST, site: _Site, function: str, kinds: Kinds) -> Iterator[_Change]:
    """Every change of this one node; the node's own parts are looked at apart."""
    for kind, number, new in kinds(node, site):
        yield _Change(function, number, kind, *site, new)


def _replacements(node: ast.AST, site: _Site) -> Iterator[tuple[str, int, object]]:
    if isinstance(node, ast.Constant):
        yield from _of_constant(node)
    elif isinstance(node, ast.Compare):
        yield from _of_comparison(node)
    elif isinstance(node, ast.BinOp):
        yield from _of_operation(node)
    elif isinstance(node, ast.AugAssign) and type(node.op) in _OPERATORS:
        name, new, other = _OPERATORS[type(node.op)]
        yield f"{name}= to {other}=", node.lineno, ast.AugAssign(node.target, new(), node.value)
    elif isinstance(node, ast.BoolOp):
        name, other, new = ("and", "or", ast.Or()) if isinstance(node.op, ast.And) else ("or", "and", ast.And())
        yield f"{name} to {other}", node.lineno, ast.BoolOp(new, node.values)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.Invert | ast.USub):
        name = {ast.Not: "not", ast.Invert: "~", ast.USub: "minus"}[type(node.op)]
        yield f"{name} gone", node.lineno, node.operand
    elif isinstance(node, ast.IfExp):
        yield "if turned", node.test.lineno, ast.IfExp(node.test, node.orelse, node.body)
    elif isinstance(node, ast.If) and isinstance(node.test, ast.Name | ast.Attribute | ast.Call):
        yield "if turned", node.lineno, ast.If(ast.UnaryOp(ast.Not(), node.test), node.body, node.orelse)
    elif isinstance(node, ast.Tuple | ast.List | ast.Set):
        yield from _of_members(node, site)
    elif isinstance(node, ast.keyword):
        yield from _of_keyword(node)
    elif isinstance(node, ast.Call):
        yield from _of_call(node)


def _of_constant(node: ast.Constant) -> Iterator[tuple[str, int, object]]:
    if isinstance(node.value, bool):
        yield f"{node.value} to {not node.value}", node.lineno, ast.Constant(not node.value)
    elif isinstance(node.value, int | float):
        yield f"{node.value} to {node.value + 1}", node.lineno, ast.Constant(node.value + 1)


def _of_comparison(node: ast.Compare) -> Iterator[tuple[str, int, object]]:
    for i, op in enumerate(node.ops):
        name, new, other = _EDGES[type(op)]
        changed = [*node.ops[:i], new(), *node.ops[i + 1 :]]
        number = node.comparators[i].lineno
        yield f"{name} to {other}", number, ast.Compare(node.left, changed, node.comparators)


def _of_operation(node: ast.BinOp) -> Iterator[tuple[str, int, object]]:
    if type(node.op) not in _OPERATORS:
        return
    name, new, other = _OPERATORS[type(node.op)]
    number = node.right.lineno
    yield f"{name} to {other}", number, ast.BinOp(node.left, new(), node.right)
    if isinstance(node.op, ast.BitAnd):
        yield "& without its right term", number, node.left
        yield "& without its left term", number, node.right


def _of_members(node: ast.Tuple | ast.List | ast.Set, site: _Site) -> Iterator[tuple[str, int, object]]:
    """A word left out of a list of words: of one with a name, or of one that values are looked for in."""
    parent, place, _ = site
    named = isinstance(parent, ast.Assign | ast.AnnAssign) and parent.col_offset == 0 and place == "value"
    if isinstance(parent, ast.Assign) and ast.unparse(parent.targets) == "__all__":
        return
    looked_in = isinstance(parent, ast.Compare) or (isinstance(parent, ast.Call) and _called(parent) == "is_in")
    if len(node.elts) < 2 or not (named or looked_in):
        return
    for i, member in enumerate(node.elts):
        if isinstance(member, ast.Constant | ast.Starred | ast.Name):
            rest = [*node.elts[:i], *node.elts[i + 1 :]]
            new = ast.Set(rest) if isinstance(node, ast.Set) else type(node)(rest, ast.Load())
            yield f"{ast.unparse(member)} left out", member.lineno, new


def _of_keyword(node: ast.keyword) -> Iterator[tuple[str, int, object]]:
    words = _WORDS.get(node.arg or "", {})
    if isinstance(node.value, ast.Constant) and node.value.value in words:
        other = words[node.value.value]
        yield f"{node.arg} {node.value.value} to {other}", node.lineno, ast.keyword(node.arg, ast.Constant(other))


def _of_call(node: ast.Call) -> Iterator[tuple[str, int, object]]:
    name, func = _called(node), node.func
    number = (func.end_lineno or func.lineno) if isinstance(func, ast.Attribute) else node.lineno
    given = {keyword.arg for keyword in node.keywords}

    def called(func: ast.expr, args: list[ast.expr], *more: ast.keyword) -> ast.Call:
        return ast.Call(func, args, [*node.keywords, *more])

    if name in _CALLS:
        other = _CALLS[name]
        new = ast.Attribute(func.value, other, ast.Load()) if isinstance(func, ast.Attribute) else ast.Name(other)
        yield f"{name} to {other}", number, called(_loaded(new), node.args)
    if name == "coalesce" and len(node.args) > 1:
        yield "coalesce turned", number, called(func, node.args[::-1])
    if name == "is_between" and "closed" not in given:
        for closed, left in (("right", "lower"), ("left", "upper")):
            yield f"{left} edge left out", number, called(func, node.args, ast.keyword("closed", ast.Constant(closed)))
    if name == "sorted" and "reverse" not in given:
        yield "sorted descending", number, called(func, node.args, ast.keyword("reverse", ast.Constant(True)))
    if name in ("sort", "sort_by") and isinstance(func, ast.Attribute) and not given & {"descending", "reverse"}:
        word = "reverse" if "key" in given else "descending"
        yield "sorted descending", number, called(func, node.args, ast.keyword(word, ast.Constant(True)))
    if name == "filter" and isinstance(func, ast.Attribute):
        if len(node.args) == 1:
            yield "filter gone", number, func.value
        for i, argument in enumerate(node.args if len(node.args) > 1 else ()):
            yield (
                f"filter without argument {i + 1}",
                argument.lineno,
                called(func, [*node.args[:i], *node.args[i + 1 :]]),
            )


def _loaded(new: ast.expr) -> ast.expr:
    if isinstance(new, ast.Name):
        new.ctx = ast.Load()
    return new
