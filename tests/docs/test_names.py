"""The guides name files that exist and functions that those files define."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
GUIDES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
PATH = re.compile(
    r"`((?:spools|maintenance|pages|api|background|access|tests|fixtures|benchmarks|docs)/[\w./*-]+)`"
)
MODULE = re.compile(r"python -m ([\w.]+)")


@pytest.mark.parametrize("guide", GUIDES, ids=lambda path: path.name)
def test_a_guide_names_files_that_exist(guide):
    text = guide.read_text()
    named = set(PATH.findall(text)) | {module.replace(".", "/") + "*" for module in MODULE.findall(text)}
    assert [name for name in sorted(named) if not list(ROOT.glob(name.rstrip("/")))] == []


FUNCTION = re.compile(r"`(\w+)` in\s+`([\w/]+\.py)`")


def test_the_architecture_names_functions_that_exist():
    named = FUNCTION.findall((ROOT / "docs" / "architecture.md").read_text())
    assert named
    assert [(name, path) for name, path in named if f"def {name}(" not in (ROOT / path).read_text()] == []
