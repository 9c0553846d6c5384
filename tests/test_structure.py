"""The house rules that a machine can check: who imports whom, what starts up, what every change brings along."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest
from support import needs, readme

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "bridge"
MODULES = sorted(PACKAGE.rglob("*.py"))

# In building order: a room imports only from itself and from rooms before it.
ROOMS = [
    "errors",
    "children",
    "tuning",
    "harmony",
    "ear",
    "wire",
    "engine",
    "store",
    "sound",
    "ports",
    "sheet",
    "jobs",
    "live",
    "page",
    "cli",
    "door",
    "mido_backend",
]
FACE = "__init__"
"""`bridge/__init__.py`: loads `bridge.errors` alone, and imports from any room where a function is called."""
# Beyond the standard library, and what DEVELOPERS.md says about it.
LIBRARIES: dict[str, set[str]] = {
    "errors": set(),
    "children": set(),
    "tuning": {"numpy"},
    "harmony": {"numpy"},
    "ear": {"numpy"},
    "wire": set(),
    "engine": set(),
    "store": {"numpy", "platformdirs"},
    "sound": {"numpy", "soundfile", "sounddevice"},
    "ports": {"rtmidi", "rtmidi2"},
    "sheet": {"jinja2", "markupsafe", "numpy", "typst"},
    "jobs": {"numpy"},
    "live": {"msgspec", "numpy", "platformdirs", "rich"},
    "page": {"msgspec", "segno", "starlette", "uvicorn"},
    "cli": {"click", "rich"},
    "door": {"click", "mido"},
    "mido_backend": set(),
}
# Neither time, threads nor the outside world in the rooms that only compute.
OUTSIDE = {
    *(
        "asyncio",
        "concurrent",
        "ctypes",
        "io",
        "multiprocessing",
        "os",
        "pathlib",
        "queue",
        "random",
        "sched",
    ),
    *("select", "selectors", "shutil", "signal", "socket", "subprocess", "tempfile", "threading", "time"),
}
PURE = ("tuning", "harmony", "ear", "wire", "engine")
# Not everywhere installed, or slow to import: never at the top of a module.
LAZY = {"jinja2", "markupsafe", "rtmidi", "rtmidi2", "segno", "sounddevice", "starlette", "typst", "uvicorn"}
# What only those use who have it loaded already: programs written with mido.
MIDO_ROOMS = {"door", "mido_backend", FACE}
# Functions that import what they are given the name of.
LOADERS = ("import_module", "__import__", "needed")


def room_of(module: Path) -> str:
    parts = module.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else module.stem


def dotted(module: Path) -> str:
    """The name under which a module is imported; that of a package is its folder's."""
    parts = module.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@cache
def tree_of(module: Path) -> ast.Module:
    return ast.parse(module.read_text(encoding="utf-8"))


@pytest.fixture(scope="module", autouse=True)
def _parsed() -> None:
    """Every module is parsed once, before the first test."""
    for module in MODULES:
        tree_of(module)


def called(node: ast.Call) -> str:
    """The last name of what is called."""
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def imported(nodes: Iterable[ast.AST]) -> Iterator[str]:
    """Full names of all modules that statements and calls import; those of `needed("name")` among them."""
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are written in full"
            module = node.module or ""
            # What comes out of a package of ours may be a module of it.
            yield from (
                f"{module}.{alias.name}" for alias in node.names if module.partition(".")[0] == "bridge"
            )
            if module != "bridge":
                yield module
        elif isinstance(node, ast.Call) and called(node) in LOADERS and node.args:
            name = node.args[0]
            if isinstance(name, ast.Constant) and isinstance(name.value, str):
                yield name.value


def everywhere(code: ast.AST) -> Iterator[ast.AST]:
    """All of a piece of code, wherever it stands."""
    return ast.walk(code)


def at_top(code: ast.AST) -> Iterator[ast.AST]:
    """What stands at the top of a module, also under an `if` or a `try`: all but the inside of functions."""
    for node in ast.iter_child_nodes(code):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            yield node
            yield from at_top(node)


