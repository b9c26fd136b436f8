"""The house rules that a machine can check: layers, sizes, state, one version, sources, and what the README says."""

import ast
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

import pytest

from cli.commands.on_demand import COMMANDS
from roommodes.project.reading import parse_project
from roommodes.version import __version__

ROOT = Path(__file__).parents[1]
PACKAGES = ("roommodes", "solvers", "cli")
MOST_LINES = 400
VAGUE = (
    "public page",
    "public text",
    "public library",
    "textbook",
    "second hand",
    "handbooks",
    "a study",
    "a door study",
)
MOST_FILES = 22  # of a folder, with __init__
HEAVY = {
    "numpy",
    "scipy",
    "numba",
    "matplotlib",
    "h5py",
    "pydantic",
    "rich",
    "jinja2",
    "ezdxf",
    "openpyxl",
    "shapely",
    "sofar",
    "threadpoolctl",
}
FRONT_DOOR = {"roommodes.plot", "roommodes.plan.questions"}  # with roommodes.front, see DEVELOPERS.md
MUTATORS = {"append", "extend", "insert", "add", "update", "setdefault", "pop", "popitem", "clear", "remove", "discard"}
PART_OF = {"pydantic_core": "pydantic", "PIL": "matplotlib"}  # modules that come with a distribution of another name
MUTABLE_CALLS = {"list", "dict", "set", "bytearray", "defaultdict", "deque", "Counter", "OrderedDict"}

Tree = ast.Module


def settings() -> dict[str, Any]:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def text_of(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def tracked_files() -> list[Path]:
    """What git tracks; without git (a copy, a download) every file outside hidden and ignored folders."""
    if shutil.which("git") and (ROOT / ".git").exists():
        command = ["git", "-c", "safe.directory=*", "ls-files", "-z"]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
        names = [ROOT / name for name in done.stdout.split("\0") if name]
    else:
        left_out = ("__pycache__", "build", "dist", "demo", ".venv", ".git")
        names = [
            path
            for path in ROOT.rglob("*")
            if not any(part in left_out or part.endswith(("_cache", ".egg-info")) for part in path.parts)
            and ".hypothesis" not in path.parts
        ]
    return [path for path in names if path.is_file()]


def modules(*packages: str) -> Iterator[tuple[str, Path, Tree]]:
    """Dotted name, file and syntax tree of every module."""
    for package in packages or PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
            yield name, path, ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def imported(nodes: list[ast.stmt] | list[ast.AST]) -> set[str]:
    """Dotted names of what some statements import."""
    names: set[str] = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
    return names


def at_load(tree: Tree) -> set[str]:
    """What a module imports as soon as it is loaded: not in functions, not for type checkers alone."""
    found: list[ast.AST] = []

    def walk(statements: list[ast.stmt]) -> None:
        for node in statements:
            if isinstance(node, ast.Import | ast.ImportFrom):
                found.append(node)
            elif isinstance(node, ast.If) and "TYPE_CHECKING" not in ast.unparse(node.test):
                walk(node.body + node.orelse)
            elif isinstance(node, ast.Try):
                walk(node.body + [line for handler in node.handlers for line in handler.body] + node.orelse)
            elif isinstance(node, ast.ClassDef | ast.With):
                walk(node.body)

    walk(tree.body)
    return imported(found)


# -- layers -----------------------------------------------------------------------------------------------------------


def dependency_table() -> dict[str, set[str]]:
    """Folder -> what it may import, as DEVELOPERS.md says."""
    rows = re.findall(r"^\| `(\w+)/` \|.*\| (.*) \|$", text_of("DEVELOPERS.md"), flags=re.MULTILINE)
    return {folder: set(re.findall(r"`(\w+)`", allowed)) for folder, allowed in rows}


@pytest.mark.parametrize("package", PACKAGES)
def test_imports_run_one_way_and_no_further_than_the_guide_says(package: str) -> None:
    allowed = dependency_table()[package] | {package}
    for name, _, tree in modules(package):
        roots = {target.split(".")[0] for target in imported(list(ast.walk(tree)))}
        if name in FRONT_DOOR or name.startswith("roommodes.front."):
            early = {target.split(".")[0] for target in at_load(tree)} & {"solvers", "cli", "matplotlib"}
            assert not early, f"{name} imports {sorted(early)} when it is loaded"
            roots -= {"solvers", "cli", "matplotlib"}
        beyond = {PART_OF.get(root, root) for root in roots} - set(sys.stdlib_module_names) - allowed
        assert not beyond, f"{name} imports {sorted(beyond)}; DEVELOPERS.md allows {package}/ {sorted(allowed)}"


def test_the_layers_of_the_guide_are_those_that_the_linter_checks() -> None:
    contract = settings()["tool"]["importlinter"]["contracts"][0]
    assert contract["layers"] == ["cli", "solvers", "roommodes"]
    table = dependency_table()
    for place, package in enumerate(contract["layers"]):
        assert table[package].isdisjoint(contract["layers"][:place])


def test_what_the_packages_import_is_declared() -> None:
    """Extras other than `test` count as declared; what is optional is imported in functions only."""
    project = settings()["project"]
    extras = [line for name, lines in project["optional-dependencies"].items() if name != "test" for line in lines]
    always, optional = (
        {re.split(r"[<>=~! ]", line)[0] for line in lines} for lines in (project["dependencies"], extras)
    )
    used = set().union(*(dependency_table()[package] for package in PACKAGES)) - set(PACKAGES)
    assert used - optional == always, "DEVELOPERS.md's table and pyproject.toml's dependencies differ"


def test_the_way_to_a_help_text_loads_nothing_heavy() -> None:
    """What cli.main and all that it loads import at once; the commands load the rest when they run."""
    trees = {name: tree for name, _, tree in modules()}
    waiting, seen = ["cli.main", *(entry.module for entry in COMMANDS)], set[str]()
    while waiting:
        name = waiting.pop()
        seen.add(name)
        for target in at_load(trees[name]):
            assert target.split(".")[0] not in HEAVY, f"{name} imports {target} when it is loaded"
            own = target if target in trees else target.rpartition(".")[0]
            if own in trees and own not in seen:
                waiting.append(own)
    assert "cli.commands.optimise" in seen


# -- files ------------------------------------------------------------------------------------------------------------


def test_no_file_is_long() -> None:
    counted = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in ROOT.rglob("*.py") if own(path)}
    assert len(counted) > 50
    long = {str(path.relative_to(ROOT)): lines for path, lines in counted.items() if lines > MOST_LINES}
    assert not long, f"over {MOST_LINES} lines: {long}; split by what the parts do"


