"""YAML text to a tree of plain text with the place of everything in it, and a tree to a validated model.

Knows: YAML events, where each key and value stands, how a fault is told.  Every scalar stays text; duplicate keys,
anchors, aliases and tags are refused, so nothing is guessed, hidden or run.
Must not know: what any key means.
"""

import difflib
import types
import typing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ValidationError

from collector.errors import ConfigError, Fault

_LARGEST = 1_000_000
_DEEPEST = 20
_Loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

Path_ = tuple[Any, ...]
Model = TypeVar("Model", bound=BaseModel)


@dataclass
class Loaded:
    """A configuration as text: nested dict, list and str; `places` maps a path in it to (file, line, column)."""

    source: Path
    tree: Any = None
    keys: dict[Path_, tuple[str, int, int]] = field(default_factory=dict)
    values: dict[Path_, tuple[str, int, int]] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def fault(self, path: Path_, what: str, right: str = "", *, at_key: bool = False) -> Fault:
        """A fault at this path, or at the nearest thing above it that is in the file."""
        first, second = (self.keys, self.values) if at_key else (self.values, self.keys)
        for length in range(len(path), -1, -1):
            place = first.get(path[:length]) or second.get(path[:length])
            if place:
                return Fault(*place, what, right)
        return Fault(str(self.source), 1, 1, what, right)


def load(path: Path) -> Loaded:
    """Read a YAML file, or a folder of `*.yaml` and `*.yml` merged section by section.

    Raises ConfigError where a file can't be read or is not YAML.  Milder faults (duplicates) are in `.faults`.
    """
    if not path.is_dir():
        return _load_file(path)
    loaded = Loaded(path, tree={})
    names = sorted(name for name in path.iterdir() if name.suffix in (".yaml", ".yml") and name.name[0] != ".")
    if not names:
        raise ConfigError([Fault(str(path), 1, 1, "the folder holds no configuration", "put a .yaml file into it")])
    for name in names:
        _merge(loaded, _load_file(name))
    return loaded


def validate(loaded: Loaded, model: type[Model]) -> Model:
    """The tree as a model.  Raises ConfigError with every fault, those of loading included."""
    checked, faults = attempt(loaded, model)
    if faults or checked is None:
        raise ConfigError(faults)
    return checked


def attempt(loaded: Loaded, model: type[Model]) -> tuple[Model | None, list[Fault]]:
    """The tree as a model, or None; and every fault found in loading and validating."""
    try:
        return model.model_validate(loaded.tree, by_alias=True, by_name=False), list(loaded.faults)
    except ValidationError as error:
        found = [_told(loaded, model, one) for one in error.errors()]
        return None, list(loaded.faults) + found


def _load_file(path: Path) -> Loaded:
    loaded = Loaded(path)
    try:
        with open(path, "rb") as file:
            data = file.read(_LARGEST + 1)
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise ConfigError([loaded.fault((), f"can't be read: {error.strerror}")]) from error
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise ConfigError([Fault(str(path), line, 1, "is not UTF-8 text", "save the file as UTF-8")]) from error
    if len(data) > _LARGEST:
        raise ConfigError([loaded.fault((), "is larger than 1 MB",
                                        "a configuration is a few kB; is this the right file?")])
    try:
        _Builder(loaded, str(path)).build(text)
    except yaml.YAMLError as error:
        raise ConfigError([_syntax(str(path), text, error)]) from error
    if not isinstance(loaded.tree, dict):
        what = "is empty" if loaded.tree in (None, "") else "is not a configuration"
        raise ConfigError([loaded.fault((), what,
                                        "it should hold sections such as site, ports, formats, parts, outputs")])
    return loaded


class _Builder:
    """Builds the tree from YAML events, which know their places, in one pass without recursion."""

    def __init__(self, loaded: Loaded, file: str):
        self.loaded, self.file = loaded, file

    def build(self, text: str) -> None:
        stack: list[tuple[Path_, Any, str | None]] = []        # path, container, key that waits for its value
        for event in yaml.parse(text, Loader=_Loader):
            if isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
                stack.pop()
            elif isinstance(event, yaml.AliasEvent):
                raise _refused(event, "an alias (*name) is not taken", "write the text out")
            elif isinstance(event, yaml.NodeEvent):
                self._node(event, stack)
            elif isinstance(event, yaml.DocumentStartEvent) and self.loaded.tree is not None:
                raise _refused(event, "holds a second document", "keep one document a file")

    def _node(self, event: Any, stack: list) -> None:
        if event.anchor:
            raise _refused(event, "an anchor (&name) is not taken", "write the text out")
        if event.tag:
            raise _refused(event, f"a tag ({event.tag}) is not taken", "write plain text")
        if len(stack) > _DEEPEST:
            raise _refused(event, f"is nested more than {_DEEPEST} deep")
        place = (self.file, event.start_mark.line + 1, event.start_mark.column + 1)
        if stack and isinstance(stack[-1][1], dict) and stack[-1][2] is None:
            self._key(event, place, stack)
            return
        value = (event.value if isinstance(event, yaml.ScalarEvent)
                 else {} if isinstance(event, yaml.MappingStartEvent) else [])
        path = self._attach(value, place, stack)
        if not isinstance(event, yaml.ScalarEvent):
            stack.append((path, value, None))

    def _key(self, event: Any, place: tuple, stack: list) -> None:
        if not isinstance(event, yaml.ScalarEvent):
            raise _refused(event, "a key must be plain text")
        path, container, _ = stack[-1]
        key = event.value
        if key in container:
            first = self.loaded.keys[(*path, key)][1]
            self.loaded.faults.append(Fault(*place, f"{key!r} stands here a second time (first in line {first})",
                                            "keep one"))
        else:
            self.loaded.keys[(*path, key)] = place
        stack[-1] = (path, container, key)

    def _attach(self, value: Any, place: tuple, stack: list) -> Path_:
        if not stack:
            self.loaded.tree, path = value, ()
        elif isinstance(stack[-1][1], list):
            above, container, _ = stack[-1]
            path = (*above, len(container))
            container.append(value)
        else:
            above, container, key = stack[-1]
            path = (*above, key)
            container.setdefault(key, value)
            stack[-1] = (above, container, None)
        self.loaded.values.setdefault(path, place)
        return path


