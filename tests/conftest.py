"""Puts this folder on the import path, so that tests share ``films`` by its plain name too."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
