"""How figures move with the hours on a stylus: how fast, by whose fault, until when."""

from grooveledger.drift.table import drift_table

__all__ = ["drift_table"]
