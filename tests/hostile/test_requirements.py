"""What the suite stands on: every import declared, every version pinned, every licence known."""

import ast
import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import catalogue_audit
from packaging.requirements import Requirement

from hostile import licences

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = Path(catalogue_audit.__file__).parent


def _normal(name):
    return re.sub(r"[-_.]+", "-", name).lower()


def _declared():
    project = tomllib.loads((ROOT / "lib" / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    optional = [line for lines in project["optional-dependencies"].values() for line in lines]
    return [Requirement(line) for line in (*project["dependencies"], *optional)]


def _imported():
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                yield from (name.name.partition(".")[0] for name in node.names)
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                yield node.module.partition(".")[0]


def test_every_package_that_the_library_imports_is_declared():
    distributions = metadata.packages_distributions()
    declared = {_normal(requirement.name) for requirement in _declared()}
    outside = set(_imported()) - set(sys.stdlib_module_names) - {"catalogue_audit"}
    missing = {name for name in outside if not {_normal(d) for d in distributions.get(name, ())} & declared}
    assert len(outside) > 15
    assert missing == set()


def test_everything_needed_is_pinned_and_the_pins_satisfy_what_asks_for_them():
    pins = {_normal(name): version for name, version in licences.pins().items()}
    waiting, seen, wrong = _declared(), set(), []
    while waiting:
        requirement = waiting.pop()
        name = _normal(requirement.name)
        version = pins.get(name)
        if version is None or not requirement.specifier.contains(version, prereleases=True):
            wrong.append(str(requirement))
        if name in seen or version is None:
            continue
        seen.add(name)
        further = (Requirement(line) for line in metadata.requires(name) or ())
        waiting += [r for r in further if r.marker is None or r.marker.evaluate({"extra": ""})]
    assert wrong == []
    assert len(seen) > 50


def test_requirements_name_no_host_and_no_place():
    lines = [line for line in licences.REQUIREMENTS.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    assert lines[0] == "-e ./lib"
    assert all(re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.+!]+", line) for line in lines[1:])


def test_the_table_of_licences_is_that_of_the_installed_packages():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    _, _, section = text.partition("## Dependencies and their licences")
    shown = {}
    for key, names in re.findall(r"^\| ([^|]+) \| ([^|]+) \|$", section.partition("\n## ")[0], re.MULTILINE)[1:]:
        shown |= dict.fromkeys(names.split(", "), key)
    assert shown == {name: licences.licence(name) for name in licences.pins()}
    assert "unknown" not in shown.values()
