"""The house stands: imports go down only, each library has one door, rooms stay small."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent / "collector"
FLOORS = [("record", "clock", "errors", "files", "settings", "logs", "aside"), ("frames", "measuring", "probe", "statistics", "pages"),
          ("ports", "outputs", "journal"), ("config",), ("service", "simulator", "draft", "report", "study"),
          ("cli", "commands", "__main__")]
FLOOR = {room: level for level, rooms in enumerate(FLOORS) for room in rooms}
DOORS = {"serial": {"ports/serial_port.py", "ports/rfc2217.py", "ports/devices.py"}, "sqlite3": {"journal"},
         "re2": {"frames"}, "crccheck": {"frames"}, "yaml": {"config"}, "pika": {"outputs/amqp_link.py"},
         "paho": {"outputs/mqtt_link.py"}, "jinja2": {"pages"}, "matplotlib": {"pages"}, "scipy": {"statistics"},
         "numpy": {"statistics", "pages"}}
MODULES = sorted(path for path in ROOT.rglob("*.py"))


def imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found |= ({f"{node.module}.{alias.name}" for alias in node.names} if node.module == "collector"
                      else {node.module})
    return found


def room_of(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_go_down_only(path):
    room = room_of(path)
    for name in imported(path):
        if not name.startswith("collector.") or name.startswith("collector.__version__"):
            continue
        other = name.split(".")[1]
        if other == room:
            continue
        down = FLOOR[other] < FLOOR[room] or (FLOOR[other] == FLOOR[room] == 5) or FLOOR[room] == FLOOR[other] == 0
        assert down, f"{path.name} imports {name}: not below {room}"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_each_library_has_its_door(path):
    place = path.relative_to(ROOT).as_posix()
    for name in imported(path):
        doors = DOORS.get(name.split(".")[0])
        assert doors is None or any(place.startswith(door) for door in doors), f"{place} imports {name}"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_modules_and_functions_can_be_read_in_a_sitting(path):
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    assert len(text.splitlines()) <= 350
    assert ast.get_docstring(tree), "says what it knows, and what it must not know"
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            assert node.end_lineno - node.lineno < 60, node.name


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_line_has_at_most_120_characters(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    assert [at for at, line in enumerate(lines, 1) if len(line) > 120] == []
