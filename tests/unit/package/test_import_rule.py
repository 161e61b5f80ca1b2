"""Which package may import which: a written order, read from the sources."""

import ast
from pathlib import Path

import pytest

import chainweigh

ROOT = Path(chainweigh.__file__).parent
ORDER = (
    "errors",
    "once",
    "kernels",
    "audio",
    "measure",
    "song",
    "effects",
    "hosts",
    "chain",
    "render",
    "ranking",
    "recipe",
    "report",
    "cli",
)
DATA = "shipped_chains"  # package data once installed
FILES = sorted(
    p
    for p in ROOT.rglob("*.py")
    if (p.parent != ROOT or p.name in ("errors.py", "once.py")) and p.parent.name != DATA
)


def imported(file: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{file}: relative import"
            names.add(node.module)
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
    return names


def package_of(file: Path) -> str:
    return file.relative_to(ROOT).parts[0].removesuffix(".py")


def test_there_are_files_to_read_and_all_belong_to_a_known_package():
    assert len(FILES) > 30
    assert {package_of(f) for f in FILES} <= set(ORDER)


@pytest.mark.parametrize("file", FILES, ids=lambda f: str(f.relative_to(ROOT)))
def test_a_package_imports_only_those_above_it(file):
    own = ORDER.index(package_of(file))
    for name in imported(file):
        parts = name.split(".")
        if parts[0] == "chainweigh" and len(parts) > 1 and parts[1] in ORDER:
            assert ORDER.index(parts[1]) <= own, f"{file.name} imports {name}"


@pytest.mark.parametrize("file", FILES, ids=lambda f: str(f.relative_to(ROOT)))
def test_only_the_command_line_imports_click(file):
    if package_of(file) != "cli":
        assert not any(n.split(".")[0] == "click" for n in imported(file))
