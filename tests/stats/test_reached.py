"""Nothing of `pipeline/stats` stands there that no command reaches: a walk over names from the rest of the program."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
STATS = "pipeline.stats"


@dataclass(frozen=True)
class Uses:
    """What some lines use: names of modules of `pipeline/stats` as (module, name), and any attributes."""

    names: frozenset[tuple[str, str]]
    attributes: frozenset[str]


class Module:
    """The names that a module has from `pipeline/stats`, by import or of its own, and where they are used."""

    def __init__(self, source: str, own: str = "") -> None:
        self.tree, self.own = ast.parse(source), own
        self.known: dict[str, tuple[str, str]] = {}
        self.modules: dict[str, str] = {}
        for node in ast.walk(self.tree):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith(STATS):
                for one in node.names:
                    if node.module == STATS:
                        self.modules[one.asname or one.name] = one.name
                    else:
                        self.known[one.asname or one.name] = (node.module.removeprefix(f"{STATS}."), one.name)
        if own:
            self.known |= {name: (own, name) for name, _ in self.defined()}

    def defined(self) -> Iterator[tuple[str, ast.stmt]]:
        """The names defined at the top, each with its statement."""
        for node in self.tree.body:
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
                yield node.name, node
            elif isinstance(node, (ast.Assign, ast.AnnAssign)):
                targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                for target in (t for one in targets for t in (one.elts if isinstance(one, ast.Tuple) else [one])):
                    if isinstance(target, ast.Name) and target.id != "__all__":
                        yield target.id, node

    def uses(self, *nodes: ast.AST) -> Uses:
        """What these lines use; a text that could be the name of an attribute counts as one (`getattr`, tables)."""
        names, attributes = set(), set()
        for node in (inner for one in nodes for inner in ast.walk(one)):
            if isinstance(node, ast.Name) and node.id in self.known:
                names.add(self.known[node.id])
            elif isinstance(node, ast.Attribute):
                attributes.add(node.attr)
                if isinstance(node.value, ast.Name) and node.value.id in self.modules:
                    names.add((self.modules[node.value.id], node.attr))
            elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.isidentifier():
                attributes.add(node.value)
        return Uses(frozenset(names), frozenset(attributes))

    def parts(self) -> Iterator[tuple[tuple[str, str], Uses]]:
        """Each definition with what it uses, methods apart from their class."""
        for name, node in self.defined():
            methods = [n for n in getattr(node, "body", []) if isinstance(n, ast.FunctionDef)]
            if isinstance(node, ast.ClassDef):
                rest = [n for n in (*node.body, *node.bases, *node.decorator_list) if n not in methods]
                yield (self.own, name), self.uses(*rest)
                for method in methods:
                    yield (self.own, f"{name}.{method.name}"), self.uses(method)
            else:
                yield (self.own, name), self.uses(node)


def unreached(program: list[Module], stats: list[Module]) -> list[str]:
    """Definitions of `stats` that `program` uses neither itself nor through what it uses."""
    found = [module.uses(module.tree) for module in program if module.known or module.modules]
    names = {name for one in found for name in one.names}
    attributes = {name for one in found for name in one.attributes}
    left = {key: uses for module in stats for key, uses in module.parts()}
    # A name that a module has only by import is used where that module gives it on.
    given = {(m.own, name): at for m in stats for name, at in m.known.items() if at != (m.own, name)}
    while True:
        names |= {given[name] for name in names if name in given}
        reached = [key for key in left if _is_reached(key, names, attributes)]
        if not reached:
            return sorted(f"{module}.{name}" for module, name in left)
        for key in reached:
            uses = left.pop(key)
            names |= {key, *(name for name in uses.names if name != key)}
            attributes |= uses.attributes


def _is_reached(key: tuple[str, str], names: set[tuple[str, str]], attributes: set[str]) -> bool:
    owner, _, method = key[1].partition(".")
    return (key[0], owner) in names and (not method or method in attributes or method.startswith("__"))


def test_every_estimator_is_reached_by_a_command():
    files = [path for folder in ("pipeline", "dashboards") for path in (ROOT / folder).rglob("*.py")]
    of_stats = [path for path in files if path.parent == ROOT / "pipeline" / "stats"]
    program = [Module(path.read_text(encoding="utf-8")) for path in files if path not in of_stats]
    stats = [Module(path.read_text(encoding="utf-8"), path.stem) for path in of_stats]
    assert unreached(program, stats) == []


def test_the_walk_tells_what_is_not_reached():
    one = Module("from pipeline.stats.two import f\ndef g(): return f()\ndef idle(): return idle()\n", "one")
    two = Module(
        "class C:\n    def used(self): pass\n    def unused(self): pass\nLIMIT = 3\ndef f(): return C()\n", "two"
    )
    program = Module("from pipeline.stats.one import g\ng().used()\n")
    assert unreached([program], [one, two]) == ["one.idle", "two.C.unused", "two.LIMIT"]
