"""The plan of the house: layers import downwards only, and walls stay where they are."""

import ast
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import catalogue_audit
from conftest import LONGEST

PACKAGE = Path(catalogue_audit.__file__).parent
LAYERS = ("delivery", "metadata", "pixels", "measures", "statistics", "findings", "report", "runs", "commands", "cli")
EXTERNAL_WALLS = {
    "exifread": "metadata/exif.py",
    "papermill": "report/notebooks.py",
    "simplejpeg": "pixels/",
}


STATISTICS_FLOOR = {"": 0, "series": 1, "geometry": 2, "photometry": 2, "surface": 2, "matching": 3, "seasons": 4}


@cache
def _parsed(path):
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def _imports():
    """(path below the package, module imported), for every import of the library."""
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(_parsed(path)):
            if isinstance(node, ast.ImportFrom) and node.module:
                found.append((path.relative_to(PACKAGE).as_posix(), node.module))
            elif isinstance(node, ast.Import):
                found.extend((path.relative_to(PACKAGE).as_posix(), name.name) for name in node.names)
    return found


def _layer(dotted):
    part = dotted.split(".")[0].removesuffix(".py")
    return LAYERS.index(part) if part in LAYERS else -1


def test_no_module_imports_from_a_layer_above_it():
    upward = [
        f"{path} imports {module}"
        for path, module in _imports()
        if module.startswith("catalogue_audit.")
        and path not in ("__main__.py",)
        and _layer(module.removeprefix("catalogue_audit.")) > _layer(path.split("/")[0])
    ]
    assert upward == []


def _module_names():
    return {"catalogue_audit." + path.relative_to(PACKAGE).with_suffix("").as_posix().replace("/", ".") for path in PACKAGE.rglob("*.py")}


def _taken():
    """Module → the modules of this house that it imports, wherever in its text."""
    names, taken = _module_names(), {}
    for path in PACKAGE.rglob("*.py"):
        own = "catalogue_audit." + path.relative_to(PACKAGE).with_suffix("").as_posix().replace("/", ".")
        for node in ast.walk(_parsed(path)):
            if isinstance(node, ast.ImportFrom) and node.module:
                wanted = {node.module, *(f"{node.module}.{name.name}" for name in node.names)}
            elif isinstance(node, ast.Import):
                wanted = {name.name for name in node.names}
            else:
                continue
            taken.setdefault(own, set()).update(wanted & names)
    return taken


def test_no_modules_import_one_another_in_a_circle():
    TopologicalSorter(_taken()).prepare()  # raises CycleError, which names the circle


def _room(place):
    """Room of statistics of a module, '' for those at its ground: of a path below it, or a dotted name."""
    first, _, inner = place.replace("/", ".").removesuffix(".py").partition(".")
    return first if inner else ""


def test_rooms_of_statistics_import_from_rooms_below_them_only():
    strays = []
    for path, module in _imports():
        if not path.startswith("statistics/") or not module.startswith("catalogue_audit.statistics."):
            continue
        own, other = _room(path.removeprefix("statistics/")), _room(module.removeprefix("catalogue_audit.statistics."))
        if own != other and STATISTICS_FLOOR[other] >= STATISTICS_FLOOR[own]:
            strays.append(f"{path} imports {module}")
    assert strays == []


def test_each_outside_library_behind_a_wall_is_imported_in_one_place():
    strays = [
        f"{path} imports {module}"
        for path, module in _imports()
        for library, home in EXTERNAL_WALLS.items()
        if module.split(".")[0] == library and not path.startswith(home)
    ]
    assert strays == []


def test_measures_do_no_input_or_output_and_know_no_pandas():
    strays = [
        f"{path} imports {module}"
        for path, module in _imports()
        if path.startswith(("measures/", "pixels/"))
        and module.split(".")[0] in ("pandas", "pathlib", "os", "fsspec", "shutil", "tempfile")
    ]
    assert strays == []


def test_nothing_in_the_library_prints_and_pyplot_is_never_used():
    prints = [
        f"{path.relative_to(PACKAGE)}:{node.lineno}"
        for path in sorted(PACKAGE.rglob("*.py"))
        if path.name != "cli.py"
        for node in ast.walk(_parsed(path))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]
    assert prints == []
    assert [path for path, module in _imports() if module == "matplotlib.pyplot"] == []


def _defined_twice(path):
    """Functions and classes of one module's top level that a later one of the same name hides."""
    names = [node.name for node in _parsed(path).body if isinstance(node, (ast.FunctionDef, ast.ClassDef))]
    return [f"{path.name}: {name}" for name in sorted({name for name in names if names.count(name) > 1})]


def test_no_function_hides_an_earlier_one_of_its_module(tmp_path):
    """Python says nothing of it: a test hidden so never runs."""
    hidden = tmp_path / "hidden.py"
    hidden.write_text("def one(): pass\ndef two(): pass\ndef one(): pass\n", encoding="utf-8")
    assert _defined_twice(hidden) == ["hidden.py: one"]
    assert [found for folder in (PACKAGE, Path(__file__).parent) for path in sorted(folder.rglob("*.py")) for found in _defined_twice(path)] == []


def test_every_test_module_named_to_come_first_is_there():
    tests = Path(__file__).parent
    assert [name for name in LONGEST if not (tests / name).is_file()] == []
