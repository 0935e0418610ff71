"""``python -m rallymill.cli``."""

from rallymill.cli import main

main()
