"""
The kernel that a report's notebooks run in, and its surroundings: ipykernel without its debugger.

The debugger's import takes as long as the rest of the kernel, and nobody
watches a notebook that a report runs. Started with ``python -m``, as ipykernel's own
launcher is.
"""

import contextlib
import json
import os
import sys

KERNEL = "catalogue-audit"
KERNEL_OPTIONS = ("--HistoryManager.enabled=False", "--Application.log_level=50")  # writes no history, warns of nothing


def main():
    """
    Start the kernel that the arguments describe; returns when it is shut down.

    A run that is stopped while its kernel starts takes the scratch folder away from it: then it ends without a word.
    """
    sys.modules["debugpy"] = None  # an import of it fails as if it were not installed, which ipykernel allows for
    try:
        if _folder_is_gone(sys.argv):
            sys.exit(1)
        from ipykernel.kernelapp import launch_new_instance

        launch_new_instance()
    except OSError:  # or while it imports
        if not _folder_is_gone(sys.argv):
            raise
        sys.exit(1)


def _folder_is_gone(arguments):
    """True where the folder of the connection file that the arguments name is no longer there."""
    named = dict(zip(arguments, arguments[1:], strict=False)).get("-f")
    return named is not None and not os.path.isdir(os.path.dirname(named))


@contextlib.contextmanager
def kernel_environment(scratch):
    """
    A kernel of this interpreter, with nothing of the user's Jupyter set-up and no home needed.

    The kernel is described in a scratch folder that is put first on Jupyter's
    path; its own files (connection, history, configuration) go there too.
    """
    spec = scratch / "share" / "kernels" / KERNEL
    spec.mkdir(parents=True)
    command = [sys.executable, "-m", "catalogue_audit.report.kernel", "-f", "{connection_file}", *KERNEL_OPTIONS]
    (spec / "kernel.json").write_text(json.dumps({"argv": command, "display_name": KERNEL, "language": "python"}), encoding="utf-8")
    settings = {
        "JUPYTER_PATH": str(scratch / "share"),
        "JUPYTER_RUNTIME_DIR": str(scratch / "runtime"),
        "JUPYTER_DATA_DIR": str(scratch / "data"),
        "JUPYTER_CONFIG_DIR": str(scratch / "config"),
        "IPYTHONDIR": str(scratch / "ipython"),
        "MPLCONFIGDIR": os.environ.get("MPLCONFIGDIR") or str(scratch / "matplotlib"),
        "MPLBACKEND": "module://matplotlib_inline.backend_inline",
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",
        "PYTHONSAFEPATH": "1",
    }
    before = {name: os.environ.get(name) for name in settings}
    os.environ.update(settings)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


if __name__ == "__main__":
    main()
