"""The house rules that a machine can check: who imports whom, what starts up, what every change brings along."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from support import readme

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "bridge"
MODULES = sorted(PACKAGE.rglob("*.py"))

# In building order: a room imports only from itself and from rooms before it.
ROOMS = [
    "errors",
    "children",
    "tuning",
    "wire",
    "engine",
    "store",
    "sound",
    "ports",
    "sheet",
    "jobs",
    "live",
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
    "wire": set(),
    "engine": set(),
    "store": {"numpy", "platformdirs"},
    "sound": {"numpy", "soundfile", "sounddevice"},
    "ports": {"rtmidi"},
    "sheet": {"jinja2", "numpy", "typst"},
    "jobs": {"numpy"},
    "live": {"msgspec", "numpy", "platformdirs", "rich"},
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
PURE = ("tuning", "wire", "engine")
# Not everywhere installed, or slow to import: never at the top of a module.
LAZY = {"rtmidi", "sounddevice", "typst", "jinja2"}
# What only those use who have it loaded already: programs written with mido.
MIDO_ROOMS = {"door", "mido_backend", FACE}


def room_of(module: Path) -> str:
    parts = module.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else module.stem


def imported(tree: ast.AST) -> Iterator[str]:
    """Full names of all modules that a piece of code imports, wherever the statement stands."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are written in full"
            module = node.module or ""
            if module == "bridge":
                yield from (f"bridge.{alias.name}" for alias in node.names)
            else:
                yield module


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


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def test_every_module_belongs_to_a_room() -> None:
    strangers = {room_of(module) for module in MODULES} - set(ROOMS) - {"__init__", "__main__"}
    assert not strangers
    assert len(MODULES) > len(ROOMS)


@pytest.mark.parametrize("module", MODULES, ids=name_of)
def test_imports_point_only_at_earlier_rooms(module: Path) -> None:
    tree = ast.parse(module.read_text(encoding="utf-8"))
    room = room_of(module)
    if room == FACE:
        at_once = {name for name in imported(_top(tree)) if name != "__future__"}
        assert at_once == {"typing", "bridge.errors"}
        return
    if room == "__main__":
        assert {name for name in imported(tree) if name.startswith("bridge.")} <= {"bridge.cli"}
        return
    wrong = [name for name in imported(tree) if rule_breaks(room, name)]
    assert not wrong, f"{room} may not import {wrong}"


def test_the_rule_itself_finds_what_is_wrong() -> None:
    assert rule_breaks("tuning", "bridge.wire.bend")
    assert rule_breaks("wire", "numpy")
    assert rule_breaks("engine", "time")
    assert rule_breaks("engine", "bridge.children")
    assert rule_breaks("jobs", "rtmidi.midiutil")
    assert not rule_breaks("cli", "bridge.jobs.retune")
    assert not rule_breaks("store", "pathlib")
    assert list(imported(ast.parse("def f():\n    from bridge import live"))) == ["bridge.live"]


def test_one_module_alone_imports_rtmidi() -> None:
    users = [
        name_of(module)
        for module in MODULES
        if any(
            name.split(".")[0] == "rtmidi" for name in imported(ast.parse(module.read_text(encoding="utf-8")))
        )
    ]
    assert len(users) <= 1
    assert all(user.startswith("bridge/ports/") for user in users)


@pytest.mark.parametrize("module", MODULES, ids=name_of)
def test_what_may_be_missing_is_imported_late(module: Path) -> None:
    tree = ast.parse(module.read_text(encoding="utf-8"))
    assert not {name.split(".")[0] for name in imported(_top(tree))} & LAZY


def _top(tree: ast.Module) -> ast.Module:
    """Return the imports that run when a module is loaded."""
    return ast.Module([node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)], [])


def test_mido_is_imported_only_where_programs_written_with_it_come_in() -> None:
    users = {
        room_of(module)
        for module in MODULES
        if any(
            name.split(".")[0] == "mido" for name in imported(ast.parse(module.read_text(encoding="utf-8")))
        )
    }
    assert users
    assert users <= MIDO_ROOMS


@pytest.mark.parametrize("module", MODULES, ids=name_of)
def test_every_module_says_what_it_is_for(module: Path) -> None:
    docstring = ast.get_docstring(ast.parse(module.read_text(encoding="utf-8")))
    assert docstring, f"{name_of(module)} has no docstring"
    assert len(docstring.split()) >= 4


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
    heavy = {"numpy", "rtmidi", "mido", "soundfile", "sounddevice", "scipy", "jinja2", "typst"}
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
    for tool in ("measure", "soundfont", "synths", "jack", "jack_tap", "children", "independent"):
        source = (ROOT / "tests" / "support" / f"{tool}.py").read_text(encoding="utf-8")
        assert not [name for name in imported(ast.parse(source)) if name.split(".")[0] == "bridge"], tool


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


def test_ci_runs_the_lines_of_the_readme_and_is_a_sound_script() -> None:
    script = ROOT / ".ci" / "run"
    text = script.read_text(encoding="utf-8")
    assert "set -euo pipefail" in text
    for marker in readme.MARKERS:
        assert f"promised_line {marker}" in text
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


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_links_between_pages_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+?)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        if "://" not in target and not target.startswith("mailto:"):
            assert (page.parent / target).exists(), f"{name_of(page)} links to {target}"
