"""Which faults can be put into a module, and putting in one of them."""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Fault", "faults_in", "mutated"]

BINARY = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.Pow: ast.Mult,
    ast.MatMult: ast.MatMult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}
COMPARE = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
NAMES = {
    "sin": "cos",
    "cos": "sin",
    "min": "max",
    "max": "min",
    "minimum": "maximum",
    "maximum": "minimum",
    "argmin": "argmax",
    "argmax": "argmin",
    "any": "all",
    "all": "any",
    "floor": "ceil",
    "ceil": "floor",
    "FAIL": "WARN",
    "WARN": "NOTE",
    "NOTE": "WARN",
    "mean": "sum",
    "exp": "log",
    "intersection": "union",
    "difference": "union",
}


@dataclass(frozen=True)
class Fault:
    """One change: file, place in the order of its syntax tree, way, line, and words for it."""

    file: str
    node: int
    way: str
    line: int
    words: str

    @property
    def name(self) -> str:
        """``file:line node way``, by which it is repeated."""
        return f"{self.file}:{self.line}:{self.node}:{self.way}"


def _nodes(tree: ast.Module) -> list[ast.AST]:
    """Nodes that are code: no annotation, docstring, text of a message or ``__all__``."""
    found: list[ast.AST] = []

    def visit(node: ast.AST) -> None:
        if isinstance(node, ast.JoinedStr | ast.Import | ast.ImportFrom | ast.Raise):
            return
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__":
            return
        found.append(node)
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list", "type_comment"):
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST):
                    visit(child)

    visit(tree)
    return found


def _ways(node: ast.AST) -> Iterator[tuple[str, str]]:
    """Ways in which a node can be wrong, and words."""
    if isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in BINARY:
        to = BINARY[type(node.op)]
        if to is not type(node.op):
            yield "operator", f"{type(node.op).__name__} -> {to.__name__}"
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in COMPARE:
        yield "compare", f"{type(node.ops[0]).__name__} turned"
    if isinstance(node, ast.BoolOp):
        yield "boolean", "and <-> or"
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not | ast.Invert):
        yield "unary", f"{type(node.op).__name__} left out"
    if isinstance(node, ast.Constant):
        value = node.value
        if isinstance(value, bool):
            yield "bool", f"{value} -> {not value}"
        elif isinstance(value, int):
            yield "int", f"{value} -> {value + 1}"
        elif isinstance(value, float) and value not in (0.0, float("inf")):
            yield "double", f"{value:g} -> {2 * value:g}"
    if isinstance(node, ast.Attribute) and node.attr in NAMES:
        yield "name", f"{node.attr} -> {NAMES[node.attr]}"
    if isinstance(node, ast.Name) and node.id in ("min", "max", "any", "all"):
        yield "name", f"{node.id} -> {NAMES[node.id]}"
    if isinstance(node, ast.IfExp | ast.If | ast.While):
        yield "condition", "condition turned"


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str | bytes)


def faults_in(path: Path, root: Path) -> list[Fault]:
    """All faults that can be put into a module."""
    file = path.relative_to(root).as_posix()
    found = []
    for index, node in enumerate(_nodes(ast.parse(path.read_text("utf-8")))):
        if _is_text(node):
            continue
        line = getattr(node, "lineno", 0)
        found += [Fault(file, index, way, line, words) for way, words in _ways(node)]
    return found


def mutated(source: str, fault: Fault) -> ast.Module:
    """The module's tree with one fault in it."""
    tree = copy.deepcopy(ast.parse(source))
    node = _nodes(tree)[fault.node]
    if fault.way == "operator":
        assert isinstance(node, ast.BinOp | ast.AugAssign)
        node.op = BINARY[type(node.op)]()
    elif fault.way == "compare":
        assert isinstance(node, ast.Compare)
        node.ops = [COMPARE[type(node.ops[0])]()]
    elif fault.way == "boolean":
        assert isinstance(node, ast.BoolOp)
        node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
    elif fault.way == "unary":
        assert isinstance(node, ast.UnaryOp)
        _replace(tree, node, node.operand)
    elif fault.way in ("bool", "int", "double"):
        assert isinstance(node, ast.Constant)
        value = node.value
        assert isinstance(value, int | float)
        changed = {"bool": lambda: not value, "int": lambda: value + 1, "double": lambda: 2 * value}
        node.value = changed[fault.way]()
    elif fault.way == "name":
        if isinstance(node, ast.Attribute):
            node.attr = NAMES[node.attr]
        else:
            assert isinstance(node, ast.Name)
            node.id = NAMES[node.id]
    elif fault.way == "condition":
        assert isinstance(node, ast.IfExp | ast.If | ast.While)
        node.test = ast.UnaryOp(ast.Not(), node.test)
    else:
        raise ValueError(fault.way)
    return ast.fix_missing_locations(tree)


def _replace(tree: ast.Module, old: ast.AST, new: ast.AST) -> None:
    for parent in ast.walk(tree):
        for name, value in ast.iter_fields(parent):
            if value is old:
                setattr(parent, name, new)
            elif isinstance(value, list) and any(v is old for v in value):
                setattr(parent, name, [new if v is old else v for v in value])
