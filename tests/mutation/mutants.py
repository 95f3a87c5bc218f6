"""Small faults to put into a module, one at a time: what a slip of the pen would do.

A mutant is one changed node of the syntax tree. Operators: a comparison reversed or its border
moved, a sign turned, a product made a quotient, a term or a condition dropped, ``and`` for ``or``,
``not`` struck, least for greatest, a constant doubled. Left alone are texts, annotations,
docstrings, numerical guards (constants below 1e-6), positions and axes.
"""

import ast
import copy
from dataclasses import dataclass
from pathlib import Path

QUIET_KEYWORDS = {"axis", "dtype", "seed", "maxiter", "max_nfev", "iterations", "ddof", "n",
                  "strict", "copy", "stacklevel", "replicates", "level", "level_s", "digits",
                  "errors", "kind", "side", "min_periods", "index", "dash"}
QUIET_CALLS = {"errstate", "Finding", "range", "field", "dataclass", "reshape", "astype", "round"}
REVERSED = {ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt,
            ast.Eq: ast.NotEq, ast.NotEq: ast.Eq}
BORDER = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
SWAPPED = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
           ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd}
LEAST = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum",
         "nanmin": "nanmax", "nanmax": "nanmin", "argmin": "argmax", "argmax": "argmin",
         "floor": "ceil", "ceil": "floor", "sind": "cosd", "cosd": "sind", "sin": "cos",
         "cos": "sin"}


@dataclass(frozen=True)
class Mutant:
    """One change of one node.

    Attributes
    ----------
    path : Path
    line : int
    operator : str
    before, after : str
        Source of the node.
    number : int
        Of the change in the module, in the order of the walk.
    name : str
        Name of the constant where the change is in a module-level assignment, else empty.
    """

    path: Path
    line: int
    operator: str
    before: str
    after: str
    number: int
    name: str


def _whole_number(node: ast.expr) -> bool:
    """Whether a side of a comparison counts things, so that its border can be met exactly."""
    text = ast.unparse(node)
    return (isinstance(node, ast.Constant) and isinstance(node.value, int)) or any(
        word in text for word in ("len(", ".size", ".sum()", "count"))


def _changes(node: ast.AST):
    """Changed copies of one node, with the operator's name."""
    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        kind = type(node.ops[0])
        if kind in REVERSED:
            new = copy.deepcopy(node)
            new.ops = [REVERSED[kind]()]
            yield "comparison reversed", new
        if kind in BORDER and _whole_number(node.comparators[0]):
            new = copy.deepcopy(node)
            new.ops = [BORDER[kind]()]
            yield "border moved", new
    elif isinstance(node, ast.BoolOp):
        new = copy.deepcopy(node)
        new.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield "and for or", new
        yield "condition dropped", copy.deepcopy(node.values[0])
    elif isinstance(node, ast.BinOp) and type(node.op) in SWAPPED:
        if isinstance(node.left, (ast.Constant, ast.JoinedStr)) and isinstance(
                getattr(node.left, "value", ""), str):
            return
        new = copy.deepcopy(node)
        new.op = SWAPPED[type(node.op)]()
        yield ("sign" if isinstance(node.op, (ast.Add, ast.Sub)) else
               "product" if isinstance(node.op, (ast.Mult, ast.Div)) else "mask"), new
        if isinstance(node.op, (ast.Add, ast.Sub, ast.BitAnd, ast.BitOr)):
            yield "term dropped", copy.deepcopy(node.left)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.USub, ast.Not, ast.Invert)):
        if not isinstance(node.operand, ast.Constant):
            yield "sign" if isinstance(node.op, ast.USub) else "not struck", copy.deepcopy(
                node.operand)
    elif isinstance(node, ast.Attribute) and node.attr in LEAST:
        new = copy.deepcopy(node)
        new.attr = LEAST[node.attr]
        yield "least for greatest", new
    elif isinstance(node, ast.Name) and node.id in LEAST and isinstance(node.ctx, ast.Load):
        yield "least for greatest", ast.Name(LEAST[node.id], ast.Load())
    elif (isinstance(node, ast.Constant) and type(node.value) in (int, float)
            and 1e-6 <= abs(node.value) < 1e5):
        yield "constant doubled", ast.Constant(node.value * 2)


class _Walker(ast.NodeVisitor):
    """Collect (parent, field, index) of every node that may change."""

    def __init__(self):
        self.sites, self.name = [], ""

    def _give(self, parent, field, index, node):
        for operator, new in _changes(node):
            self.sites.append((parent, field, index, node, operator, new, self.name))

    def generic_visit(self, node):
        for field, value in ast.iter_fields(node):
            if field in ("annotation", "returns", "decorator_list", "type_params") or (
                    isinstance(node, ast.Subscript) and field == "slice"
                    and isinstance(value, (ast.Constant, ast.UnaryOp, ast.Tuple))):
                continue
            for index, child in enumerate(value) if isinstance(value, list) else ((None, value),):
                if isinstance(child, ast.AST):
                    self._give(node, field, index, child)
                    self.visit(child)

    def visit_Module(self, node):
        for statement in node.body:
            targets = getattr(statement, "targets", None) or [getattr(statement, "target", None)]
            self.name = targets[0].id if isinstance(targets[0], ast.Name) else ""
            if self.name != "__all__":
                self.visit(statement)

    def visit_keyword(self, node):
        if node.arg not in QUIET_KEYWORDS:
            self.generic_visit(node)

    def visit_Call(self, node):
        name = getattr(node.func, "attr", getattr(node.func, "id", ""))
        if name not in QUIET_CALLS and not name.endswith("Error"):
            self.generic_visit(node)

    def visit_JoinedStr(self, node):
        pass

    def visit_If(self, node):
        if ast.unparse(node.test) != "TYPE_CHECKING":
            self.generic_visit(node)

    def visit_Raise(self, node):
        pass


def mutants_of(path: Path) -> list[Mutant]:
    """Every mutant of a module, in the order of its source."""
    walker = _Walker()
    walker.visit(ast.parse(path.read_text(encoding="utf-8")))
    return [Mutant(path, node.lineno, operator, ast.unparse(node), ast.unparse(new), number, name)
            for number, (_, _, _, node, operator, new, name) in enumerate(walker.sites)]


def mutated(mutant: Mutant) -> ast.Module:
    """The module's tree with the one change."""
    tree = ast.parse(mutant.path.read_text(encoding="utf-8"))
    walker = _Walker()
    walker.visit(tree)
    parent, field, index, node, _, new, _ = walker.sites[mutant.number]
    ast.copy_location(new, node)
    if index is None:
        setattr(parent, field, new)
    else:
        getattr(parent, field)[index] = new
    return ast.fix_missing_locations(tree)
