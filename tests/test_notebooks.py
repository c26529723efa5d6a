"""The notebooks: thin, clean in the repository, each whole when run, and a failed one never looks finished."""

import ast
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest
from catalogue_audit.report.audit import write_data
from catalogue_audit.report.notebooks import (
    REPORT_NOTEBOOKS,
    NotebookFailed,
    notebook_folder,
    parameters_of,
    run_notebooks,
)
from catalogue_audit.report.pictures import write_pictures
from catalogue_audit.runs.demo import demo_season
from making_audit import make_audit

FOLDER = notebook_folder()
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
WORD_LIMIT = 3  # statements in one cell, imports apart


def _read(path):
    return nbformat.read(path, as_version=4)


def _code(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp("for notebooks {sku}")
    audit = make_audit()
    write_data(audit, folder)
    write_pictures(audit, folder)
    return folder


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    return shutil.copytree(demo_season(), tmp_path_factory.mktemp("season") / "study")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
class TestEachNotebook:
    """What holds for every notebook of the repository."""

    def test_is_valid_and_carries_no_output(self, path):
        notebook = _read(path)
        nbformat.validate(notebook)
        assert (notebook.nbformat, notebook.nbformat_minor) == (4, 5)
        for cell in _code(notebook):
            assert cell.outputs == [] and cell.execution_count is None
        assert len({cell.id for cell in notebook.cells}) == len(notebook.cells)

    def test_begins_with_what_it_answers_then_one_parameters_cell(self, path):
        cells = _read(path).cells
        assert cells[0].cell_type == "markdown" and cells[0].source.startswith("# ") and "?" in cells[0].source + cells[2].source or "page" in cells[0].source
        assert [number for number, cell in enumerate(cells) if "parameters" in cell.metadata.get("tags", [])] == [1]
        for line in cells[1].source.splitlines():
            assert re.fullmatch(r"\w+: (str|int|float|bool) = [^=]+  # .+", line)
            assert isinstance(ast.literal_eval(line.split(" = ")[1].split("  #")[0]), str | int | float | bool)

    def test_computes_nothing_itself(self, path):
        for cell in _code(_read(path)):
            tree = ast.parse(cell.source)
            banned = (ast.FunctionDef, ast.For, ast.While, ast.If, ast.Lambda, ast.ClassDef, ast.ListComp, ast.Compare, ast.BinOp)
            assert not [node for node in ast.walk(tree) if isinstance(node, banned)]
            statements = [node for node in tree.body if not isinstance(node, ast.Import | ast.ImportFrom)]
            assert len(statements) <= WORD_LIMIT

    def test_says_nothing_that_is_true_of_one_folder_only(self, path):
        prose = " ".join(cell.source for cell in _read(path).cells if cell.cell_type == "markdown")
        assert not re.search(r"\d+ (pictures|products|files)", prose)

    def test_runs_to_its_end_against_a_written_report(self, path, report, season):
        (done,) = run_notebooks(season if "season" in path.name else report, (path.name,))
        notebook = _read(done)
        outputs = [output for cell in _code(notebook) for output in cell.outputs]
        assert not [output for output in outputs if output.output_type in ("error", "stream")]
        shown = "".join(output.data.get("text/html", "") for output in outputs)
        assert "data:image/" in shown
        assert all(cell.execution_count for cell in _code(notebook))
        text = done.read_text(encoding="utf-8")
        assert str(report) not in text and sys.prefix not in text and str(Path.home()) + os.sep not in text
        assert "papermill" not in notebook.metadata and "<script" not in shown


def _made(folder, *cells, parameters='report_folder: str = ""  # folder'):
    """A notebook of our making with these code cells after its parameters."""
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(parameters, metadata={"tags": ["parameters"]}), *map(nbformat.v4.new_code_cell, cells)])
    notebook.metadata["kernelspec"] = {"name": "another", "display_name": "another", "language": "python"}
    folder.mkdir(exist_ok=True)
    nbformat.write(notebook, folder / "made.ipynb")
    return folder


