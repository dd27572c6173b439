"""How figures move with the hours on a stylus: how fast, by whose fault, until when."""

from grooveledger.drift.advice import advice_table
from grooveledger.drift.control import control_table
from grooveledger.drift.states import stylus_states
from grooveledger.drift.table import drift_table

__all__ = ["advice_table", "control_table", "drift_table", "stylus_states"]
