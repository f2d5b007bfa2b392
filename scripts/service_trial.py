"""The daemon's unit under a real systemd, in a container with a Debian of its own: what it may do, what it survives.

Exit status 0 only if everything held; 3 where no trial could be made.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from tests.service.container import NotMade, booted, grown
from tests.service.judge import faults, lines


def main() -> int:
    """0 if all held, 1 if anything did not, 2 for wrong words, 3 where no trial could be made."""
    parser = argparse.ArgumentParser(prog="scripts/service-trial", description=__doc__)
    parser.add_argument("--tree", type=Path, metavar="DIR", help="the Debian, made there where it is not; kept")
    asked = parser.parse_args()
    try:
        if os.geteuid() != 0:
            raise NotMade("it takes root: a container is started")
        with tempfile.TemporaryDirectory() as work:
            seen = booted(grown(asked.tree or Path(work) / "debian"))
    except NotMade as exc:
        print(f"no trial: {exc}")
        return 3
    for line in lines(seen):
        print(line)
    broken = faults(seen)
    for fault in broken:
        print(f"BROKE {fault}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