FAILURES = {
    "an error": ('raise ValueError("bad <b>")', r"cell 3 .*ValueError: bad <b>"),
    "sys.exit": ("import sys\nsys.exit(0)", r"made\.ipynb"),
    "a killed kernel": ("import os\nos.kill(os.getpid(), 9)", r"ended from outside"),
    "a cell without end": ("import time\ntime.sleep(120)", r"longer than 4 s"),
    "a kernel that exits": ("import os\nos._exit(0)", r"ended from outside|spoken to"),
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", FAILURES)
def test_a_failed_notebook_is_told_with_its_name_and_reason(kind, tmp_path):
    source, words = FAILURES[kind]
    made = _made(tmp_path / "source", source, "1 + 1")
    report = tmp_path / "report"
    report.mkdir()
    with pytest.raises(NotebookFailed, match=words) as caught:
        run_notebooks(report, ("made.ipynb",), source=made, cell_timeout=4)
    assert "made.ipynb" in str(caught.value) and "\n" not in str(caught.value)
    assert not _children_left()


def _children_left():
    """Kernels of ours that still run."""
    found = subprocess.run(["ps", "-eo", "ppid,stat,args"], capture_output=True, text=True, check=True).stdout
    return [line for line in found.splitlines() if line.split(None, 1)[0] == str(os.getpid()) and "catalogue_audit.report.kernel" in line and " Z" not in line]


def test_a_parameter_that_a_notebook_does_not_declare_is_an_error(tmp_path):
    made = _made(tmp_path / "source", "1", parameters='folder: str = ""  # another name')
    with pytest.raises(NotebookFailed, match="declares no parameter named report_folder"):
        run_notebooks(tmp_path, ("made.ipynb",), source=made)
    with pytest.raises(NotebookFailed, match="missing"):
        run_notebooks(tmp_path, ("absent.ipynb",), source=made)


def test_the_kernel_is_this_interpreter_whatever_the_notebook_names(tmp_path):
    made = _made(tmp_path / "source", 'import sys\nassert sys.executable == ' + repr(sys.executable))
    run_notebooks(tmp_path, ("made.ipynb",), source=made)
    assert "JUPYTER_RUNTIME_DIR" not in os.environ or "catalogue-audit-" not in os.environ["JUPYTER_RUNTIME_DIR"]


def test_a_folder_name_cannot_become_code(tmp_path):
    hostile = tmp_path / "a\"; import os; os.abort() #'{x}"
    hostile.mkdir()
    made = _made(tmp_path / "source", "import pathlib\nassert pathlib.Path(report_folder).is_dir()")
    run_notebooks(hostile, ("made.ipynb",), source=made)
    assert "abort" not in (hostile / "notebooks" / "made.ipynb").read_text(encoding="utf-8")


@pytest.mark.slow
def test_notebooks_run_without_a_home_from_a_folder_that_cannot_be_written(tmp_path):
    made = _made(tmp_path / "source", "import matplotlib.figure\nmatplotlib.figure.Figure()")
    (tmp_path / "report").mkdir()
    program = (
        "import pathlib; from catalogue_audit.report.notebooks import run_notebooks; "
        f"run_notebooks(pathlib.Path({str(tmp_path / 'report')!r}), ('made.ipynb',), source=pathlib.Path({str(made)!r}))"
    )
    environment = {"PATH": os.environ["PATH"], "TMPDIR": str(tmp_path), "HOME": "/nonexistent"}
    done = subprocess.run([sys.executable, "-c", program], cwd="/proc", env=environment, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    assert (tmp_path / "report" / "notebooks" / "made.ipynb").is_file()


def test_every_notebook_of_the_report_is_in_the_folder():
    assert set(REPORT_NOTEBOOKS) <= {path.name for path in NOTEBOOKS}
    assert all(parameters_of(FOLDER / name) == {"report_folder"} for name in REPORT_NOTEBOOKS)




def test_a_kernel_whose_folder_was_taken_away_ends_without_a_word(tmp_path):
    """As where a run is stopped between the start of a process and its first import."""
    gone = tmp_path / "gone"
    gone.mkdir()
    program = f"import os, runpy, sys; os.chdir({str(gone)!r}); os.rmdir({str(gone)!r}); runpy.run_module('catalogue_audit.report.kernel', run_name='__main__')"
    done = subprocess.run([sys.executable, "-c", program, "-f", str(gone / "connection.json")], capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (1, "", "")