def at_start(code: ast.AST) -> Iterator[ast.AST]:
    """What runs when a module is imported: the same without what only a type checker reads."""
    unread: set[ast.AST] = set()
    for node in at_top(code):
        if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
            unread.update(inner for statement in node.body for inner in ast.walk(statement))
        if node not in unread:
            yield node


def rule_breaks(room: str, name: str) -> bool:
    """Whether a room may not import a module of this full name."""
    top, _, rest = name.partition(".")
    if top == "bridge":
        other = rest.partition(".")[0]
        if other == "children" and room in PURE:
            return True
        return bool(other) and not other.startswith("__") and ROOMS.index(other) > ROOMS.index(room)
    if top in sys.stdlib_module_names:
        return room in PURE and top in OUTSIDE
    return top not in LIBRARIES[room]


def leans_on(modules: dict[str, ast.Module]) -> dict[str, set[str]]:
    """Which of these modules each of them imports at its top, for its types alone or not."""
    return {
        name: {other for other in imported(at_top(tree)) if other in modules and other != name}
        for name, tree in modules.items()
    }


def sub_room(name: str, depth: int = 1) -> str:
    """The part of a room that a module belongs to: its folder so deep inside the room, or itself."""
    return ".".join(name.split(".")[: 2 + depth])


def between_parts(imports: dict[str, set[str]], depth: int = 1) -> dict[str, set[str]]:
    """The same imports between the parts of rooms, a folder so deep inside a room taken as one."""
    parts: dict[str, set[str]] = {}
    for name, others in imports.items():
        parts.setdefault(sub_room(name, depth), set()).update(sub_room(other, depth) for other in others)
    for part, others in parts.items():
        others.discard(part)
    return parts


def circle(imports: dict[str, set[str]]) -> list[str]:
    """One circle of imports, from a module back to itself; empty if there is none."""
    try:
        TopologicalSorter(imports).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


def test_every_module_belongs_to_a_room() -> None:
    strangers = {room_of(module) for module in MODULES} - set(ROOMS) - {"__init__", "__main__"}
    assert not strangers
    assert len(MODULES) > len(ROOMS)


def test_imports_point_only_at_earlier_rooms() -> None:
    wrong = []
    for module in MODULES:
        room = room_of(module)
        names = list(imported(everywhere(tree_of(module))))
        if room == FACE:
            at_once = set(imported(at_start(tree_of(module))))
            bad = {name for name in at_once if not name.startswith(("bridge.errors", "typing", "__future__"))}
        elif room == "__main__":
            bad = {name for name in names if name.startswith("bridge.")} - {"bridge.cli", "bridge.cli.main"}
        else:
            bad = {name for name in names if rule_breaks(room, name)}
        wrong += [f"{name_of(module)}: {room} may not import {name}" for name in sorted(bad)]
    assert not wrong, "\n".join(wrong)


def test_no_circle_inside_a_room() -> None:
    """Neither between modules nor between the folders inside a room, by what stands at the top of modules."""
    modules = [module for module in MODULES if room_of(module) not in (FACE, "__main__")]
    imports = leans_on({dotted(module): tree_of(module) for module in modules})
    assert sum(map(len, imports.values())) > len(modules)
    assert not circle(imports)
    for depth in range(1, max(name.count(".") for name in imports)):
        assert not circle(between_parts(imports, depth)), depth


def test_the_rules_themselves_find_what_is_wrong() -> None:
    assert rule_breaks("tuning", "bridge.wire.bend")
    assert rule_breaks("wire", "numpy")
    assert rule_breaks("engine", "time")
    assert rule_breaks("engine", "bridge.children")
    assert rule_breaks("jobs", "rtmidi.midiutil")
    assert not rule_breaks("cli", "bridge.jobs.retune")
    assert not rule_breaks("store", "pathlib")

    def found(text: str, where: Callable[[ast.AST], Iterator[ast.AST]] = everywhere) -> list[str]:
        return list(imported(where(ast.parse(text))))

    assert found("def f():\n    from bridge import live") == ["bridge.live"]
    assert found("x = needed('numpy')\nneeds.needed('a.b').c()") == ["numpy", "a.b"]
    assert found("def f():\n    import time") == ["time"]
    assert found("def f():\n    import time", at_start) == []
    assert found("if TYPE_CHECKING:\n    import time\nelse:\n    import io", at_start) == ["io"]
    assert found("try:\n    import time\nexcept ImportError:\n    pass", at_start) == ["time"]
    assert found("class A:\n    import time", at_start) == ["time"]


