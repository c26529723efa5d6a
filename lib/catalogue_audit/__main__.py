"""``python -m catalogue_audit`` is the same command as ``catalogue-audit``."""

import sys

if __name__ == "__main__" and not sys.flags.safe_path:
    del sys.path[0]  # the folder it was started in may be a delivery; no module is imported from there

from catalogue_audit.cli import main

if __name__ == "__main__":
    sys.exit(main())