def _merge(into: Loaded, other: Loaded) -> None:
    into.faults += other.faults
    for section, value in other.tree.items():
        if section not in into.tree:
            into.tree[section] = value
        elif isinstance(value, dict) and isinstance(into.tree[section], dict):
            for name, entry in value.items():
                if name in into.tree[section]:
                    first = into.keys[(section, name)]
                    into.faults.append(other.fault((section, name),
                                                   f"{name!r} is in {section} already ({first[0]}:{first[1]})",
                                                   "rename one of them", at_key=True))
                into.tree[section].setdefault(name, entry)
        else:
            first = into.keys[(section,)]
            into.faults.append(other.fault((section,), f"{section!r} is given already ({first[0]}:{first[1]})",
                                           "keep one", at_key=True))
    for mine, theirs in ((into.keys, other.keys), (into.values, other.values)):
        for path, place in theirs.items():
            mine.setdefault(path, place)


def _refused(event: Any, what: str, right: str = "") -> yaml.MarkedYAMLError:
    return yaml.MarkedYAMLError(problem=f"{what}\n{right}", problem_mark=event.start_mark)


def _syntax(file: str, text: str, error: yaml.YAMLError) -> Fault:
    mark = getattr(error, "problem_mark", None)
    problem = getattr(error, "problem", None) or getattr(error, "reason", None) or str(error).splitlines()[0]
    line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    what, _, right = problem.partition("\n")
    if "tab" in what or (mark and text[mark.index:mark.index + 1] == "\t"):
        return Fault(file, line, column, "a tab stands where YAML allows only spaces", "indent with spaces")
    if "\n" not in problem:
        what, right = f"is not YAML: {what}", "check indentation, quotes and colons here and in the line above"
    return Fault(file, line, column, what, right)


_PLAIN_WORDS = {
    "missing": ("required key {key!r} is missing", "add {key}: …"),
    "model_type": ("{key!r} should hold keys and values", "indent its keys under it"),
    "model_attributes_type": ("{key!r} should hold keys and values", "indent its keys under it"),
    "dict_type": ("{key!r} should hold names and what belongs to them", "indent them under it"),
    "list_type": ("{key!r} should be a list", "write [a, b]"),
    "string_type": ("{key!r} should be text", "write one value"),
    "tuple_type": ("{key!r} should be a list", "write [a, b]"),
}


def _told(loaded: Loaded, model: type[BaseModel], error: Any) -> Fault:
    """One pydantic error as a fault in our words."""
    path, kind, key = tuple(error["loc"]), error["type"], str(error["loc"][-1]) if error["loc"] else str(loaded.source)
    if kind == "extra_forbidden":
        known = known_keys(model, path[:-1])
        return loaded.fault(path, f"unknown key {key!r}", nearest(key, known), at_key=True)
    if kind == "said":
        return loaded.fault(path, error["ctx"]["what"], error["ctx"]["right"])
    if kind == "literal_error":
        return loaded.fault(path, f"{error['input']!r} is not one of the words for {key!r}",
                            f"write {error['ctx']['expected']}")
    what, right = _PLAIN_WORDS.get(kind, (error["msg"], ""))
    return loaded.fault(path, what.format(key=key), right.format(key=key), at_key=kind == "missing")


def nearest(word: str, known: list[str]) -> str:
    """What would be right instead of `word`: the nearest known one, or all of them."""
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"known here are {', '.join(sorted(known))}" if known else ""


def known_keys(model: Any, path: Path_) -> list[str]:
    """The keys that may stand at this path of a model."""
    for step in path:
        model = _below(model, step)
    found = _strip(model)
    if isinstance(found, type) and issubclass(found, BaseModel):
        return [field.alias or name for name, field in found.model_fields.items()]
    return []


def _below(model: Any, step: Any) -> Any:
    model = _strip(model)
    if isinstance(model, type) and issubclass(model, BaseModel):
        for name, info in model.model_fields.items():
            if step in (info.alias, name):
                return info.annotation
        return None
    arguments = typing.get_args(model)
    return arguments[-1] if arguments and arguments[-1] is not Ellipsis else arguments[0] if arguments else None


def _strip(model: Any) -> Any:
    """The type under Optional and Annotated."""
    while typing.get_origin(model) in (typing.Annotated, typing.Union, types.UnionType):
        options = [one for one in typing.get_args(model) if one is not type(None)]
        model = options[0]
    return model
