"""
Running the notebooks of a report; the only importer of papermill and nbconvert.

They run one after another, in kernels of this very interpreter, and a run that
did not reach the last cell is a failure whatever the saved file says.
"""

import asyncio
import contextlib
import json
import os
import shutil
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import NamedTuple

import nbformat
import psutil

from catalogue_audit.errors import AuditError
from catalogue_audit.report.kernel import KERNEL, kernel_environment

CELL_TIMEOUT = 300  # s
START_TIMEOUT = 120  # s
LAST_SECONDS = 8  # s, for a notebook to notice that its kernel was ended
REMOVALS = 50  # attempts, a tenth of a second apart, to remove a folder that a process which is being ended writes into
SOURCE = "notebooks"  # folder of the repository
REPORT_NOTEBOOKS = ("01_delivery_review.ipynb", "02_consistency_study.ipynb", "03_reshoot_and_retouch_sheets.ipynb")


class NotebookFailed(AuditError):
    """A notebook of the report did not run to its end."""


class Failure(NamedTuple):
    """Which notebook failed, at which code cell (as the executed notebook numbers them; 0 where none ran), and why."""

    notebook: str
    cell: int
    reason: str

    def words(self):
        """One sentence for people."""
        where = f", cell {self.cell}" if self.cell else ""
        return f"The notebook '{self.notebook}'{where} did not run to its end: {self.reason}."


def notebook_folder():
    """
    Folder that holds the notebooks, or None where the package was installed without them.

    Returns
    -------
    Path or None
    """
    folder = Path(__file__).resolve().parents[3] / SOURCE
    return folder if folder.is_dir() else None


def parameters_of(notebook):
    """
    Names of the parameters that a notebook declares.

    Parameters
    ----------
    notebook : Path

    Returns
    -------
    set of str
    """
    import papermill

    with _without_warnings():
        return set(papermill.inspect_notebook(str(notebook)))


def run_notebooks(folder, names=REPORT_NOTEBOOKS, source=None, cell_timeout=CELL_TIMEOUT):
    """
    Run notebooks against a report folder; executed copies go to its ``notebooks``.

    Parameters
    ----------
    folder : Path
        The report folder, with its tables and pictures.
    names : tuple of str
        File names, in order.
    source : Path, optional
        Where the notebooks are; by default the repository's.
    cell_timeout : float
        Seconds a cell may take.

    Returns
    -------
    list of Path
        The executed notebooks.

    Raises
    ------
    NotebookFailed
        With the notebook, the cell and the reason. What ran before stays.
    """
    source = source or notebook_folder()
    if source is None:
        raise NotebookFailed("The notebooks are not installed: run from a clone of the repository, or pass --tables-only.")
    folder = Path(folder).resolve()
    target = folder / SOURCE
    target.mkdir(exist_ok=True)
    done = []
    with _scratch_folder() as scratch, kernel_environment(scratch):
        for name in names:
            done.append(_run_one(Path(source) / name, target / name, {"report_folder": str(folder)}, scratch, cell_timeout))
    return done


@contextlib.contextmanager
def _scratch_folder():
    """
    A folder for the length of a ``with`` block.

    A kernel that was just starting when the run was stopped may write into it while it is removed. That must not take the place of what ended the run.
    """
    scratch = Path(tempfile.mkdtemp(prefix="catalogue-audit-"))
    try:
        yield scratch
    finally:
        for _ in range(REMOVALS):
            shutil.rmtree(scratch, ignore_errors=True)
            if not scratch.exists():
                break
            _end_kernels(scratch)
            time.sleep(0.1)


def _run_one(notebook, target, parameters, scratch, cell_timeout):
    _check_parameters(notebook, parameters)
    raw, source = scratch / "executed.ipynb", scratch / "source.ipynb"
    shutil.copyfile(notebook, source)  # papermill formats paths: a brace in ours must not be read as a field
    failure = _execute(notebook.name, source, raw, parameters, cell_timeout)
    if raw.is_file():
        written = nbformat.read(raw, as_version=4)
        failure = failure or _unfinished(notebook.name, written)
        _write_clean(written, target, parameters)
        raw.unlink()
    if failure is not None:
        raise NotebookFailed(failure.words())
    return target


def _check_parameters(notebook, parameters):
    if not notebook.is_file():
        raise NotebookFailed(f"The notebook {notebook.name!r} is missing from the folder {SOURCE!r}.")
    json.dumps(parameters, allow_nan=False)  # a TypeError here is ours, not the user's
    unknown = set(parameters) - parameters_of(notebook)
    if unknown:
        msg = f"The notebook {notebook.name!r} declares no parameter named {', '.join(sorted(unknown))}."
        raise NotebookFailed(f"{msg} Add it to the cell tagged 'parameters'.")


