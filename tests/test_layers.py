"""The floors of the house: no arrow upward, no circle, nothing of the upper floor's libraries below."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("gridfit", "pipelines")

FLOORS: dict[str, int] = {
    "gridfit.errors": 0, "gridfit.units": 0, "gridfit.estimate": 0, "gridfit.recovery": 0,
    "gridfit.signals": 2, "gridfit.simulate": 3, "gridfit.plant": 4, "gridfit.search": 5,
    "gridfit.compounds": 5, "gridfit.evidence": 5, "gridfit.exitspeed": 5, "gridfit.gridchange": 5, "gridfit.worth": 5,
    "gridfit": 1,
    "pipelines.report": 7, "pipelines.proposal": 7, "pipelines": 6,
    "pipelines.propose": 8, "pipelines.refine": 8, "pipelines.compare": 8, "pipelines.inspect_logs": 8,
    "pipelines.compare_grids": 8, "pipelines.score": 8, "pipelines.running": 9, "pipelines.service": 9,
    "pipelines.serving": 9, "pipelines.cli": 9,
}  # fmt: skip
"""Floor of each module or package; the longest name that fits decides."""

UPSTAIRS_ONLY = {
    "mlflow",
    "typer",
    "matplotlib",
    "jinja2",
    "rich",
    "fastapi",
    "starlette",
    "uvicorn",
    "pipelines",
}


def modules() -> dict[str, Path]:
    found = {}
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
            found[name.removesuffix(".__init__")] = path
    return found


MODULES = modules()
SUB_PACKAGES = {name for name, path in MODULES.items() if path.name == "__init__.py"}


def type_checking_lines(tree: ast.Module) -> set[int]:
    lines = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            for inner in node.body:
                lines |= set(range(inner.lineno, (inner.end_lineno or inner.lineno) + 1))
    return lines


def imports(name: str) -> set[str]:
    """Every imported name of a module, deferred ones included, those for type checking only left out."""
    tree = ast.parse(MODULES[name].read_text(encoding="utf-8"))
    skipped = type_checking_lines(tree)
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import | ast.ImportFrom) and node.lineno in skipped:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name}: relative import in line {node.lineno}"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                found.add(whole if whole in MODULES else str(node.module))
    return found


def ours(name: str) -> set[str]:
    return {target for target in imports(name) if target.split(".")[0] in PACKAGES}


def floor(name: str) -> int:
    fitting = [key for key in FLOORS if name == key or name.startswith(key + ".")]
    return FLOORS[max(fitting, key=len)]


def test_the_house_was_found():
    assert {"gridfit.errors", "pipelines.cli", "gridfit.search.study"} <= set(MODULES)


@pytest.mark.parametrize("name", sorted(MODULES))
def test_no_arrow_goes_up(name):
    above = {target for target in ours(name) if floor(target) > floor(name)}
    assert not above, f"{name} (floor {floor(name)}) imports {above}"


@pytest.mark.parametrize("name", sorted(MODULES))
def test_names_are_imported_from_the_module_that_defines_them(name):
    through_package = ours(name) & SUB_PACKAGES
    assert not through_package, f"{name} imports from the __init__ of {through_package}"


@pytest.mark.parametrize("name", sorted(name for name in MODULES if name.startswith("gridfit")))
def test_computation_knows_nothing_of_the_upper_floor(name):
    roots = {target.split(".")[0] for target in imports(name)}
    assert not roots & UPSTAIRS_ONLY


@pytest.mark.parametrize("name", sorted(MODULES))
def test_jobs_do_not_import_each_other(name):
    jobs = {key for key, value in FLOORS.items() if value == 8}
    if name in jobs:
        assert not ours(name) & (jobs - {name})


def test_no_circle():
    graph = {name: ours(name) for name in MODULES}
    done: set[str] = set()

    def visit(name: str, path: tuple[str, ...]) -> None:
        assert name not in path, " -> ".join((*path[path.index(name) :], name))
        if name in done:
            return
        for target in sorted(graph.get(name, ())):
            visit(target, (*path, name))
        done.add(name)

    for name in sorted(graph):
        visit(name, ())


def test_package_init_files_are_empty_or_a_docstring():
    for name in SUB_PACKAGES:
        body = ast.parse(MODULES[name].read_text(encoding="utf-8")).body
        rest = [
            node for node in body if not (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant))
        ]
        assert not rest, f"{name}/__init__.py holds code"


def test_no_file_is_longer_than_300_lines():
    long = {name: n for name, path in MODULES.items() if (n := len(path.read_text().splitlines())) > 300}
    long.pop("gridfit.simulate.kernel", None)  # one loop, laid out flat for the compiler
    assert not long


def test_no_module_has_the_name_of_a_standard_one():
    import sys

    assert not {name for name in MODULES if name.split(".")[-1] in sys.stdlib_module_names - {"errors"}}
