"""Put the library's folder on the import path: a study lies a folder below it."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