def test_the_search_for_circles_finds_them() -> None:
    def searched(**texts: str) -> tuple[list[str], list[str]]:
        trees = {f"bridge.{name.replace('__', '.')}": ast.parse(text) for name, text in texts.items()}
        imports = leans_on(trees)
        return circle(imports), circle(between_parts(imports))

    typed = "if TYPE_CHECKING:\n    import bridge.wire.a"
    there, back = "from bridge.wire import b", "import bridge.wire.a"
    assert len(searched(wire__a=there, wire__b=back)[0]) == 3
    assert len(searched(wire__a=there, wire__b=typed)[0]) == 3
    assert searched(wire__a=there, wire__b=f"def f():\n    {back}") == ([], [])
    assert searched(wire__a="from bridge.wire.b import name", wire__b="") == ([], [])
    # No circle of modules, but one of folders: each needs something of the other.
    modules, folders = searched(
        wire__low__a="import bridge.wire.high.a",
        wire__high__a="",
        wire__high__b="import bridge.wire.low.b",
        wire__low__b="",
    )
    assert not modules
    assert len(folders) == 3
    # The same one folder deeper.
    deeper = leans_on(
        {
            "bridge.wire.x.low.a": ast.parse("import bridge.wire.x.high.a"),
            "bridge.wire.x.high.a": ast.parse(""),
            "bridge.wire.x.high.b": ast.parse("import bridge.wire.x.low.b"),
            "bridge.wire.x.low.b": ast.parse(""),
        }
    )
    assert not circle(between_parts(deeper))
    assert len(circle(between_parts(deeper, 2))) == 3


@pytest.mark.parametrize(
    ("library", "module"),
    [("rtmidi", "bridge/ports/by_python_rtmidi.py"), ("rtmidi2", "bridge/ports/by_rtmidi2.py")],
)
def test_one_module_alone_imports_a_library_for_midi_ports(library: str, module: str) -> None:
    users = [
        name_of(path)
        for path in MODULES
        if library in {name.split(".")[0] for name in imported(everywhere(tree_of(path)))}
    ]
    assert users == [module]


def test_mido_is_imported_only_where_programs_written_with_it_come_in() -> None:
    users = {
        room_of(module)
        for module in MODULES
        if any(name.split(".")[0] == "mido" for name in imported(everywhere(tree_of(module))))
    }
    assert users
    assert users <= MIDO_ROOMS


def test_what_may_be_missing_is_imported_late() -> None:
    for module in MODULES:
        names = {name.split(".")[0] for name in imported(at_start(tree_of(module)))}
        assert not names & LAZY, name_of(module)


def test_every_module_says_what_it_is_for() -> None:
    for module in MODULES:
        docstring = ast.get_docstring(tree_of(module))
        assert docstring, f"{name_of(module)} has no docstring"
        assert len(docstring.split()) >= 4, name_of(module)


