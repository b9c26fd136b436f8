"""No function is long, none takes a crowd of parameters, no record holds a crowd of fields.

Exempt by what they are, not by name:

- a command (`guarded`): its parameters are its options, one each, and its signature is their list with help texts; what
  counts is its body.
- a kernel (`kernel`): numba takes arrays and named tuples, no objects. Its length counts.
- a question of the front door (a method of a class `...Questions`): its keywords are the options of a command.
- a table of a file (`Table`): its fields are the keys of the file.
"""

import ast
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from tests.test_architecture import modules

MOST_LINES = 60  # without the docstring
MOST_PARAMETERS = 8  # without self
MOST_FIELDS = 12

Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True)
class Counted:
    """A function or record with what is counted of it."""

    name: str
    marks: frozenset[str]  # decorators, and the class that a method stands in
    count: int


def decorators(node: Function | ast.ClassDef) -> frozenset[str]:
    """Last names of what decorates it: `kernel`, `dataclass`."""
    calls = (one.func if isinstance(one, ast.Call) else one for one in node.decorator_list)
    return frozenset(ast.unparse(one).split(".")[-1] for one in calls)


def functions() -> Iterator[tuple[str, str, Function]]:
    """Name, name of the class around ("" for none), and node of every function, inner ones too."""
    for name, _, tree in modules():
        around = {
            id(inner): node.name for node in ast.walk(tree) if isinstance(node, ast.ClassDef) for inner in node.body
        }
        for node in ast.walk(tree):
            if isinstance(node, Function):
                yield f"{name}.{node.name}", around.get(id(node), ""), node


def lines_of(node: Function) -> int:
    """Lines of a function without its docstring; of a command those of its body."""
    first, last = node.body[0], node.body[-1].end_lineno or 0
    start = node.lineno
    length = last - start + 1
    if ast.get_docstring(node, clean=False) is not None:
        length -= (first.end_lineno or 0) - first.lineno + 1
    if "guarded" in decorators(node):
        length -= first.lineno - start
    return length


def parameters_of(node: Function) -> int:
    """How many parameters a function has, self and cls left out."""
    names = [one.arg for one in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)]
    own = names[1:] if names[:1] in (["self"], ["cls"]) else names
    return len(own) + (node.args.vararg is not None) + (node.args.kwarg is not None)


def records() -> Iterator[Counted]:
    """Every class that holds data by name, with the number of its own fields."""
    for name, _, tree in modules():
        for node in ast.walk(tree):
            if not isinstance(node, ast.ClassDef):
                continue
            bases = frozenset(ast.unparse(base).split(".")[-1] for base in node.bases)
            if "dataclass" in decorators(node) or bases & {"NamedTuple", "TypedDict", "Table", "BaseModel"}:
                fields = sum(isinstance(line, ast.AnnAssign) for line in node.body)
                yield Counted(f"{name}.{node.name}", bases, fields)


def test_no_function_is_long() -> None:
    long = {name: lines for name, _, node in functions() if (lines := lines_of(node)) > MOST_LINES}
    assert not long, f"over {MOST_LINES} lines: {long}; split by what the parts do"


def test_no_function_takes_a_crowd() -> None:
    crowded = {
        name: count
        for name, around, node in functions()
        if (count := parameters_of(node)) > MOST_PARAMETERS
        and not decorators(node) & {"guarded", "kernel"}
        and not (around.endswith("Questions") and len(node.args.args) == 1)
    }
    assert not crowded, f"over {MOST_PARAMETERS}: {crowded}; make them an object"


def test_no_record_holds_a_crowd() -> None:
    crowded = {one.name: one.count for one in records() if one.count > MOST_FIELDS and "Table" not in one.marks}
    assert not crowded, f"over {MOST_FIELDS} fields: {crowded}; cut them along their seams"


@pytest.mark.parametrize(
    ("text", "lines", "parameters"),
    [
        ('def f(self, a, *, b, **c):\n    """One.\n\n    Two.\n    """\n    return a\n', 2, 3),
        ("def f(\n    a,\n    b,\n):\n    return (\n        a\n    )\n", 7, 2),
        ('@guarded\ndef f(\n    a,\n    b,\n):\n    """One."""\n    return a\n', 1, 2),
    ],
)
def test_what_is_counted(text: str, lines: int, parameters: int) -> None:
    (node,) = ast.parse(text).body
    assert isinstance(node, Function)
    assert (lines_of(node), parameters_of(node)) == (lines, parameters)
