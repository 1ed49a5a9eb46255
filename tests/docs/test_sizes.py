"""Modules fit on a few screens, functions on one; compiled kernels are loops that cannot be split."""

import ast
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGES = ["spools", "maintenance", "pages", "api", "background", "access", "config", "benchmarks"]
MOST_MODULE_LINES, MOST_FUNCTION_LINES, MOST_PARAMETERS, MOST_MODULES = 400, 60, 8, 12


def modules():
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            if "migrations" not in path.parts:
                yield path.relative_to(ROOT), path.read_text()


@cache
def nodes():
    """Functions and asserts, each with the path of its module."""
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.Assert)
    return [
        (path, node)
        for path, text in modules()
        for node in ast.walk(ast.parse(text))
        if isinstance(node, kinds)
    ]


def functions():
    return [(f"{path}:{node.name}", node) for path, node in nodes() if not isinstance(node, ast.Assert)]


def is_kernel(node) -> bool:
    return any(
        ast.unparse(decorator).split("(")[0] in ("kernel", "part") for decorator in node.decorator_list
    )


def test_modules_are_short():
    lengths = {str(path): text.count("\n") for path, text in modules()}
    assert len(lengths) > 300
    assert {path: lines for path, lines in lengths.items() if lines > MOST_MODULE_LINES} == {}


def test_functions_fit_on_a_screen():
    lengths = {name: node.end_lineno - node.lineno + 1 for name, node in functions() if not is_kernel(node)}
    assert {name: lines for name, lines in lengths.items() if lines > MOST_FUNCTION_LINES} == {}


def test_functions_have_few_parameters():
    counts = {}
    for name, node in functions():
        values = node.args.posonlyargs + node.args.args + node.args.kwonlyargs
        counts[name] = len([parameter for parameter in values if parameter.arg not in ("self", "cls")])
    kernels = {name for name, node in functions() if is_kernel(node)}
    assert {n: count for n, count in counts.items() if count > MOST_PARAMETERS and n not in kernels} == {}


def test_an_app_holds_folders_rather_than_modules():
    for app in ("spools", "maintenance"):
        directly = [path.name for path in (ROOT / app).glob("*.py") if path.name != "__init__.py"]
        assert len(directly) <= MOST_MODULES, sorted(directly)