def test_help_starts_without_heavy_imports() -> None:
    code = (
        "import sys\n"
        "from bridge.cli import main\n"
        "try:\n"
        "    main(['--help'])\n"
        "except SystemExit as end:\n"
        "    assert not end.code, end.code\n"
        "print('loaded:', *sorted({name.partition('.')[0] for name in sys.modules}))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    text, _, loaded = done.stdout.rpartition("loaded:")
    assert "retune" in text
    heavy = {"numpy", "rtmidi", "rtmidi2", "mido", "soundfile", "sounddevice", "scipy", "jinja2", "typst"}
    assert not heavy & set(loaded.split())


def test_tables_hold_data_only() -> None:
    # A module there would shadow another package's import name where the checkout is on the path.
    files = {
        path for path in (ROOT / "tables").rglob("*") if path.is_file() and "__pycache__" not in path.parts
    }
    assert files
    assert {path.suffix for path in files} <= {".toml", ".md"}


def test_test_modules_have_names_of_their_own() -> None:
    names = Counter(path.name for path in (ROOT / "tests").rglob("test_*.py"))
    assert [name for name, count in names.items() if count > 1] == []


def test_shared_test_tools_do_not_import_what_they_judge() -> None:
    for tool in ("measure", "soundfont", "synths", "jack", "jack_tap", "children", "independent", "needs"):
        tree = tree_of(ROOT / "tests" / "support" / f"{tool}.py")
        assert not [name for name in imported(everywhere(tree)) if name.split(".")[0] == "bridge"], tool


@pytest.mark.parametrize("marker", readme.MARKERS)
def test_the_readme_promises_one_line(marker: str) -> None:
    line = readme.marked_line(marker)
    assert readme.repository(line)
    assert "python3 -m venv" in line
    wanted = "-m pytest" if marker == "test-line" else ".venv/bin/stillbeat"
    assert wanted in line


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("nothing", "marker <!-- test-line --> once"),
        ("<!-- test-line -->\n```sh\na\n```\n<!-- test-line -->", "marker <!-- test-line --> once"),
        ("<!-- test-line -->\n```sh\na\nb\n```", "code block of one line"),
        ("<!-- test-line -->\ntext", "code block of one line"),
    ],
)
def test_a_readme_without_its_line_is_noticed(text: str, problem: str) -> None:
    with pytest.raises(ValueError, match=problem):
        readme.marked_line("test-line", text)


def test_a_line_must_begin_by_cloning() -> None:
    line = "git clone --depth=1 https://example.org/x y && cd y"
    assert readme.repository(line) == "https://example.org/x"
    with pytest.raises(ValueError, match="begin with git clone"):
        readme.repository("cd stillbeat && make")


def test_ci_runs_the_lines_of_the_readme_and_the_tests_on_a_bare_machine() -> None:
    text = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for marker in readme.MARKERS:
        assert f"promised_line {marker}" in text
    # What needs something that is hidden there has to show that it can do without.
    assert f'marks="{" or ".join(("not slow", *needs.MARKS))}"' in text
    assert ".ci/bare" in text
    hidden = (ROOT / ".ci" / "bare").read_text(encoding="utf-8")
    for name in ("fluidsynth", "timidity", "jackd", "chromium", "pdftotext", "npm", "portaudio", "sf2"):
        assert re.search(rf"[( /]{name}[) ]", hidden), name


@pytest.mark.parametrize("name", ["run", "bare"])
def test_ci_scripts_are_sound(name: str) -> None:
    script = ROOT / ".ci" / name
    assert "set -euo pipefail" in script.read_text(encoding="utf-8")
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("no bash here")
    done = subprocess.run([bash, "-n", str(script)], capture_output=True, text=True, timeout=30, check=False)
    assert done.returncode == 0, done.stderr


FRAGMENTS = sorted((ROOT / "changelog").glob("*"))


def test_changelog_fragments_have_the_form_that_their_readme_asks_for() -> None:
    for path in FRAGMENTS:
        if path.name in ("README.md", "template.md.jinja"):
            continue
        assert re.fullmatch(r"[a-z0-9-]+\.(added|changed|fixed|removed)\.md", path.name), path.name
        text = path.read_text(encoding="utf-8").strip()
        assert text, f"{path.name} is empty"
        assert re.match(r"[A-Z`]", text), f"{path.name} must begin with a capital or a command"
        assert text.endswith("."), f"{path.name} must end with a full stop"
        assert not re.search(r"^(#|[-*] )", text, re.MULTILINE), f"{path.name}: no heading, no list"


PAGES = sorted(
    page
    for pattern in ("*.md", "*/*.md", "*/*/*.md")
    for page in ROOT.glob(pattern)
    if not any(part.startswith(".") or part == "stillbeat-demo" for part in page.relative_to(ROOT).parts)
)


def test_links_between_pages_lead_somewhere() -> None:
    assert PAGES
    for page in PAGES:
        for target in re.findall(r"\]\(([^)#]+?)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            if "://" not in target and not target.startswith("mailto:"):
                assert (page.parent / target).exists(), f"{name_of(page)} links to {target}"
