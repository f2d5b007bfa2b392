"""``python -m benchlog``."""

from benchlog.cli import main

main()
