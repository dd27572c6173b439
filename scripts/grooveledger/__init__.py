"""Measure phono cartridges from captures of test records.

The library knows nothing of the workflow that calls it: pure functions over arrays and tables.
"""

__version__ = "0.1.0"
