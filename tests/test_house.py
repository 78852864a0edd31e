"""The rules of the house, read from the code itself: who may know whom, how large things are, what is documented."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
MODULES = sorted([*(ROOT / "pipeline").rglob("*.py"), *(ROOT / "flows").rglob("*.py")])
LONGEST_MODULE = 400
LONGEST_FUNCTION = 60

# One outside package, one door: only these modules import it.
DOORS = {
    "soundfile": {"pipeline.capture", "pipeline.copies"},
    "mutagen": {"pipeline.tags"},
    "pydub": {"pipeline.report.excerpts"},
    "prefect": {"flows"},
    "bagit": {"pipeline.seal"},
    "imageio_ffmpeg": {"pipeline.copies.encoder", "pipeline.report.excerpts"},
    "librosa": {"pipeline.tuning", "pipeline.report"},
    "rich": {"flows"},
    "distributed": {"flows.dask_engine", "flows.dask_worker"},
}

# Who may know whom inside pipeline/. A name stands for the module and everything below it.
KNOWS = {
    "pipeline.standards": {"pipeline.standards"},
    "pipeline.errors": set(),
    "pipeline.records": set(),
    "pipeline.spans": set(),
    "pipeline.tomlfile": {"pipeline.errors"},
    "pipeline.sheet": {"pipeline.errors", "pipeline.tomlfile", "pipeline.sheet"},
    "pipeline.container": {"pipeline.errors", "pipeline.files"},
    "pipeline.packed": {"pipeline.container"},
    "pipeline.capture": {"pipeline.errors", "pipeline.container", "pipeline.packed"},
    "pipeline.rows": set(),
    "pipeline.frames": {"pipeline.rows"},
}


def name_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def imports_of(path: Path) -> set[str]:
    """Every module a file imports, also inside functions."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} if node.module != "pipeline" else {f"pipeline.{a.name}" for a in node.names}
    return found


def below(module: str, room: str) -> bool:
    return module == room or module.startswith(room + ".")


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_pipeline_does_not_see_the_edge(path):
    if name_of(path).startswith("pipeline"):
        assert not {m for m in imports_of(path) if below(m, "flows") or below(m, "prefect")}


@pytest.mark.parametrize("package", DOORS)
def test_an_outside_package_has_one_door(package):
    inside = {name_of(path) for path in MODULES if any(below(m, package) for m in imports_of(path))}
    assert inside, f"{package} is not used at all"
    strays = {module for module in inside if not any(below(module, door) for door in DOORS[package])}
    assert not strays, f"{package} is imported outside its door, in {sorted(strays)}"


@pytest.mark.parametrize("room", KNOWS)
def test_a_room_knows_only_whom_it_may(room):
    for path in MODULES:
        if below(name_of(path), room):
            known = {m for m in imports_of(path) if below(m, "pipeline")}
            strangers = {m for m in known if not any(below(m, friend) for friend in KNOWS[room])}
            assert not strangers, f"{name_of(path)} imports {sorted(strangers)}"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_modules_and_functions_keep_their_size(path):
    text = path.read_text("utf-8")
    assert text.count("\n") <= LONGEST_MODULE, f"{name_of(path)} wants splitting"
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            length = (node.end_lineno or 0) - node.lineno + 1
            assert length <= LONGEST_FUNCTION, f"{name_of(path)}: {node.name} has {length} lines"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_public_things_say_what_they_are(path):
    tree = ast.parse(path.read_text("utf-8"))
    assert ast.get_docstring(tree), f"{name_of(path)} has no docstring"
    for node in tree.body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_") and len(node.body) > 12:
            assert ast.get_docstring(node) is not None, f"{name_of(path)}: {node.name} has no docstring"


def test_no_print_in_the_library():
    for path in MODULES:
        if name_of(path).startswith("pipeline"):
            calls = [n for n in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(n, ast.Call)]
            assert not [c for c in calls if isinstance(c.func, ast.Name) and c.func.id == "print"], name_of(path)


def test_every_outside_import_is_declared():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    lines = [*project["dependencies"], *project["optional-dependencies"]["dask"]]
    declared = {re.split(r"[\s>=<\[;]", line)[0].lower() for line in lines}
    names = {"PIL": "pillow", "imageio_ffmpeg": "imageio-ffmpeg", "tomli_w": "tomli-w"}
    import sys

    outside = set()
    for path in MODULES:
        outside |= {m.split(".")[0] for m in imports_of(path)}
    outside -= {"pipeline", "flows", "__future__", *sys.stdlib_module_names}
    missing = {names.get(m, m).lower() for m in outside} - declared
    assert not missing, f"imported, but not declared in pyproject.toml: {sorted(missing)}"


def test_every_command_and_option_group_is_in_the_readme():
    from flows.cli import build_parser

    readme = (ROOT / "README.md").read_text("utf-8")
    (subparsers,) = [action for action in build_parser()._actions if action.dest == "command"]
    for command in subparsers.choices:
        assert f"feltpad {command}" in readme, f"the README does not show `feltpad {command}`"


def test_every_setting_is_used():
    """A setting nobody reads would be a promise without effect."""
    code = "\n".join(path.read_text("utf-8") for path in MODULES)
    for file in sorted((ROOT / "config").glob("*.toml")):
        if file.name.startswith("deck"):
            continue
        for key in _leaves(tomllib.loads(file.read_text("utf-8"))):
            uses = len(re.findall(rf"\.{key}\b", code))
            assert uses, f"{file.name}: {key} is never read"


def _leaves(table: dict) -> set[str]:
    found = set()
    for key, value in table.items():
        if isinstance(value, dict):
            found |= _leaves(value)
        else:
            found.add(key)
    return found


def test_the_top_level_holds_what_the_owner_drew():
    import subprocess

    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    allowed = {
        *("README.md", "DEVELOPERS.md", "pyproject.toml", "pipeline", "flows", "tests", "sample_inputs", "config"),
        *("LICENSE", "CHANGELOG.md"),
    }
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= allowed
