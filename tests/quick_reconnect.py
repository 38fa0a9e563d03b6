"""`crosslay run` that connects again within a tenth of a second: a thousand broken connections in minutes."""

from __future__ import annotations

import sys

from crosslay.bus import pump
from crosslay.cli.main import main

if __name__ == "__main__":
    pump._BACKOFF_FIRST_S = pump._BACKOFF_LIMIT_S = 0.1
    sys.exit(main(sys.argv[1:]))