def test_no_folder_is_crowded_and_each_says_what_lives_in_it() -> None:
    folders: dict[str, int] = {}
    for name, path, tree in modules():
        folders[str(path.parent.relative_to(ROOT))] = folders.get(str(path.parent.relative_to(ROOT)), 0) + 1
        if path.stem == "__init__" and name not in PACKAGES:
            assert "ay import" in (ast.get_docstring(tree) or ""), f"{name}: say what it may import"
    crowded = {folder: files for folder, files in folders.items() if files > MOST_FILES}
    assert not crowded, f"over {MOST_FILES} files: {crowded}; part them by subject"


def own(path: Path) -> bool:
    """Whether a file below the root is the project's."""
    top = path.relative_to(ROOT).parts[0]
    return top in {*PACKAGES, "tests", "benchmarks", "notebooks"}


def test_every_module_says_what_it_is_and_none_is_a_drawer() -> None:
    for name, path, tree in modules():
        assert ast.get_docstring(tree), f"{name} has no docstring"
        assert path.stem not in {"utils", "util", "helpers", "misc", "common"}, f"{name}: name it by what it does"


def test_no_module_keeps_state() -> None:
    """No `global`; what a module binds to a list, dict or set is a constant in capitals that nothing changes."""
    for name, _, tree in modules():
        constants = set()
        for node in tree.body:
            if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
                continue
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            mutable = isinstance(
                node.value, ast.List | ast.Dict | ast.Set | ast.ListComp | ast.DictComp | ast.SetComp
            ) or (isinstance(node.value, ast.Call) and ast.unparse(node.value.func).split(".")[-1] in MUTABLE_CALLS)
            for target in targets:
                if mutable and isinstance(target, ast.Name):
                    assert re.fullmatch(r"_?[A-Z][A-Z0-9_]*|__all__", target.id), f"{name}.{target.id} can be changed"
                    constants.add(target.id)
        for node in ast.walk(tree):
            assert not isinstance(node, ast.Global), f"{name}:{node.lineno} declares {ast.unparse(node)}"
            changed = None
            if isinstance(node, ast.Subscript) and not isinstance(node.ctx, ast.Load):
                changed = node.value
            elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in MUTATORS:
                changed = node.func.value
            if isinstance(changed, ast.Name):
                assert changed.id not in constants, f"{name} changes {changed.id}: {ast.unparse(node)}"


def test_nothing_of_a_machine_or_of_how_it_was_made_is_in_the_files() -> None:
    """Paths of somebody's machine, package hosts, words about how the text came to be."""
    barred = re.compile(
        r"(?<![\w.<])/(?:home|root|work|Users|mnt|media|tmp|opt|srv)/\w"
        r"|[A-Z]:\\[A-Z]\w"
        r"|\.\./share[d]"
        r"|extra-index[-]url|pypi\.or[g]|find[-]links"
        r"|\b(?:this|our|my|earlier|previous) sess[i]ons?\b|\bworkpl[a]ce\b|\bco-auth[o]red\b|\bprom[p]ts?\b",
        flags=re.IGNORECASE,
    )
    found = []
    for path in tracked_files():
        if path.suffix in {".png", ".svg", ".json"} or path == Path(__file__):
            continue
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
            if barred.search(line):
                found.append(f"{path.relative_to(ROOT)}:{number}: {line.strip()}")
    assert not found


