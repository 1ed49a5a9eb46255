"""An assert of the product only narrows a type to "not None": checks of what comes from outside are refusals."""

import ast

from tests.docs.test_sizes import nodes


def narrows(test: ast.expr) -> bool:
    if isinstance(test, ast.BoolOp):
        return isinstance(test.op, ast.And) and all(map(narrows, test.values))
    return isinstance(test, ast.Compare) and ast.unparse(test).endswith(" is not None")


def test_asserts_only_narrow_types():
    wrong = [
        f"{path}:{node.lineno}"
        for path, node in nodes()
        if path.parts[0] != "benchmarks" and isinstance(node, ast.Assert) and not narrows(node.test)
    ]
    assert wrong == []
