"""``python -m catalogue_audit`` is the same command as ``catalogue-audit``."""

import sys

from catalogue_audit.cli import main

if __name__ == "__main__":
    sys.exit(main())
