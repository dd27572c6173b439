"""How figures move with the hours on a stylus: how fast, by whose fault, until when."""

from grooveledger.interpret.drift.advice import advice_table
from grooveledger.interpret.drift.analysis import analyse_archive
from grooveledger.interpret.drift.control import control_table, odd_captures_table
from grooveledger.interpret.drift.states import stylus_states
from grooveledger.interpret.drift.table import drift_table

__all__ = [
    "advice_table",
    "analyse_archive",
    "control_table",
    "drift_table",
    "odd_captures_table",
    "stylus_states",
]