def test_every_published_table_names_its_source() -> None:
    files = sorted((ROOT / "tests" / "published").glob("*.toml"))
    assert files
    for path in files:
        for name, table in tomllib.loads(path.read_text(encoding="utf-8")).items():
            assert isinstance(table, dict), f"{path.name}: {name} stands outside a table"
            source = str(table.get("source", ""))
            assert len(source) >= 10, f"{path.name} [{name}] names no source"
            vague = [word for word in VAGUE if word in source.lower()]
            assert not vague, f"{path.name} [{name}]: {vague} cannot be found by a reader; name author, title, year"
            assert table.get("unit"), f"{path.name} [{name}] says no unit"
            assert "digits" in table, f"{path.name} [{name}] says no printed digits"


def test_every_construction_of_the_library_names_its_source() -> None:
    for name, table in tomllib.loads(text_of("roommodes/project/library.toml")).items():
        assert len(table["source"]) >= 10, f"{name} names no source; say 'common practice, no source' where so"


# -- version and packaging --------------------------------------------------------------------------------------------


def test_the_version_stands_in_one_place() -> None:
    version = settings()["project"]["version"]
    assert __version__ in (version, "0+unknown"), "the installed package is another version: install it again"
    for name, path, _ in modules():
        assert version not in path.read_text(encoding="utf-8"), f"{name} repeats the version"
    newest = re.search(r"^## (\S+)", text_of("CHANGELOG.md"), flags=re.MULTILINE)
    assert newest
    assert newest[1] in (version, "Unreleased")


def test_the_wheel_holds_the_packages_data() -> None:
    """Every file beside the modules lies in a package and matches package-data; `.ci/run` looks into a real wheel."""
    build = settings()["tool"]["setuptools"]
    patterns = build["package-data"]["*"]
    assert build["packages"]["find"]["include"] == [word for name in PACKAGES for word in (name, f"{name}.*")]
    for package in PACKAGES:
        assert (ROOT / package / "py.typed").is_file()
        for path in (ROOT / package).rglob("*"):
            if path.is_dir() or path.suffix in {".py", ".pyc"}:
                continue
            place = path.relative_to(ROOT)
            assert (path.parent / "__init__.py").is_file(), f"{place} is in no package and would not be installed"
            assert any(fnmatch(path.name, pattern) for pattern in patterns), f"{place} matches no package-data"


# -- what the guides say ----------------------------------------------------------------------------------------------


def readme_commands() -> list[str]:
    """The lines of README's shell blocks that make an environment."""
    blocks = re.findall(r"^```sh\n(.*?)^```$", text_of("README.md"), flags=re.MULTILINE | re.DOTALL)
    return [block.strip() for block in blocks if "python3 -m venv" in block]


def test_the_readme_has_two_commands_and_ci_runs_them() -> None:
    commands = readme_commands()
    assert len(commands) == 2
    assert all("\n" not in command for command in commands)
    assert commands[0].endswith("roommodes demo --into demo")
    assert commands[1].endswith("python -m pytest")
    if shutil.which("bash") is None:
        pytest.skip("needs bash, to ask .ci/run what it runs")
    done = subprocess.run(
        ["bash", str(ROOT / ".ci" / "run"), "--show"], capture_output=True, text=True, check=True, cwd=ROOT.anchor
    )
    assert done.stdout.splitlines() == commands


def test_the_guides_project_is_valid_and_short() -> None:
    (text,) = re.findall(r"^```toml\n(.*?)^```$", text_of("docs/designer.md"), flags=re.MULTILINE | re.DOTALL)
    assert len(text.splitlines()) <= 25
    project = parse_project(text, source="designer.md")
    assert len(project.seats) == 3
    assert len(project.candidates) > 4


def test_links_between_the_guides_lead_somewhere() -> None:
    guides = [ROOT / "benchmarks/README.md", *ROOT.glob("*.md"), *ROOT.glob("docs/*.md")]
    assert len(guides) > 8
    for guide in guides:
        for target, place in re.findall(r"\]\(([^)#:]*)(?:#([^)]+))?\)", guide.read_text(encoding="utf-8")):
            file = guide.parent / target if target else guide
            assert file.exists(), f"{guide.name} links to {target}"
            headings = re.findall(r"^#+ (.*)$", file.read_text(encoding="utf-8"), re.MULTILINE) if place else []
            there = {re.sub(r"[^\w\- ]", "", heading).lower().replace(" ", "-") for heading in headings}
            assert not place or place in there, f"{guide.name} links to {target}#{place}"


def test_the_readmes_picture_is_small() -> None:
    assert (ROOT / "docs" / "demo.png").stat().st_size < 200_000