def _execute(name, source, raw, parameters, cell_timeout):
    """Run one notebook in a fresh kernel; a Failure, or None where papermill is content."""
    import papermill
    from nbclient.exceptions import CellTimeoutError, DeadKernelError

    try:
        with _without_warnings():
            _beside_the_main_thread(
                raw.parent, papermill.execute_notebook,
                str(source), str(raw), parameters=parameters, kernel_name=KERNEL, progress_bar=False, log_output=False,
                start_timeout=START_TIMEOUT, execution_timeout=cell_timeout, cwd=str(raw.parent), request_save_on_cell_execute=False,
            )  # fmt: skip
    except papermill.PapermillExecutionError as error:
        return Failure(name, int(error.exec_count or 0), f"{error.ename}: {_one_line(error.evalue)}")
    except CellTimeoutError:
        return Failure(name, _cells_run(raw), f"a cell took longer than {cell_timeout:g} s")
    except DeadKernelError:
        return Failure(name, _cells_run(raw), "its process was ended from outside, perhaps for want of memory")
    except (RuntimeError, OSError) as error:
        return Failure(name, 0, f"its process could not be started or spoken to ({_one_line(error)})")
    return None


def _beside_the_main_thread(scratch, call, *arguments, **options):
    """
    Make a call in a thread of its own, and end its kernel when this thread is to end.

    In the main thread nbclient takes SIGINT and SIGTERM for itself and afterwards
    gives neither back, so that a run could not be ended while notebooks run.
    """
    outcome = {}

    def work():
        loop = asyncio.new_event_loop()
        asyncio.set_event_loop(loop)
        try:
            outcome["value"] = call(*arguments, **options)
        except BaseException as error:  # noqa: BLE001 - raised again in the thread that waits
            outcome["error"] = error
        finally:
            loop.close()

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        thread.join()
    except BaseException:
        _end_kernels(scratch)
        thread.join(LAST_SECONDS)
        raise
    if "error" in outcome:
        raise outcome["error"]
    return outcome["value"]


def _end_kernels(scratch):
    """End the kernels whose connection file lies in our scratch folder."""
    for child in psutil.Process().children(recursive=True):
        with contextlib.suppress(psutil.Error):
            if any(str(scratch) in argument for argument in child.cmdline()):
                child.kill()


def _cells_run(raw):
    if not raw.is_file():
        return 0
    counts = [cell.execution_count or 0 for cell in nbformat.read(raw, as_version=4).cells if cell.cell_type == "code"]
    return max(counts, default=0)


def _unfinished(name, notebook):
    """A Failure where a code cell never ran (``sys.exit``, a killed kernel) or holds an error."""
    for number, cell in enumerate((c for c in notebook.cells if c.cell_type == "code" and c.source.strip()), 1):
        for output in cell.outputs:
            if output.output_type == "error":
                return Failure(name, number, f"{output.ename}: {_one_line(output.evalue)}")
        if cell.execution_count is None or cell.metadata.get("papermill", {}).get("status", "completed") != "completed":
            return Failure(name, number, "it ended before this cell")
    return None


def _one_line(text, limit=300):
    from catalogue_audit.report.wording import plain_text

    return plain_text(" ".join(str(text).split()), limit)


def _write_clean(notebook, target, parameters):
    """Save an executed notebook without machine paths, times and names of this machine."""
    notebook.metadata.pop("papermill", None)
    notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    for cell in notebook.cells:
        for key in ("papermill", "execution"):
            cell.metadata.pop(key, None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell.source = "# Parameters\nreport_folder = \"..\""
        if cell.cell_type == "code":
            cell.outputs = [o for o in cell.outputs if o.output_type != "stream" or o.name != "stderr"]
            for output in cell.outputs:
                _strip_paths(output, parameters)
    nbformat.validate(notebook)
    target.write_text(nbformat.writes(notebook) + "\n", encoding="utf-8", newline="\n")


def _strip_paths(output, parameters):
    """Replace the report's own path in texts and tracebacks by its meaning."""
    paths = [value for value in parameters.values() if isinstance(value, str) and os.sep in value]
    paths += [str(Path(__file__).resolve().parents[2]), sys.prefix, tempfile.gettempdir()]

    def clean(text):
        for path in paths:
            text = text.replace(path, "…")
        return text

    if output.output_type == "error":
        output.traceback = [clean(line) for line in output.traceback]
        output.evalue = clean(output.evalue)
    elif output.output_type == "stream":
        output.text = clean(output.text)
    else:
        for kind, value in output.get("data", {}).items():
            if isinstance(value, str) and kind.startswith("text/"):
                output.data[kind] = clean(value)


@contextlib.contextmanager
def _without_warnings():
    """Warnings of the notebook libraries about themselves are no fault of the user's."""
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield
