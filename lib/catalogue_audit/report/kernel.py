"""
The kernel that a report's notebooks run in: ipykernel without its debugger.

The debugger's import takes as long as the rest of the kernel, and nobody
watches a notebook that a report runs. Started with ``python -m``, as ipykernel's own
launcher is.
"""

import sys


def main():
    """Start the kernel that the arguments describe; returns when it is shut down."""
    sys.modules["debugpy"] = None  # an import of it fails as if it were not installed, which ipykernel allows for
    from ipykernel.kernelapp import launch_new_instance

    launch_new_instance()


if __name__ == "__main__":
    main()
